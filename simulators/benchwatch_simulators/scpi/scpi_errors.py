"""The errors of SCPI-1999 (volume 2, chapter 21.8, from memory) and their queue."""

from collections import deque

NO_ERROR = '0,"No error"'

ERROR_TEXTS = {
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -123: "Exponent too large",
    -124: "Too many digits",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -151: "Invalid string data",
    -168: "Block data not allowed",
    -171: "Invalid expression",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -440: "Query UNTERMINATED after indefinite response",
}

_QUEUE_LENGTH = 20
_DETAIL_CHARS = 60


class ScpiError(Exception):
    """One error of the standard; `code` determines its class and event bit.

    Args:
        code: one of `ERROR_TEXTS`.
        detail: text that caused the error; shortened, only printable ASCII is kept.
    """

    def __init__(self, code: int, detail: str = "") -> None:
        self.code = code
        self.detail = "".join(c for c in detail if " " <= c <= "~" and c != '"')[:_DETAIL_CHARS]
        super().__init__(self.text)

    @property
    def text(self) -> str:
        """The error as ``SYSTem:ERRor?`` reports it."""
        detail = f";{self.detail}" if self.detail else ""
        return f'{self.code},"{ERROR_TEXTS[self.code]}{detail}"'

    @property
    def event_bit(self) -> int:
        """The error's bit in the standard event status register (IEEE 488.2 clause 11.5.1)."""
        return {1: 32, 2: 16, 3: 8, 4: 4}[-self.code // 100]

    @property
    def is_command_error(self) -> bool:
        """Whether it is a command error, after which the rest of the message is ignored."""
        return -200 < self.code <= -100


class ErrorQueue:
    """A queue of errors, first in, first out; when it is full, -350 replaces the newest."""

    def __init__(self) -> None:
        self._errors: deque[str] = deque()

    def __len__(self) -> int:
        return len(self._errors)

    def push(self, error: ScpiError) -> None:
        """Add an error; in a full queue -350 replaces the newest."""
        if len(self._errors) < _QUEUE_LENGTH:
            self._errors.append(error.text)
        else:
            self._errors[-1] = ScpiError(-350).text

    def pop(self) -> str:
        """Return and remove the oldest error, or ``0,"No error"``."""
        return self._errors.popleft() if self._errors else NO_ERROR

    def clear(self) -> None:
        """Remove all errors."""
        self._errors.clear()
