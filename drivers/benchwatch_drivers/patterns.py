"""Patterns of a profile: matched against short lines only, and tried before they are used.

Python's matcher tries every way in which a pattern may fit. Of some patterns, such as ``(a+)+b``,
there are more ways than anybody can wait for, and nothing stops it. Their number grows by a factor
with each character, so a pattern is tried on made lines that grow in small steps: the first slow
one ends the trial long before one that would take for ever. A pattern with a long tail judges only
lines that are long already, so its beginnings are tried before it.
"""

import re
import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from itertools import groupby
from typing import Final

LONGEST_LINE: Final = 200
"""Characters, display text and all; nothing longer is ever matched."""
SLOW_S: Final = 0.005
"""Of computing, for one line. A sound pattern takes microseconds, of the longest line too."""
LENGTHS: Final = (*range(1, 40), 42, 45, 48, 52, 57, 63, 70, 80, 95, 120, 155, LONGEST_LINE)
"""Of the made lines, in steps that no pattern goes from quick to endless within."""
SHORT: Final = 39
"""So many of these lengths show what grows without end."""
DEEPEST: Final = 8
"""Groups within groups."""
ENDS: Final = ("", "\x7f")
"""What makes a line fail at its very end, after all else fitted."""
_TOKEN: Final = re.compile(
    r"\\(?P<escaped>.)|\(\?(?:P<\w*>|[:=!]|<[=!])|\{[\d,]*\}|(?P<any>\.)|[\[\](){}*+?|^$]"
)
_REPEATED_GROUP: Final = re.compile(r"\)[*+{]|(?:[*+?}][^*+?}]*){5}")
"""Or many repeats in a row; with less than that a beginning is quick."""
_CLASSES: Final = {"d": "0", "w": "a", "s": " "}


def match(pattern: re.Pattern[str], text: str) -> re.Match[str] | None:
    """Match the whole of `text`; one that is longer than any line never does."""
    return pattern.fullmatch(text) if len(text) <= LONGEST_LINE else None


def slow_line(pattern: re.Pattern[str], lines: Sequence[str]) -> str | None:
    """Return a made line that `pattern` takes too long to judge; None when none was found.

    Args:
        pattern: As it stands in a profile.
        lines: Whole lines of the counter; made lines begin as they do.
    """
    kinds = sorted(set(_kinds([*lines, *_spelt_out(pattern.pattern)])))
    for beginning in _beginnings(pattern):
        line = _slow_line(beginning, kinds, LENGTHS[:SHORT])
        if line is not None:
            return line
    return _slow_line(pattern, kinds, LENGTHS)


def _slow_line(
    pattern: re.Pattern[str], kinds: Sequence[tuple[str, str]], lengths: Sequence[int]
) -> str | None:
    for length in lengths:
        made = sorted({line for kind in kinds for line in _lines(*kind, length)})
        if _took_s(pattern, made) < SLOW_S:
            continue
        for line in made:
            if min(_took_s(pattern, [line]) for _ in range(2)) > SLOW_S:
                return line
    return None


def _beginnings(pattern: re.Pattern[str]) -> Iterator[re.Pattern[str]]:
    """Yield what `pattern` begins with, up to each of its repeats, with its groups closed."""
    source = pattern.pattern
    for end in range(1, len(source)):
        is_repeat = source[end - 1] in "*+?}" and source[end] not in "*+?{"
        if is_repeat and _REPEATED_GROUP.search(source, 0, end):
            for depth in range(DEEPEST):
                with suppress(re.error):
                    yield re.compile(source[:end] + ")" * depth, pattern.flags)
                    break


def _lines(start: str, piece: str, length: int) -> Iterator[str]:
    """Yield lines of `length` characters that begin with `start` and repeat `piece`."""
    for end in ENDS:
        room = length - len(start) - len(end)
        if room > 0:
            yield start + (piece * room)[:room] + end


def _kinds(lines: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Yield how a made line begins, and what it repeats from there on.

    Digits are alike, and so are letters: the first of each run of them is prolonged, the first two,
    and each place where two runs meet.
    """
    for line in lines:
        start, before = "", ""
        for _, letters in groupby(line[:LONGEST_LINE], _kind):
            run = "".join(letters)
            yield start, run[0]
            yield start, run[:2]
            if before:
                yield start[:-1], before[-1] + run[0]
            start, before = start + run, run


def _kind(letter: str) -> str:
    if letter.isdigit():
        return "0"
    return "A" if letter.isupper() else "a" if letter.islower() else letter


def _spelt_out(source: str) -> Iterator[str]:
    """Yield text that resembles what a pattern fits: its letters without its signs."""

    def letter(found: re.Match[str]) -> str:
        escaped = found["escaped"]
        return _CLASSES.get(escaped, escaped) if escaped else "a" if found["any"] else ""

    text = _TOKEN.sub(letter, source)
    yield text
    yield from sorted({*text, "0", "a", " "})


def _took_s(pattern: re.Pattern[str], lines: Sequence[str]) -> float:
    """Measure the computing, which a busy machine does not lengthen."""
    began_s = time.thread_time()
    for line in lines:
        pattern.fullmatch(line)
    return time.thread_time() - began_s
