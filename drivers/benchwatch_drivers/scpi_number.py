"""How numbers look in the replies of SCPI instruments."""

import re
from decimal import Decimal
from typing import Final

NUMBER: Final = re.compile(
    r"[+-]?(?:\d{1,20}(?:\.\d{0,20})?|\.\d{1,20})(?:[Ee][+-]?\d{1,3})?", re.ASCII
)
"""NR1, NR2 and NR3 of IEEE 488.2, the whole reply."""
UNIT: Final = re.compile(r" ?HZ", re.ASCII | re.IGNORECASE)
"""Some counters write it behind a reading, which the standard does not (common practice)."""
NAN: Final = Decimal("9.91E37")
INFINITY: Final = Decimal("9.9E37")
HUGE: Final = Decimal("9.8E37")
"""Beyond it stand the special numbers."""
