"""Which readings were dropped, by their numbers: quickly told, however a station numbers them."""

from collections.abc import Iterator
from datetime import date

import pytest
from central_record_kit import made_record
from server_kit import Database, database

from benchwatch.central_record.dropped_numbers import find_dropped

DAY = date(2026, 8, 1)
DAYS = DAY.toordinal() - date(1970, 1, 1).toordinal()
APART = 1 << 16


@pytest.fixture
def record() -> Iterator[Database]:
    """Return a central record."""
    with database() as empty:
        made_record(empty)
        yield empty


def test_numbers_that_are_far_apart_are_told_quickly(record):
    """A hostile station may number a day so; looking each up in all of them would take minutes."""
    asked = [(7, place * APART + 1, DAYS) for place in range(70_000, 80_000)]
    with record.connect() as connection, connection.transaction():
        connection.execute(
            "INSERT INTO benchwatch.dropped_numbers (run_id, day, first, numbers)"
            " SELECT 7, %s, place * %s::int8, B'01' FROM generate_series(1, 79000) AS made (place)",
            (DAY, APART),
        )
        connection.execute("SET LOCAL statement_timeout = '10s'")
        found = find_dropped(connection, asked)

    assert found == {place[:2] for place in asked if place[1] <= 79_000 * APART + 1}
