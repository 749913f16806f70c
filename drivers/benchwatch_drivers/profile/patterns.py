"""Patterns of a profile: any of them is matched in a time proportional to the line's length.

Python's own matcher tries every way in which a pattern may fit. Of some, such as ``(a+)+b``, there
are so many ways that it may take years, and nothing stops it. RE2 follows all ways at once (R. Cox,
"Regular Expression Matching Can Be Simple And Fast", 2007): a line costs at most its length times
the size of the pattern, and both have a limit here. RE2 refuses what it can't match so:
look-ahead, look-behind, back-references and possessive repeats.
"""

import re
from collections.abc import Mapping
from typing import Final

import re2

MOST_CHARACTERS: Final = 200
"""Characters of a line with all its display text; nothing longer is matched."""
MOST_PATTERN_BYTES: Final = 1 << 18
"""Bytes that a compiled pattern may take; a usual one takes a hundredth of it. A larger pattern is
refused, so that the longest line takes some hundredths of a second."""
_NAME: Final = re.compile(r"\(\?P?<(\w+)>")


class PatternFault(Exception):
    """A text is no pattern that can be matched in bounded time; the message says why."""


class Pattern:
    r"""A compiled pattern.

    Args:
        source: A regular expression in the syntax of RE2, which is that of Python without what is
            named above; ``\d``, ``\w``, ``\s`` and ``\b`` match ASCII only.

    Attributes:
        source: The regular expression.
        groups: The names of its groups.
        size: Most steps that a character of a line costs.

    Raises:
        PatternFault: it can't be compiled.
    """

    __slots__ = ("_compiled", "_numbers", "groups", "size", "source")

    def __init__(self, source: str) -> None:
        if "{," in source:
            raise PatternFault("a repeat begins with a number, as in {0,3}")
        names = _NAME.findall(source)
        if len(set(names)) < len(names):
            raise PatternFault("two groups have the same name")
        options = re2.Options()
        options.max_mem = MOST_PATTERN_BYTES
        options.log_errors = False
        try:
            self._compiled = re2.compile(source.encode("utf-8"), options=options)
        except (re2.error, UnicodeEncodeError) as error:
            raise PatternFault(_reason(error)) from error
        self.source = source
        self._numbers = {
            name.decode("utf-8"): number for name, number in self._compiled.groupindex.items()
        }
        self.groups = frozenset(self._numbers)
        self.size = int(self._compiled.programsize)

    def match(self, text: str) -> Mapping[str, str] | None:
        """Match the whole of `text`.

        Returns:
            The text of each named group, '' where it took no part; None where `text` does not
            match, or is longer than any line.
        """
        if len(text) > MOST_CHARACTERS:
            return None
        found = self._compiled.fullmatch(text.encode("utf-8", "replace"))
        if found is None:
            return None
        return {
            name: (found[number] or b"").decode("utf-8", "replace")
            for name, number in self._numbers.items()
        }


def _reason(error: Exception) -> str:
    why = error.args[0] if error.args else ""
    return why.decode("utf-8", "replace") if isinstance(why, bytes) else str(error)
