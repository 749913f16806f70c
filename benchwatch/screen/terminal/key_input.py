"""Keys, pastes and taps, parsed from a stream of characters that may hold anything.

A terminal and a page in a browser send keys as characters and sequences (ECMA-48, 5.4; xterm's
control sequences; the keyboard protocol that the terminal library requests). The library's parser
also accepts sequences that report a size, a position or a state, and some that make it fail. So
only whole sequences of a key, a mouse button or a paste are passed to it; the rest is dropped.
"""

import re
from collections.abc import Callable, Iterator
from typing import Final

from textual._ansi_sequences import ANSI_SEQUENCES_KEYS  # private; the version is pinned
from textual._xterm_parser import XTermParser  # likewise
from textual.constants import ESCAPE_DELAY
from textual.events import Key, Paste
from textual.message import Message

from benchwatch.system.clocks import monotonic

LONGEST_SEQUENCE: Final = 32
LONGEST_PASTE: Final = 1000
LONGEST_STRING: Final = 4096
"""Most characters of a control string, which is dropped; those beyond count as typed."""
PASTE_S: Final = 1.0
"""Time without a character after which a paste has ended, even without its end sequence."""

_ESC: Final = "\x1b"
_PASTE_BEGIN, _PASTE_END = "\x1b[200~", "\x1b[201~"
_STRINGS: Final = frozenset("P]X^_")
"""Characters that after Esc begin a control string: DCS, OSC, SOS, PM, APC (ECMA-48, 5.6)."""
_BEGINS_NUMBER: Final = frozenset("0123456789+-.,")
"""Characters that after Esc are keys of their own: a line is cleared, and the next one typed at
once. The library would make other characters of them."""
_KEY: Final = re.compile(
    r"\x1b\[(?P<key>\d{0,7})(?:;\d{0,3}(?:;(?P<text>\d{1,7}(?::\d{1,7}){0,7})?)?)?[u~ABCDEFHPQS]",
    re.ASCII,
)
_MOUSE: Final = re.compile(r"\x1b\[<\d{1,3};(?P<x>\d{1,4});(?P<y>\d{1,4})[Mm]", re.ASCII)
_DRAWS_AT_ONCE: Final = re.compile(r"\x1b\[\?2026;[0-4]\$y")
"""The reply to the only query that is sent: whether the terminal draws a picture in one go."""


class KeyInput:
    """Turns pieces of input, cut anywhere, into messages for the screen; its state is bounded.

    Args:
        burst: most keys that are accepted at once; those beyond are dropped.
        per_s: most keys that are accepted a second after that.
        cells: columns and rows in which a mouse button may be pressed; None: no mouse is expected.
        clock: gives monotonic seconds.
    """

    def __init__(
        self,
        *,
        burst: int,
        per_s: float,
        cells: tuple[int, int] | None = None,
        clock: Callable[[], float] = monotonic,
    ) -> None:
        self._burst, self._per_s, self._cells, self._clock = burst, per_s, cells, clock
        self._left, self._counted_s = float(burst), clock()
        self._parser = XTermParser()
        self._sequence = ""
        """The characters so far of a sequence that is not complete."""
        self._string: int | None = None
        """Number of characters dropped so far of a control string; None: outside of one."""
        self._paste: str | None = None
        """The text so far of a paste; None: outside of one."""
        self._newest_s = clock()

    def feed(self, text: str) -> list[Message]:
        """Parse the next characters; return the messages they mean."""
        messages = [*self.tick()]
        self._newest_s = self._clock()
        for character in text:
            messages.extend(self._take(character))
        return [message for message in messages if self._may_pass()]

    def tick(self) -> list[Message]:
        """Return the messages of an unfinished sequence once nothing has followed for a while."""
        quiet_s = self._clock() - self._newest_s
        messages: list[Message] = []
        if self._paste is not None:
            if quiet_s >= PASTE_S:
                self._sequence = ""
                messages.append(self._end_paste(self._paste))
        elif quiet_s >= ESCAPE_DELAY:
            if self._sequence == _ESC:
                messages.append(Key("escape", _ESC))
            self._sequence, self._string = "", None
        return messages

    def _may_pass(self) -> bool:
        """Count one message; return whether the limits `burst` and `per_s` allow it."""
        now_s = self._clock()
        self._left = min(self._left + (now_s - self._counted_s) * self._per_s, self._burst)
        self._counted_s = now_s
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True

    def _take(self, character: str) -> Iterator[Message]:
        """Parse one character, and yield the messages that it completes."""
        if self._paste is not None:
            yield from self._take_pasted(self._paste, character)
        elif character == _ESC:
            if self._sequence == _ESC:
                yield Key("escape", _ESC)
            self._sequence, self._string = _ESC, None
        elif self._string is not None:
            self._string += 1
            if character == "\x07" or self._string > LONGEST_STRING:
                self._string = None
        elif self._sequence:
            yield from self._continue_sequence(character)
        elif character.isprintable() or character <= "\x1f" or character == "\x7f":
            yield from self._parser.feed(character)

    def _continue_sequence(self, character: str) -> Iterator[Message]:
        """Add a character to the sequence that is not complete."""
        if not " " <= character <= "~":  # no sequence has such a character
            self._sequence = ""
            yield from self._take(character)
            return
        # Only the beginning of a sequence that is too long is kept: enough to find its end.
        if len(self._sequence) <= LONGEST_SEQUENCE:
            self._sequence += character
        if self._sequence[1] in _BEGINS_NUMBER:
            self._sequence = ""
            yield Key("escape", _ESC)
            yield from self._take(character)
        elif self._sequence[1] in _STRINGS and len(self._sequence) == 2:
            self._sequence, self._string = "", 0
        elif _is_whole(self._sequence, character):
            whole, self._sequence = self._sequence, ""
            if whole == _PASTE_BEGIN:
                self._paste = ""
            elif self._is_known(whole):
                yield from self._parser.feed(whole)

    def _take_pasted(self, paste: str, character: str) -> Iterator[Message]:
        """Add a character to a paste, unless it belongs to the sequence that ends the paste."""
        self._sequence += character
        if self._sequence == _PASTE_END:
            self._sequence = ""
            yield self._end_paste(paste)
        elif not _PASTE_END.startswith(self._sequence):
            is_escape = character == _ESC
            room = max(LONGEST_PASTE - len(paste), 0)
            self._paste = paste + (self._sequence[:-1] if is_escape else self._sequence)[:room]
            self._sequence = _ESC if is_escape else ""

    def _end_paste(self, paste: str) -> Paste:
        self._paste = None
        return Paste("".join(c for c in paste if c.isprintable() or c in "\r\n"))

    def _is_known(self, sequence: str) -> bool:
        """Return whether a sequence is that of a key, a mouse button or the only expected reply."""
        if len(sequence) > LONGEST_SEQUENCE:
            return False
        if sequence in ANSI_SEQUENCES_KEYS:
            return True
        if mouse := _MOUSE.fullmatch(sequence):
            if self._cells is None:
                return False
            width, height = self._cells
            return 1 <= int(mouse["x"]) <= width and 1 <= int(mouse["y"]) <= height
        if key := _KEY.fullmatch(sequence):
            written = [int(code) for code in (key["text"] or "").split(":") if code]
            return all(map(_is_character, [int(key["key"] or 1), *written])) and all(
                chr(code).isprintable() for code in written
            )
        return _DRAWS_AT_ONCE.fullmatch(sequence) is not None


def _is_character(code: int) -> bool:
    """Return whether a number is that of a character (Unicode, D76: no surrogates)."""
    return code <= 0x10FFFF and not 0xD800 <= code <= 0xDFFF


def _is_whole(sequence: str, last: str) -> bool:
    """Return whether `last` ends the sequence (ECMA-48, 5.4: parameters, then one final byte)."""
    match sequence[1:2]:
        case "[":
            if sequence[2:3] in {"[", "M"} and len(sequence) > 2:
                # The console's function keys have 1 more character, the old mouse reports 3.
                return len(sequence) >= (4 if sequence[2] == "[" else 6)
            return len(sequence) > 2 and "@" <= last <= "~"
        case "O":
            return len(sequence) > 2 and not last.isdecimal()
        case _:
            return True
