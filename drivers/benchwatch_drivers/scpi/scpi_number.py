"""How numbers look in the replies of SCPI instruments."""

import re
from decimal import Decimal
from typing import Final

from benchwatch.errors import ReplyError
from benchwatch.quantity import parse_reply, printable

NUMBER: Final = re.compile(
    r"[+-]?(?:\d{1,20}(?:\.\d{0,20})?|\.\d{1,20})(?:[Ee][+-]?\d{1,3})?", re.ASCII
)
"""NR1, NR2 and NR3 of IEEE 488.2, the whole reply."""
READING: Final = re.compile(rf"(?P<number>{NUMBER.pattern})(?: ?HZ)?", re.ASCII | re.IGNORECASE)
"""Some counters write the unit behind a reading, which the standard does not (common practice)."""
BLANKS: Final = " \t\r"
"""They may stand around a reply and mean nothing."""
NAN: Final = Decimal("9.91E37")
INFINITY: Final = Decimal("9.9E37")
HUGE: Final = Decimal("9.8E37")
"""Beyond it stand the special numbers."""


def read_frequency(text: str) -> Decimal:
    """Return the frequency in hertz that the whole reply `text` says, exactly.

    Digits vary, so a cut number is another number: only whole lines may come here.

    Raises:
        ReplyError: it is no number, or more than one.
    """
    match = READING.fullmatch(text.strip(BLANKS))
    if match is None:
        raise ReplyError(f"the reply '{printable(text)}' is no number; it was not used.")
    return parse_reply(match["number"])
