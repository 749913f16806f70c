"""The register's file: adds entries in one transaction each, and reads them.

The file is opened for each transaction and closed after it, always by SQLite alone: entries are
rare, so no program keeps a handle on a file that was moved or replaced, and several programs may
add to it at once. A transaction is on the disk when it returns (``synchronous = FULL``).
"""

import getpass
import hashlib
import platform
import secrets
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Final

from benchwatch.clock import Clock, SystemClock, iso_time
from benchwatch.errors import RegisterError
from benchwatch.journal.damaged_file import has_other_name
from benchwatch.journal.journal_file import check_kind, check_name, log_path, uri
from benchwatch.journal.sqlite_errors import code
from benchwatch.quantity import printable
from benchwatch.register.register_entry import (
    Draft,
    RegisterEntry,
    canonical,
    entry_hash,
    number_in,
)
from benchwatch.register.register_errors import REPAIR, VERIFY, register_errors
from benchwatch.register.register_schema import (
    INSERT,
    SELECT,
    check_register,
    entry_of,
    entry_row,
    prepare_register,
)

FILE_NAME: Final = "register.db"
SIMULATED_FILE_NAME: Final = "register-simulated.db"
"""Units and visits of simulated benches are kept in a file of their own."""
BUSY_S: Final = 0.5
"""Longest wait for another program's transaction."""
MACHINE_ID: Final = Path("/etc/machine-id")

Check = Callable[[sqlite3.Connection], None]
"""Looks at the register inside the transaction that adds entries, and raises `RegisterError`."""


def register_path(journal: Path, *, simulated: bool = False) -> Path:
    """Return the path of the register beside the journal at `journal`."""
    return journal.absolute().parent / (SIMULATED_FILE_NAME if simulated else FILE_NAME)


class RegisterFile:
    """The register at one path; every method may be called from any thread.

    Args:
        path: the file; made when the first entry is added.
        clock: dates the entries.
        who: account of the person; None: that of the process.
        machine: what `this_machine` returns on the machine that writes; None: on this one.
    """

    def __init__(
        self,
        path: Path,
        *,
        clock: Clock | None = None,
        who: str | None = None,
        machine: str | None = None,
    ) -> None:
        self.path = path
        self._clock = clock or SystemClock()
        self._who = who or _account()
        self._machine = machine or this_machine()

    def add(self, drafts: Sequence[Draft], check: Check | None = None) -> list[RegisterEntry]:
        """Add entries in one transaction, which is on the disk on return.

        A draft of the kind ``visit`` without a visit opens a new one: it gets the next number of
        this machine's chain, and the drafts after it that name no visit either belong to it.

        Args:
            drafts: the entries, in the order in which they are written.
            check: called inside the transaction before anything is added.

        Raises:
            RegisterError: the file can't be written, or `check` refuses.
            ValueError: a document has a number that is not finite.
        """
        with self.writing() as connection:
            if check is not None:
                check(connection)
            return self.put(connection, drafts)

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Yield a connection in a transaction that is on the disk afterwards, or is undone.

        Raises:
            RegisterError: the file can't be written.
        """
        with register_errors(self.path), closing(self._open()) as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise

    def beside(self, path: Path, *, machine: str) -> "RegisterFile":
        """Return the register at another path, written by the same person on `machine`."""
        return RegisterFile(path, clock=self._clock, who=self._who, machine=machine)

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection | None]:
        """Yield a connection that reads one state of the register; None: there is no register yet.

        Raises:
            RegisterError: the file can't be read as a register.
        """
        with register_errors(self.path):
            self._check_file()
            if not self.path.exists():
                yield None
                return
            with closing(self._open_to_read()) as connection:
                if check_register(connection, self.path) == 0:
                    yield None
                    return
                connection.execute("BEGIN")
                yield connection

    def _check_file(self) -> None:
        """Refuse what SQLite would take for a database, or for an empty one, and is none."""
        check_name(self.path)
        check_kind(self.path)
        with suppress(FileNotFoundError):
            self.path.stat()
        # The log first: a program that makes the register fills the file before there is a log.
        if has_log(self.path) and self.path.is_file() and self.path.stat().st_size == 0:
            raise RegisterError(
                f"the register is damaged: it is empty, but the log beside it is not "
                f"({self.path}). {REPAIR}"
            )

    def _open_to_read(self) -> sqlite3.Connection:
        """Open the file for reading only, also in a folder where SQLite can't make a log."""
        connection = sqlite3.connect(uri(self.path), uri=True, timeout=BUSY_S)
        try:
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.Error as error:
            connection.close()
            no_log_can_be_made = code(error) in {sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY}
            if not no_log_can_be_made or has_log(self.path):
                raise
            # Nobody writes: there would be a log.
            return sqlite3.connect(uri(self.path, "immutable=1"), uri=True)
        return connection

    def _open(self) -> sqlite3.Connection:
        self._check_file()
        if self.path.exists() and has_other_name(self.path):
            raise RegisterError(
                f"the register has a second name (a hard link), and programs that open it by "
                f"different names would spoil it ({self.path}). Remove the other name, or copy "
                "the file under a new one."
            )
        connection = sqlite3.connect(self.path, timeout=BUSY_S, isolation_level=None)
        try:
            connection.execute("PRAGMA synchronous = FULL")
            prepare_register(connection, self.path)
        except BaseException:
            connection.close()
            raise
        return connection

    @property
    def is_simulated(self) -> bool:
        """Whether it is of simulated benches, which its name tells."""
        return self.path.name.startswith(Path(SIMULATED_FILE_NAME).stem)

    def put(self, connection: sqlite3.Connection, drafts: Sequence[Draft]) -> list[RegisterEntry]:
        """Add entries within a transaction of `writing`; see `add`."""
        chain = own_chain(connection, self._machine)
        added: list[RegisterEntry] = []
        if chain is None:
            chain = secrets.token_hex(4)
            begun = {"machine": self._machine}
            first = Draft(
                kind="chain", document=begun | {"simulated": True} if self.is_simulated else begun
            )
            added.append(self._put(connection, chain, first, None))
        opened: str | None = None
        for draft in drafts:
            visit = draft.visit
            if draft.kind == "visit" and visit is None:
                number = _next_visit(connection, chain)
                opened = visit = f"{chain}/{number}"
            added.append(self._put(connection, chain, draft, visit or opened))
        return added

    def _put(
        self, connection: sqlite3.Connection, chain: str, draft: Draft, visit: str | None
    ) -> RegisterEntry:
        newest = connection.execute(
            "SELECT number, hash FROM entries WHERE chain = ? ORDER BY number DESC LIMIT 1",
            (chain,),
        ).fetchone()
        if newest is not None and not isinstance(newest[0], int):
            raise RegisterError(f"the register was changed by hand ({self.path}). {VERIFY}")
        number, previous = (1, "") if newest is None else (newest[0] + 1, str(newest[1]))
        utc_s = self._clock.utc() if draft.at_utc_s is None else draft.at_utc_s
        entry = RegisterEntry(
            chain=chain,
            number=number,
            at=iso_time(utc_s) or "",
            who=self._who,
            kind=draft.kind,
            unit=draft.unit,
            visit=visit,
            amends=draft.amends,
            document=canonical(draft.document),
            hash="",
        )
        entry = replace(entry, hash=entry_hash(previous, entry))
        connection.execute(INSERT, entry_row(entry))
        return entry


def has_log(path: Path) -> bool:
    """Return whether the log beside the register at `path` has entries."""
    log = log_path(path, "-wal")
    return log.exists() and log.stat().st_size > 0


def own_chain(connection: sqlite3.Connection, machine: str | None = None) -> str | None:
    """Return the chain in which this machine writes; None: it has not written yet.

    A register that was copied to another machine goes on there with a chain of its own. Of two
    chains of this machine the one that was in the file first counts: the other came from another
    file, in which it may go on.

    Args:
        connection: a connection to the register.
        machine: what `this_machine` returns on the machine that is asked about; None: on this one.
    """
    machine = machine or this_machine()
    begun = map(entry_of, connection.execute(f"{SELECT} WHERE kind = 'chain' ORDER BY rowid"))
    return next((one.chain for one in begun if one.values().get("machine") == machine), None)


def _next_visit(connection: sqlite3.Connection, chain: str) -> int:
    """Return the number of the next visit of a chain: visits are numbered in their order."""
    # Joined to a text, the kind is looked at on the way from the chain's end, which is quicker
    # than the index of all visits.
    query = """
        SELECT visit FROM entries WHERE chain = ? AND kind || '' = 'visit'
        ORDER BY number DESC LIMIT 1"""
    newest = connection.execute(query, (chain,)).fetchall()
    if not newest:  # another machine's numbers go on, so that a number alone names a visit
        newest = connection.execute("SELECT visit FROM entries WHERE kind = 'visit'").fetchall()
    return max((number_in(str(name)) for (name,) in newest), default=0) + 1


def this_machine() -> str:
    """Return what tells this machine from others; its name can't be read from it.

    That is the machine's own number where the system has one (the file ``/etc/machine-id``): a
    name may change, and many machines have the same.
    """
    what = b""
    with suppress(OSError):
        what = MACHINE_ID.read_bytes().strip()
    what = what or platform.node().encode("utf-8", "replace")
    return hashlib.sha256(b"benchwatch register " + what).hexdigest()[:16]


def _account() -> str:
    try:
        return printable(getpass.getuser(), 64)
    except (OSError, KeyError, ImportError):
        return "unknown"
