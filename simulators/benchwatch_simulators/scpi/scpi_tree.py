"""The command tree: finds the command of a header by patterns as manuals print them.

A pattern is ``[SENSe#:]FREQuency[:CW]:APERture``: capitals are the short form, brackets are
optional nodes (SCPI-1999 volume 1 clauses 5.1 and 6.2.1, from memory), and ``#`` marks a
node that may have a numeric suffix.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product

from benchwatch_simulators.scpi.scpi_errors import ScpiError
from benchwatch_simulators.scpi.scpi_parameters import short_form

Handler = Callable[..., str | None]
"""Parameters as text -> response of a query, None of a command; raises `ScpiError`."""

_PIECE = re.compile(r"\[:?([A-Za-z]+)(#?):?\]|:?([A-Za-z]+)(#?)")


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandEntry:
    """A command or query: its handler, and the least and most number of its parameters."""

    handler: Handler
    least: int
    most: int
    suffixed: tuple[bool, ...]
    """Whether each node may have a numeric suffix."""

    def check(self, arguments: Sequence[str], suffixes: Sequence[int], highest: int) -> None:
        """Check the number of parameters, and the suffix of each node, from 1 to `highest`.

        Raises:
            ScpiError: -108: too many parameters; -109: too few; -114: the suffix is out of range.
        """
        for suffix, allowed in zip(suffixes, self.suffixed, strict=True):
            if not 1 <= suffix <= (highest if allowed else 1):
                raise ScpiError(-114, str(suffix))
        if len(arguments) < self.least:
            raise ScpiError(-109)
        if len(arguments) > self.most:
            raise ScpiError(-108, arguments[self.most])


class CommandTree:
    """All headers that an instrument accepts, in every spelling."""

    def __init__(self) -> None:
        self._entries: dict[tuple[bool, tuple[str, ...]], CommandEntry] = {}

    def add(self, pattern: str, handler: Handler, least: int = 0, most: int | None = None) -> None:
        """Add a command, or with a trailing ``?`` a query.

        Args:
            pattern: the header as manuals print it.
            handler: is called with the parameters.
            least: least number of parameters.
            most: most number of parameters; None: `least`.
        """
        choices: list[list[tuple[str, bool] | None]] = []
        for maybe, maybe_mark, node, mark in _PIECE.findall(pattern.rstrip("?")):
            name, suffixed = maybe or node, bool(maybe_mark or mark)
            spellings: list[tuple[str, bool] | None] = [
                (spelling, suffixed) for spelling in sorted({name.upper(), short_form(name)})
            ]
            choices.append([*spellings, None] if maybe else spellings)
        for path in product(*choices):
            nodes = [node for node in path if node is not None]
            key = (pattern.endswith("?"), tuple(name for name, _ in nodes))
            suffixes = tuple(suffixed for _, suffixed in nodes)
            self._entries[key] = CommandEntry(
                handler=handler,
                least=least,
                most=least if most is None else most,
                suffixed=suffixes,
            )

    def find(self, nodes: tuple[str, ...], *, is_query: bool) -> CommandEntry:
        """Return the entry of a header: its `nodes` in upper case, without suffixes.

        Raises:
            ScpiError: -113: there is none.
        """
        entry = self._entries.get((is_query, nodes))
        if entry is None:
            raise ScpiError(-113, ":".join(nodes) + ("?" if is_query else ""))
        return entry
