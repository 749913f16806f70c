"""The number of a counter that is typed on the bench, digit by digit."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedNumber:
    """What a key did to the number."""

    belongs: bool = False
    """Whether the key belongs to the number, and not to the view."""
    number: int | None = None
    """The number as it now stands; None: there is none."""
    complete: bool = False
    """Whether no further digit could make the number of another counter."""
    refused: str = ""
    """Why a digit was refused, as a sentence; empty: it was not."""


class CounterNumber:
    """The number as far as it is typed."""

    def __init__(self) -> None:
        self._text = ""

    def prompt(self, counters: int) -> str:
        """Return the number that is typed, of so many counters, with what to do; empty: none."""
        if not self._text:
            return ""
        return f"counter {self._text} of {counters}: Enter opens it, or type its next digit"

    def clear(self) -> None:
        """Forget the digits."""
        self._text = ""

    def type(self, name: str, counters: int) -> TypedNumber:
        """Type a key; one that is no part of a number forgets the digits.

        Args:
            name: of the key, as the terminal library calls it.
            counters: how many there are; their numbers begin with 1.
        """
        before = self._text
        if name == "backspace" and before:
            self._text = before[:-1]
            return TypedNumber(belongs=True, number=int(self._text) if self._text else None)
        self._text = ""
        is_digit = len(name) == 1 and name in "0123456789" and (before or name != "0")
        if not is_digit:
            return TypedNumber(belongs=name == "escape" and bool(before))
        number = int(before + name)
        if number > counters:
            refused = f"there is no counter {number}: type 1 to {counters}"
            return TypedNumber(belongs=True, refused=refused)
        complete = 10 * number > counters
        self._text = "" if complete else str(number)
        return TypedNumber(belongs=True, number=number, complete=complete)
