"""Connections to the central record, and what its errors mean: a sentence, and what to do."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.record_address import RecordAddress, psycopg_module
from benchwatch.central_record.record_steps import KEEPER_ROLE, READER_ROLE, SCHEMA_VERSION
from benchwatch.errors import OtherSchema, RecordAway, RecordError
from benchwatch.quantity import printable

if TYPE_CHECKING:
    import psycopg

CONNECT_S: Final = 20.0
"""Longest time in which a new connection is made ready."""

INITIALISE: Final = "benchwatch keep --init ADDRESS, with the role that owns the database"

SETTINGS: Final = {
    "statement_timeout": "30s",
    "lock_timeout": "10s",
    "idle_in_transaction_session_timeout": "30s",
    "client_encoding": "UTF8",
    "timezone": "UTC",
}
"""Settings of each session: a server that is stuck ends a statement by itself."""

AWAY: Final = ("08", "53", "57", "58", "XX", "25006", "25P03", "40", "55P03")
"""Beginnings of SQLSTATE that pass by themselves, or when somebody has helped the server: the
connection, its resources (a full disk too), a shutdown, a time-out, a standby, a deadlock."""

_FAULTS_OF_DATA: Final = ("21", "22", "23", "54")
"""Beginnings of SQLSTATE that lie in what is written."""


def connect(address: RecordAddress, purpose: str, **settings: str) -> "psycopg.Connection[Any]":
    """Open a connection; a statement outside of ``connection.transaction()`` commits by itself.

    Args:
        address: of the central record.
        purpose: what the server lists as the name of the program, such as ``benchwatch keep``.
        settings: of this session, which go before `SETTINGS`.

    Raises:
        RecordAway: the server does not answer.
        RecordError: it refuses the role or the database.
    """
    library = psycopg_module()
    parameters = {"application_name": purpose, **address.parameters}
    with record_errors(address):
        connection: psycopg.Connection[Any] = library.connect(**parameters, autocommit=True)
        try:
            wanted = {**SETTINGS, **settings}
            asked = ", ".join(["set_config(%s, %s, false)"] * len(wanted))
            values = [text for pair in wanted.items() for text in pair]
            with given_up_after(connection, CONNECT_S):
                connection.execute(f"SELECT {asked}".encode(), values)
        except BaseException:
            connection.close()
            raise
    return connection


@contextmanager
def given_up_after(connection: "psycopg.Connection[Any]", longest_s: float) -> Iterator[None]:
    """End the connection if what is done in the block takes longer; it then fails as lost.

    A server that hangs keeps no time-out of its own.
    """
    timer = threading.Timer(longest_s, _cut, (connection,))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _cut(connection: "psycopg.Connection[Any]") -> None:
    """Cut the connection below the library, which another thread waits in."""
    with suppress(OSError, ValueError, psycopg_module().Error):
        wire = socket.socket(fileno=connection.fileno())
        try:
            wire.shutdown(socket.SHUT_RDWR)
        finally:
            wire.detach()  # the descriptor stays the library's


@contextmanager
def record_errors(address: RecordAddress) -> Iterator[None]:
    """Turn errors of the database into sentences.

    Raises:
        RecordAway: trying again later may help.
        RecordError: it does not.
    """
    library = psycopg_module()
    try:
        yield
    except library.Error as error:
        raise explained(error, address) from error


def explained(error: "psycopg.Error", address: RecordAddress) -> RecordAway | RecordError:
    """Return the error that says what an error of the database means, and what to do."""
    said = server_words(error)
    where = f"the central record at {address.shown}"
    state = error.sqlstate
    for found, sentence in _REFUSED_AT_ONCE.items():
        if state is None and found in said:
            return RecordError(f"{where} can't be opened: {said}. {sentence}")
    lost = state is None and isinstance(error, psycopg_module().OperationalError)
    if lost or (state or "").startswith(AWAY):
        advice = _STARTING if _STARTING_UP in said else _ADVICE.get(state, "")
        return RecordAway(f"{where} does not answer: {said}.{advice}")
    if state in {"42P01", "3F000", "42883"}:
        return RecordError(f"{where} is not made yet: {said}. Make it: {INITIALISE}.")
    if state == "42501":
        return _without_right(where, said)
    return RecordError(f"{where} refused a statement: {said} ({state or type(error).__name__}).")


def _without_right(where: str, what: str) -> RecordError:
    return RecordError(
        f"the role has not the right to do this in {where}: {what}. Let the database's "
        f"administrator grant {KEEPER_ROLE} to a role that writes, {READER_ROLE} to one that "
        "reads; only the schema's owner can initialise."
    )


def lies_in_data(error: Exception) -> bool:
    """Return whether an error of writing lies in the values, so that others can be written."""
    library = psycopg_module()
    if not isinstance(error, library.Error):
        return isinstance(error, ValueError | OverflowError)
    if error.sqlstate is None:
        return isinstance(error, library.DataError)
    return bool(error.sqlstate.startswith(_FAULTS_OF_DATA))


def server_words(error: "psycopg.Error") -> str:
    """Return what the server or its library said of an error, as one harmless line."""
    said = error.diag.message_primary or str(error)
    # The library names each address it tried; the last line is enough to see what is wrong.
    lines = [line.strip() for line in said.strip().splitlines() if line.strip()]
    plain = printable(lines[0] if lines else type(error).__name__, 300)
    for prefix in ("connection failed: ", "connection is bad: ", "consuming input failed: "):
        plain = plain.removeprefix(prefix)
    return plain.rstrip(".")


def check_schema(connection: "psycopg.Connection[Any]", address: RecordAddress) -> None:
    """Check that this program can read and write the record's schema.

    Raises:
        RecordAway: the server does not answer.
        RecordError: there is no central record, or it is of an older or a newer program.
    """
    with record_errors(address):
        row = connection.execute(
            "SELECT version, writable_from FROM benchwatch.schema_version"
        ).fetchone()
    version, writable_from = (int(row[0]), int(row[1])) if row else (0, 0)
    refuse_other_schema(address, version, writable_from)


def check_may_write(connection: "psycopg.Connection[Any]", address: RecordAddress) -> None:
    """Check that the role may add to the record.

    Raises:
        RecordAway: the server does not answer.
        RecordError: it may not.
    """
    with record_errors(address):
        row = connection.execute(
            "SELECT bool_and(has_table_privilege('benchwatch.' || name, 'INSERT'))"
            " FROM unnest(%s::text[]) AS name",
            (["runs", "readings"],),
        ).fetchone()
    if row is None or not row[0]:
        raise _without_right(f"the central record at {address.shown}", "it may only read")


def refuse_other_schema(address: RecordAddress, version: int, writable_from: int) -> None:
    """Refuse a schema that this program doesn't know.

    Raises:
        OtherSchema: it is of an older or a newer program.
    """
    if writable_from > SCHEMA_VERSION:
        raise OtherSchema(
            f"the central record at {address.shown} was made for a newer Benchwatch (schema "
            f"{version}; this one knows {SCHEMA_VERSION}). Update Benchwatch."
        )
    if version < SCHEMA_VERSION:
        raise OtherSchema(
            f"the central record at {address.shown} was made by an older Benchwatch (schema "
            f"{version}; this one needs {SCHEMA_VERSION}). Bring it up to date: {INITIALISE}."
        )


_REFUSED_AT_ONCE: Final = {
    "password authentication failed": "Mend the user or the password in the address, or PGPASSWORD "
    "or the file ~/.pgpass.",
    "no password supplied": "Put the password into the file ~/.pgpass, or into PGPASSWORD.",
    "authentication failed": "Mend the user in the address.",
    "no pg_hba.conf entry": "Let the server's administrator admit this user from this computer.",
    "does not exist": "Mend the address, or make it first: createdb for a database, createuser for "
    "a user.",
    "permission denied for database": "Let the administrator grant CONNECT.",
    "is not permitted to log in": "Let the administrator make a role that logs in, and grant it "
    f"{KEEPER_ROLE} or {READER_ROLE}.",
    "certificate verify failed": "Mend sslrootcert in the address.",
    "server does not support SSL": "Turn TLS on in the server, or mend sslmode in the address.",
}
"""What a server says when it refuses a connection for good, and what to do. Its errors then have
no SQLSTATE; a server that speaks another language counts as away, with its own words."""

_STARTING_UP: Final = "the database system is starting up"
_STARTING: Final = " Repeat it in some seconds."
"""A server's words before it takes connections, for which its error has no SQLSTATE either."""

_ADVICE: Final[dict[str | None, str]] = {
    None: " Is the server running, and are host and port right?",
    "53100": " Its disk is full: make room there; nothing is lost meanwhile.",
    "53300": " It has too many connections: raise max_connections, or end some.",
    "25006": " It is a standby, or was set to read only.",
}
