"""Migrates a file of SQLite from one schema version to the next."""

import sqlite3
from collections.abc import Sequence


def migrate(
    connection: sqlite3.Connection, steps: Sequence[Sequence[str]], application_id: int
) -> None:
    """Bring a file to the present schema in one transaction.

    Args:
        connection: a connection to the file, without a transaction.
        steps: the statements of step n migrate from version n (its ``user_version``) to n + 1.
        application_id: the ``application_id`` of the file.

    Raises:
        sqlite3.Error: the file can't be read or written; it stays as it was.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        for step in steps[version:]:
            for statement in step:
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {application_id}")
        connection.execute(f"PRAGMA user_version = {len(steps)}")
        connection.execute("COMMIT")
    except sqlite3.Error:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
