"""An empty central record, made once for each file of tests, and a writer to it."""

from collections.abc import Iterator

import pytest
from central_record_kit import emptied, group_writer, made_record
from server_kit import Database, database

from benchwatch.central_record.group_writer import GroupWriter


@pytest.fixture(scope="module")
def made() -> Iterator[Database]:
    """Return a database with a central record."""
    with database() as empty:
        made_record(empty)
        yield empty


@pytest.fixture
def record(made: Database) -> Database:
    """Return the central record, without rows."""
    return emptied(made)


@pytest.fixture
def writer(record: Database) -> Iterator[GroupWriter]:
    """Return a writer with the rights of a keeper."""
    with group_writer(record) as writer:
        yield writer
