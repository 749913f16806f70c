"""Makes a database a central record, or brings an older one up to date."""

from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.record_address import RecordAddress, psycopg_module
from benchwatch.central_record.record_connection import (
    connect,
    record_errors,
    refuse_other_schema,
)
from benchwatch.central_record.record_steps import (
    DAYS_AHEAD,
    GRANTS,
    ROLES,
    SCHEMA_VERSION,
    STEPS,
)
from benchwatch.errors import RecordError

if TYPE_CHECKING:
    import psycopg

TRIES: Final = 10
"""Another initialisation of a database of the same server may be in the way for a moment."""
_LOCK: Final = "SELECT pg_advisory_xact_lock(1113027921, 0)"


@dataclass(frozen=True, slots=True)
class Initialised:
    """What an initialisation did, as sentences, and what is left for the administrator."""

    done: tuple[str, ...]
    left: tuple[str, ...]
    """Statements of SQL."""


def initialise(address: RecordAddress) -> Initialised:
    """Make the schema, its roles and the first days, each as far as it is not there yet.

    It may run any number of times, and by two programs at once.

    Raises:
        RecordAway: the server does not answer.
        RecordError: the role has not the right, or the schema is of a newer program.
    """
    with connect(address, "benchwatch keep --init", lock_timeout="30s") as connection:
        done = [*_retried(address, connection, _bring_up_to_date)]
        left: list[str] = []
        for role in ROLES:
            more, missing = _retried(address, connection, _grant, role)
            done += more
            left += missing
        with record_errors(address):
            connection.execute(
                "SELECT benchwatch.make_day((now() AT TIME ZONE 'UTC')::date + ahead)"
                " FROM generate_series(-1, %s) AS ahead",
                (DAYS_AHEAD,),
            )
    return Initialised(tuple(done), tuple(left))


def _retried(
    address: RecordAddress, connection: "psycopg.Connection[Any]", work: Any, *values: str
) -> Any:
    """Run `work` in a transaction, again when another initialisation was in its way."""
    library = psycopg_module()
    errors = library.errors
    for left in reversed(range(TRIES)):
        try:
            with record_errors(address), connection.transaction():
                connection.execute(_LOCK)
                return work(address, connection, *values)
        except RecordError as error:
            cause = error.__cause__
            if not left or not isinstance(cause, errors.UniqueViolation | errors.DuplicateObject):
                raise
        except Exception as error:
            if not left or "concurrently updated" not in str(error):
                raise
    raise AssertionError


def _bring_up_to_date(address: RecordAddress, connection: "psycopg.Connection[Any]") -> list[str]:
    """Run the missing steps; return what was done."""
    version = _version(address, connection)
    if version == SCHEMA_VERSION:
        return [f"schema benchwatch is there and up to date (version {version})"]
    if version > SCHEMA_VERSION:
        return [f"schema benchwatch is there, of a newer Benchwatch (version {version})"]
    if not version:
        connection.execute("CREATE SCHEMA benchwatch")
    for step in STEPS[version:]:
        for statement in step.statements:
            connection.execute(statement.encode())
    if not version:
        connection.execute(
            "INSERT INTO benchwatch.schema_version (version, writable_from) VALUES (0, 0)"
        )
    connection.execute(
        "UPDATE benchwatch.schema_version SET version = %s, writable_from = %s",
        (SCHEMA_VERSION, STEPS[-1].writable_from),
    )
    if version:
        return [f"schema benchwatch is brought from version {version} to {SCHEMA_VERSION}"]
    return [f"schema benchwatch is made (version {SCHEMA_VERSION})"]


def _version(address: RecordAddress, connection: "psycopg.Connection[Any]") -> int:
    """Return the version of the schema; 0: there is none.

    Raises:
        RecordError: the schema is of another program, or of a newer version of this one.
    """
    has_schema, has_version = connection.execute(
        "SELECT to_regnamespace('benchwatch') IS NOT NULL,"
        " to_regclass('benchwatch.schema_version') IS NOT NULL"
    ).fetchone() or (False, False)
    if not has_schema:
        return 0
    if not has_version:
        raise RecordError(
            f"the database at {address.shown} has a schema named benchwatch that is no central "
            "record. Choose another database, or let its owner rename that schema."
        )
    row = connection.execute(
        "SELECT version, writable_from FROM benchwatch.schema_version"
    ).fetchone()
    version, writable_from = (int(row[0]), int(row[1])) if row else (0, 0)
    refuse_other_schema(address, max(version, SCHEMA_VERSION), writable_from)
    return version


def _grant(
    _address: RecordAddress, connection: "psycopg.Connection[Any]", role: str
) -> tuple[list[str], list[str]]:
    """Make a role and grant it what it may do; return what was done, and what is left."""
    errors = psycopg_module().errors
    done = []
    known = connection.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", (role,)).fetchone()
    if known is None:
        with suppress(errors.InsufficientPrivilege), connection.transaction():
            connection.execute(f"CREATE ROLE {role} NOLOGIN".encode())
            done.append(f"role {role} is made: it {ROLES[role]}")
            known = (1,)
    if known is None:
        return [], [f"CREATE ROLE {role} NOLOGIN", *GRANTS[role]]
    try:
        with connection.transaction():
            for statement in GRANTS[role]:
                connection.execute(statement.encode())
    except errors.InsufficientPrivilege:
        return done, [*GRANTS[role]]
    return [*done, f"role {role} has its rights in the schema"], []
