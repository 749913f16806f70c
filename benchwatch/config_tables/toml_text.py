"""Reads TOML files of unknown origin, in bounded time and memory.

The limits that TOML v1.0.0 leaves to the reader are stated here.
"""

import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any, Final

from benchwatch.errors import FileError
from benchwatch.quantity import printable
from benchwatch.system.file_opening import read_flags

DEEPEST: Final = 16
"""Most levels of tables and lists within each other; the files of this program need four."""
LARGEST_INTEGER: Final = 2**63 - 1
"""TOML v1.0.0, Integer: 64 bits are to be accepted, and what can't be kept exactly is an error."""

_PART: Final = r"""(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')"""
_LONG_KEY: Final = re.compile(
    rf"(?<![A-Za-z0-9_-]){_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{{DEEPEST}}}", re.ASCII
)
"""A dotted key of more parts than tables may be deep; `tomllib` takes memory with their square."""


def read_config_text(path: Path, what: str, *, largest: int, way_out: str = "") -> str:
    """Return the text of a file.

    Args:
        path: An ordinary file; a read from a pipe or a device might never end.
        what: What the file should be, such as ``bench file``.
        largest: Most bytes that the file may have.
        way_out: The advice that ends the message where the file can't be read.

    Raises:
        FileError: the file can't be read, is no ordinary one, too large, or no UTF-8 text.
    """
    where = printable(str(path), 200)
    try:
        fd = os.open(path, read_flags())
        with os.fdopen(fd, "rb") as file:
            if not stat.S_ISREG(os.fstat(fd).st_mode):
                raise FileError(
                    f"the {what} {where} can't be read: it is no ordinary file. {way_out}".rstrip()
                )
            raw = file.read(largest + 1)
    except (OSError, ValueError) as error:
        why = (getattr(error, "strerror", None) or str(error)).lower()
        message = f"the {what} {where} can't be read: {printable(why, 200)}. {way_out}"
        raise FileError(message.rstrip()) from error
    if len(raw) > largest:
        raise FileError(f"{where} is no {what}: it is larger than {largest} bytes.")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileError(f"{where} is no {what}: it is not UTF-8 text.") from error


def parse_toml(text: str, refusal: str) -> dict[str, Any]:
    """Return the tables that the TOML text holds; every integer in them fits in 64 bits.

    Args:
        text: TOML.
        refusal: The beginning of an error's message, such as ``bench.toml is no TOML``.

    Raises:
        FileError: the text is no TOML, or exceeds a limit of this module.
    """
    long_key = _LONG_KEY.search(text)
    if long_key is not None:
        line = text.count("\n", 0, long_key.start()) + 1
        raise FileError(f"{refusal}: a key of more than {DEEPEST} parts (at line {line}).")
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileError(f"{refusal}: {printable(str(error), 200)}.") from error
    except RecursionError as error:
        raise FileError(f"{refusal}: lists or tables too deep within each other.") from error
    except (ValueError, OverflowError) as error:  # a number with more digits than Python converts
        raise FileError(f"{refusal}: a number in it is too long ({_first(error)}).") from error
    _check(tables, refusal)
    return tables


def _check(tables: dict[str, Any], refusal: str) -> None:
    """Raise where a value is too deep, or an integer too large to be kept exactly."""
    left: list[tuple[str, Any, int]] = [("", tables, 0)]
    while left:
        where, value, depth = left.pop()
        if depth > DEEPEST:
            raise FileError(f"{refusal}: {where}: tables too deep within each other.")
        if isinstance(value, dict):
            left += [(_below(where, key), entry, depth + 1) for key, entry in value.items()]
        elif isinstance(value, list):
            left += [(where, entry, depth + 1) for entry in value]
        elif isinstance(value, int) and not -LARGEST_INTEGER - 1 <= value <= LARGEST_INTEGER:
            raise FileError(f"{refusal}: {where}: an integer of more than 64 bits.")


def _below(where: str, key: str) -> str:
    shown = printable(key, 40)
    return f"{where}.{shown}" if where else shown


def _first(error: Exception) -> str:
    return printable(str(error).split(":", 1)[0].split(";", 1)[0], 100)


def toml_string(text: str) -> str:
    """Write text as a TOML basic string (TOML v1.0.0, String)."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in escaped) + '"'
