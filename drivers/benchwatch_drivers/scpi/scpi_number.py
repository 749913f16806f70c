"""Numbers in the replies of SCPI instruments."""

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
"""Some counters write the unit after a reading, which the standard does not (common practice)."""
BLANKS: Final = " \t\r"
"""Characters without meaning before and after a reply."""
NAN: Final = Decimal("9.91E37")
INFINITY: Final = Decimal("9.9E37")
HUGE: Final = Decimal("9.8E37")
"""Greater numbers stand for NaN or infinity."""


def read_frequency(text: str) -> Decimal:
    """Return the exact frequency, in hertz, that is the whole reply `text`.

    The number of digits varies, so a cut number would be another number: `text` must be whole.

    Raises:
        ReplyError: the reply is no number, or more than one.
    """
    match = READING.fullmatch(text.strip(BLANKS))
    if match is None:
        raise ReplyError(f"the reply '{printable(text)}' is no number; it was not used.")
    return parse_reply(match["number"])
