"""Tells a typed reading that ends earlier than the ones before it, as one that was cut does.

A cut number is near the nominal like any other, but its last digit is taken as its resolution, and
so as an uncertainty that the counter does not have.
"""

from collections import Counter
from collections.abc import Sequence
from typing import Final

REMEMBERED: Final = 5
"""Newest accepted readings by which the next one is judged."""
FEWEST_MISSING: Final = 2
"""Digits; one less is a last zero that was not typed."""


def usual_decimals(newest: Sequence[int]) -> int:
    """Return the most common number of decimals; of equally common ones the largest.

    Args:
        newest: decimals in hertz of at least one reading.
    """
    return max(Counter(newest).items(), key=lambda item: (item[1], item[0]))[0]


def digits_missing(decimals: int, newest: Sequence[int]) -> int:
    """Return how many digits a reading lacks at its end; 0: it may be whole.

    Args:
        decimals: in hertz, of the reading; negative where its last digit weighs 10 Hz or more.
        newest: the same of the newest accepted readings; of none, nothing is known.
    """
    missing = usual_decimals(newest) - decimals if newest else 0
    return missing if missing >= FEWEST_MISSING else 0
