"""Writes events of many runs, a table at a time, in one statement."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.batches import Rows
from benchwatch.central_record.column_arrays import number_array, real_array, text_array

if TYPE_CHECKING:
    import psycopg

EVENT_COLUMNS: Final = {
    "readings": {
        "number": "int8", "utc_s": "float8", "elapsed_s": "float8", "gate_s": "float8",
        "text": "text", "resolution_hz": "float8", "flags": "text",
    },
    "gaps": {"number": "int8", "utc_s": "float8", "elapsed_s": "float8", "lasted_s": "float8",
             "reason": "text"},
    "marks": {"number": "int8", "utc_s": "float8", "elapsed_s": "float8", "text": "text"},
    "records": {"number": "int8", "utc_s": "float8", "elapsed_s": "float8", "kind": "text",
                "document": "text"},
    "notes": {"number": "int8", "utc_s": "float8", "elapsed_s": "float8", "kind": "text",
              "document": "text"},
}  # fmt: skip
"""Columns of each table of events in the order of a batch's rows."""

_ARRAY_OF: Final[dict[str, Callable[[Sequence[Any]], str | bytes]]] = {
    "int8": number_array, "float8": real_array, "text": text_array,
}  # fmt: skip

# Arrays that are unnested side by side in the list of a SELECT are not gathered in a table first.
_INSERT: Final = {
    table: f"INSERT INTO benchwatch.{table} (run_id, {', '.join(columns)}) SELECT "
    + ", ".join(f"unnest(%s::{kind}[])" for kind in ("int4", *columns.values()))
    for table, columns in EVENT_COLUMNS.items()
}
_UNLESS_THERE: Final = " ON CONFLICT DO NOTHING"
"""With it each row is looked up before it is written, and logged once more: half as much work
again."""


class EventRows:
    """Rows of a table of events, the key of `EVENT_COLUMNS`, of many runs."""

    def __init__(self, table: str) -> None:
        self._table = table
        self._ids: list[int] = []
        self._rows: list[tuple[Any, ...]] = []

    def add(self, run_id: int, rows: Rows) -> None:
        """Add rows of a run."""
        self._ids += [run_id] * len(rows)
        self._rows += rows

    def write(self, connection: "psycopg.Connection[Any]", *, may_be_there: bool) -> None:
        """Write the rows; those that are there already are left out if `may_be_there`.

        Raises:
            psycopg.Error: the statement failed, as by a unique violation where one is there.
            ValueError: a value can't be written.
        """
        if self._rows:
            kinds, columns = EVENT_COLUMNS[self._table].values(), zip(*self._rows, strict=True)
            cells = [_ARRAY_OF[kind](column) for kind, column in zip(kinds, columns, strict=True)]
            end = _UNLESS_THERE if may_be_there else ""
            connection.execute(_INSERT[self._table] + end, (number_array(self._ids), *cells))
