"""A sentence that is shown for a moment."""

import math
from collections.abc import Callable

MESSAGE_S, LETTER_S = 4.0, 0.05
"""Shortest time that a message stays, and the time for each of its letters if that is more."""


class MomentMessage:
    """The newest sentence, as long as it is shown.

    Args:
        clock_s: seconds that run evenly for people, whatever a recording does.
    """

    def __init__(self, clock_s: Callable[[], float]) -> None:
        self._clock_s = clock_s
        self._text, self._until_s = "", -math.inf

    @property
    def text(self) -> str:
        """The sentence; empty when its time is over."""
        return self._text if self._clock_s() < self._until_s else ""

    def show(self, text: str) -> None:
        """Show a sentence; a longer one stays longer."""
        self._text = text
        self._until_s = self._clock_s() + max(MESSAGE_S, LETTER_S * len(text))

    def clear(self) -> None:
        """Show nothing any more."""
        self._text = ""
