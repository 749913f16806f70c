"""Parses program messages of IEEE 488.2 chapter 7, as a SCPI-1999 instrument does.

A message is units separated by semicolons; a unit is a header and parameters separated by commas.
Clause numbers are from memory.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from benchwatch_simulators.scpi.scpi_errors import ScpiError

_HEADER = re.compile(r"(\*[A-Za-z]+|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*)(\??)", re.ASCII)
_NODE = re.compile(r"([A-Z][A-Z_]*|[A-Z]\w*?)(\d*)", re.ASCII)
_LONGEST_MNEMONIC = 12


@dataclass(frozen=True, slots=True)
class MessageUnit:
    """One program message unit.

    Attributes:
        nodes: mnemonics in upper case without their numeric suffixes.
        suffixes: the suffix of each node; 1 where none was written.
        arguments: parameters as written.
        is_common: whether it is a common command, such as ``*IDN?``.
        is_rooted: whether the header begins with a colon.
        error: the error if the unit can't be read; the units after it are not read either.
    """

    nodes: tuple[str, ...] = ()
    suffixes: tuple[int, ...] = ()
    is_query: bool = False
    is_common: bool = False
    is_rooted: bool = False
    arguments: tuple[str, ...] = ()
    error: ScpiError | None = None


@lru_cache(maxsize=256)
def parse_message(text: str) -> tuple[MessageUnit, ...]:
    """Split a message into units; the first unit that can't be read is the last, with its error."""
    return tuple(_units(text))


def _units(text: str) -> Iterator[MessageUnit]:
    try:
        for part in _split(text, ";"):
            if part.strip():
                yield _unit(part.strip())
    except ScpiError as error:
        yield MessageUnit(error=error)


def _unit(text: str) -> MessageUnit:
    match = _HEADER.match(text)
    if match is None:
        odd = not ("!" <= text[0] <= "~") or text[0] in "!#$%&@\\^`{|}~"
        raise ScpiError(-101 if odd else -102, text)
    rest = text[match.end() :]
    if rest and not rest[0].isspace():
        raise ScpiError(-102 if rest[0] in ":?*" else -111, text)
    header, mark = match.groups()
    nodes, suffixes = zip(*(_node(node) for node in header.lstrip(":*").split(":")), strict=True)
    arguments = tuple(part.strip() for part in _split(rest, ",")) if rest.strip() else ()
    if "" in arguments:
        raise ScpiError(-103 if len(arguments) == 1 else -109, text)
    return MessageUnit(
        nodes=nodes,
        suffixes=suffixes,
        is_query=bool(mark),
        is_common=header.startswith("*"),
        is_rooted=header.startswith(":"),
        arguments=arguments,
    )


def _node(text: str) -> tuple[str, int]:
    if len(text) > _LONGEST_MNEMONIC:
        raise ScpiError(-112, text)
    match = _NODE.fullmatch(text.upper())
    if match is None:
        raise ScpiError(-113, text)
    return match[1], int(match[2] or 1)


def _split(text: str, separator: str) -> Iterator[str]:
    """Yield the parts between separators, except those inside strings or parentheses."""
    start = 0
    quote = ""
    depth = 0
    for position, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "'\"":
            quote = character
        elif character in "()":
            depth += 1 if character == "(" else -1
        elif character == separator and depth == 0:
            yield text[start:position]
            start = position + 1
    if quote:
        raise ScpiError(-151, text[start:])
    if depth:
        raise ScpiError(-171, text[start:])
    yield text[start:]
