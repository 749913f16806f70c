"""Checks the rows of runs and events as they come from a database, and makes runs of them."""

import math
from collections.abc import Sequence
from decimal import Decimal, InvalidOperation
from typing import Any, Final

from benchwatch.errors import JournalError
from benchwatch.journal.schema import JournalRun
from benchwatch.quantity import printable

RUN_COLUMNS: Final = (
    "run, watch, counter, resource, driver, started_utc_s, nominal_hz, identity, time_base,"
    " gate_s, settings, ended_utc_s, end_reason"
)
READING_COLUMNS: Final = "number, utc_s, elapsed_s, gate_s, text, resolution_hz, flags"
OTHER_COLUMNS: Final = {
    "gaps": "number, utc_s, elapsed_s, lasted_s, reason",
    "marks": "number, utc_s, elapsed_s, text",
    "records": "number, utc_s, elapsed_s, kind, document",
    "notes": "number, utc_s, elapsed_s, kind, document",
}
_TEXT_COLUMNS: Final = frozenset({"text", "flags", "reason", "kind", "document"})
_CELL_TYPES: Final[dict[str, set[type]]] = {
    **{name: {str} for name in _TEXT_COLUMNS},
    "number": {int},
    "gate_s": {int, float, type(None)},
}
"""Allowed types of each column's cells; numbers for columns not listed."""


class RowChecks:
    """Checks the rows of one database.

    Args:
        what: what the database is called in messages, such as ``the journal``.
        where: its path or address, for messages.
    """

    def __init__(self, what: str, where: str) -> None:
        self._what, self._where = what, where

    def rows(self, table: str, rows: Sequence[tuple[Any, ...]], run: JournalRun) -> None:
        """Check that every cell of events has the type of its column, and every number is finite.

        Args:
            table: of `READING_COLUMNS` or `OTHER_COLUMNS`.
            rows: with these columns.
            run: has them.

        Raises:
            JournalError: a cell is another.
        """
        names = (READING_COLUMNS if table == "readings" else OTHER_COLUMNS[table]).split(", ")
        for place, (name, column) in enumerate(zip(names, zip(*rows, strict=True), strict=False)):
            if set(map(type, column)) <= _CELL_TYPES.get(name, {int, float}) and (
                name in _TEXT_COLUMNS or all(map(math.isfinite, filter(None, column)))
            ):
                continue
            row = next(row for row in rows if not _is_good(name, row[place]))
            raise self._cell_error(
                f"event {printable(str(row[0]), 20)} of run {run.key}", name, row[place]
            )

    def run(self, row: Sequence[Any], number: int, station: str = "") -> JournalRun:
        """Return the run in a row of `RUN_COLUMNS`.

        Args:
            row: the cells.
            number: of the run, where it was read.
            station: that has it, in a central record.

        Raises:
            JournalError: a cell has the wrong type.
        """
        key, watch, counter, resource, driver, started, nominal, identity, base, gate, settings = (
            row[:11]
        )
        where = f"run {key if type(key) is int else printable(str(key), 20)}"
        for name, value in (("run", key), ("watch", watch)):
            if type(value) is not int:
                raise self._cell_error(where, name, value)
        texts = {
            "counter": counter, "resource": resource, "driver": driver, "identity": identity,
            "time_base": base, "settings": settings, "end_reason": row[12],
        }  # fmt: skip
        for name, value in texts.items():
            if type(value) is not str:
                raise self._cell_error(where, name, value)
        for name, value in (("started_utc_s", started), ("gate_s", gate), ("ended_utc_s", row[11])):
            missing = value is None and name != "started_utc_s"
            if not missing and (type(value) not in {int, float} or not math.isfinite(value)):
                raise self._cell_error(where, name, value)
        return JournalRun(
            key=key,
            watch=watch,
            counter=counter,
            resource=resource,
            driver=driver,
            started_utc_s=started,
            nominal_hz=self._nominal(nominal, where),
            identity=identity,
            time_base=base,
            gate_s=gate,
            settings=settings,
            ended_utc_s=row[11],
            end_reason=row[12],
            number=number,
            station=station,
        )

    def _nominal(self, written: object, where: str) -> Decimal | None:
        if written is None:
            return None
        try:
            nominal = Decimal(str(written)[:64])
        except InvalidOperation:
            nominal = Decimal(0)
        if not (nominal.is_finite() and 0 < nominal < Decimal("1e38")):
            raise self._cell_error(where, "nominal_hz", written)
        return nominal

    def _cell_error(self, where: str, name: str, value: object) -> JournalError:
        kind = "binary data" if isinstance(value, bytes) else printable(repr(value), 40)
        return JournalError(
            f"{self._what} is damaged, or was changed by hand: {where} has {kind} as {name} "
            f"({self._where})."
        )


def _is_good(name: str, value: object) -> bool:
    if type(value) not in _CELL_TYPES.get(name, {int, float}):
        return False
    return not isinstance(value, int | float) or math.isfinite(value)
