"""Where the central record is: the address of a PostgreSQL database, shown without its password."""

from dataclasses import dataclass, field
from typing import Any, Final

from benchwatch.errors import UsageError
from benchwatch.quantity import printable
from benchwatch.system.installation import extra_words

FORM: Final = "postgresql://USER@HOST/DATABASE"
SCHEMES: Final = ("postgresql://", "postgres://")

PATIENCE: Final = {
    "connect_timeout": 10,
    "keepalives": 1,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 20_000,
}
"""Parameters of libpq by which a server that is gone without a word is noticed; seconds, the last
in milliseconds. What the address says of them itself goes before."""


@dataclass(frozen=True, slots=True)
class RecordAddress:
    """The address of a central record."""

    shown: str
    """As text for people: host, port, user and database, never a password."""
    parameters: dict[str, Any] = field(repr=False)
    """Connection parameters of libpq."""


def is_record_address(text: str) -> bool:
    """Return whether a text is meant as the address of a central record, and no file's name."""
    return text.lower().startswith(SCHEMES)


def shown_record(text: str) -> str:
    """Return an address for messages, without a password; also one that can't be read."""
    try:
        return parse_record(text).shown
    except UsageError:
        return _without_password(text)


def parse_record(text: str) -> RecordAddress:
    """Read an address such as ``postgresql://keeper@db.example/benchwatch``.

    Raises:
        UsageError: it is no such address, or the library for PostgreSQL is not installed.
    """
    if not is_record_address(text):
        raise UsageError(
            f"'{_without_password(text)}' is no address of a central record. Write {FORM}."
        )
    psycopg = psycopg_module()
    try:
        given = psycopg.conninfo.conninfo_to_dict(text)
    except psycopg.Error:
        given = {}
    # A slash in a password makes the rest of it a port and the name of a database, and an @ makes
    # it a host; at the beginning of a host it is the sign of an abstract socket.
    host, port, name = (str(given.get(key) or "") for key in ("host", "port", "dbname"))
    if not given or port.strip("0123456789,") or "@" in host[1:] + name or "\0" in text:
        # The library's own message may quote the password.
        raise UsageError(
            f"the address '{_without_password(text)}' of the central record can't be read. Write "
            f"{FORM}, and characters such as @, : and / in a name or a password as %40, %3A, %2F."
        ) from None
    parameters = {**PATIENCE, **given}
    return RecordAddress(_shown(parameters), parameters)


def psycopg_module() -> Any:
    """Import and return psycopg.

    Raises:
        UsageError: it is not installed.
    """
    try:
        import psycopg  # noqa: PLC0415 - an extra
        import psycopg.conninfo  # noqa: PLC0415 - an extra
    except ImportError as error:
        raise UsageError(
            "the central record needs the library psycopg, which is not installed: "
            f"{extra_words('record')}."
        ) from error
    return psycopg


def _shown(parameters: dict[str, Any]) -> str:
    host = str(parameters.get("host") or parameters.get("hostaddr") or "")
    folder = ""
    if host.startswith(("/", "@")):  # of a socket, which an address can't have in front
        host, folder = "", f"?host={host}"
    elif ":" in host:
        host = f"[{host}]"
    user, port, name = (str(parameters.get(key) or "") for key in ("user", "port", "dbname"))
    whole = f"{user}@{host}" if user else host
    return printable(f"postgresql://{whole}{f':{port}' if port else ''}/{name}{folder}", 200)


def _without_password(text: str) -> str:
    """Return a text that was typed for an address, less whatever may be a password in it."""
    scheme, mark, rest = text.partition("://")
    if not mark:
        return printable(text.partition(":")[0].partition("@")[0], 40)
    rest, _, query = rest.partition("?")
    if "@" in query:  # it may be a password with a question mark
        return f"{printable(scheme, 20)}://..."
    account, mark, place = rest.rpartition("@")
    user = account.partition(":")[0]
    return printable(f"{scheme}://{user}{mark}{place}", 120)
