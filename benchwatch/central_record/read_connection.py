"""A connection to a central record that only reads, one short query at a time."""

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from typing import Any, Final

from benchwatch.central_record.record_address import RecordAddress
from benchwatch.central_record.record_connection import (
    check_schema,
    connect,
    given_up_after,
    record_errors,
)
from benchwatch.errors import JournalError, RecordAway, RecordError

LONGEST_QUERY: Final = "60s"
"""A query that takes longer is given up by the server: it is overloaded, or a table is locked."""
HANGS_S: Final = 75.0
"""A server that has not answered by then is taken for one that hangs."""


class ReadConnection:
    """A connection to the central record at `address`; its methods may be called on any thread.

    Each query is a transaction of its own, so that nothing stays locked: a replay may take hours
    over its readings, and a day of readings may be dropped meanwhile.

    Args:
        address: of the central record.
        wait_s: longest wait for the server; None: as the address says.

    Raises:
        UsageError: the library for PostgreSQL is not installed.
        JournalError: here and in its methods: the server is away or refuses, or the database is no
            central record that this program can read.
    """

    def __init__(self, address: RecordAddress, wait_s: int | None = None) -> None:
        if wait_s is not None:
            address = replace(address, parameters=address.parameters | {"connect_timeout": wait_s})
        self._address = address
        with _as_journal_errors():
            self._connection = connect(
                address,
                "benchwatch",
                default_transaction_read_only="on",
                statement_timeout=LONGEST_QUERY,
            )
            try:
                self._connection.prepare_threshold = None  # else days are not left out in time
                check_schema(self._connection, address)
            except BaseException:
                self.close()
                raise

    def close(self) -> None:
        """End the connection."""
        self._connection.close()

    def ask(self, query: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        """Return the rows of a query, which has ``%s`` for each of `values`.

        Raises:
            JournalError: it can't be answered.
        """
        return self.ask_each([(query, values)])[0]

    def ask_each(
        self, questions: Sequence[tuple[str, Sequence[object]]]
    ) -> list[list[tuple[Any, ...]]]:
        """Return the rows of each of several queries, which take the way to the server once.

        Raises:
            JournalError: one of them can't be answered.
        """
        with (
            _as_journal_errors(),
            record_errors(self._address),
            given_up_after(self._connection, HANGS_S),
            ExitStack() as stack,
        ):
            if len(questions) > 1:
                stack.enter_context(self._connection.pipeline())
            asked = [
                self._connection.cursor(binary=True).execute(query.encode(), tuple(values) or None)
                for query, values in questions
            ]
            return [cursor.fetchall() for cursor in asked]


@contextmanager
def _as_journal_errors() -> Iterator[None]:
    """Raise errors of the record as a reader of runs raises them."""
    try:
        yield
    except (RecordAway, RecordError) as error:
        raise JournalError(str(error)) from error
    except UnicodeError as error:
        raise JournalError("the central record holds what is no text.") from error
