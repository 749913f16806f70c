"""Reads from the registers beside a journal the entries that are to be sent."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from benchwatch.errors import RegisterError
from benchwatch.journal.journal_file import log_path
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_schema import SELECT, entry_of
from benchwatch.relay.batch import MOST_EVENTS, ChainBatch, check_entry
from benchwatch.relay.cell_checks import CHAIN, NUMBER
from benchwatch.relay.station.unsent_events import CanNotBeSent

_NEXT: Final = f"{SELECT} WHERE chain = ? AND number > ? ORDER BY number LIMIT ?"
_LAST: Final = "SELECT chain, max(number) FROM entries GROUP BY chain"

FileState = tuple[int, int, int] | None
"""Inode, size and time of change of a file; None: there is none."""
RegisterState = tuple[FileState, FileState]
"""Of a register, and of the log beside it."""


class UnsentEntries:
    """The chains of several registers, of which one that is missing has none."""

    def __init__(self, registers: Sequence[Path]) -> None:
        self._files = [RegisterFile(path) for path in registers]
        self._states: list[RegisterState] = [(None, None)] * len(registers)
        self._last: dict[str, tuple[RegisterFile, int]] = {}
        self._in_record: dict[str, tuple[int, str]] = {}
        """How many entries the central record has of each chain, and the hash of the last one."""
        self.trouble = ""
        """Why a register can't be read; empty: all can."""

    def refresh(self) -> bool:
        """Look whether entries were added; return whether a register has changed."""
        states = [_state(file.path) for file in self._files]
        if states == self._states and not self.trouble:
            return False
        self.trouble = ""
        last: dict[str, tuple[RegisterFile, int]] = {}
        for file in self._files:
            try:
                with file.reading() as connection:
                    rows = [] if connection is None else connection.execute(_LAST).fetchall()
            except RegisterError as error:
                self.trouble = str(error)
                continue
            for chain, number in rows:
                why = CHAIN.fault(chain) or NUMBER.fault(number)
                if why is None:
                    last.setdefault(chain, (file, number))
                else:  # a question that names it would not be answered, also for the others
                    self.trouble = f"the register {file.path} {why}."
        changed = {chain: number for chain, (_, number) in last.items()} != self.chains
        self._states, self._last = states, last
        for chain in self._in_record:
            self.trouble = self._fault(chain) or self.trouble
        return changed

    def in_record(self, chain: str, number: int, last_hash: str) -> bool:
        """Take what the record has of a chain; return whether the register must be read again.

        That is so where the record has other entries: the register was set back, is a copy of
        another one, or another program has just now written to it.

        Args:
            chain: the chain.
            number: how many entries the record has.
            last_hash: of the last of them; empty: not known.
        """
        before, now = self._in_record.get(chain), (number, last_hash)
        self._in_record[chain] = now
        if before == now or not self._fault(chain):
            return False
        self._states = []
        return True

    def _fault(self, chain: str) -> str:
        """Return a sentence where the record has other entries of a chain; empty: it has not."""
        number, last_hash = self._in_record[chain]
        file, there = self._last.get(chain, (self._files[0], 0))
        if there < number:
            what = f"has {there} entries of chain {chain}, and the central record {number}"
        elif number and last_hash and self._hash(file, chain, number) not in {None, last_hash}:
            what = f"and the central record have different entries {number} of chain {chain}"
        else:
            return ""
        return f"the register {file.path} {what}: it was set back, or it is a copy of another one."

    def _hash(self, file: RegisterFile, chain: str, number: int) -> str | None:
        """Return the hash of an entry; None: it can't be read, which is said elsewhere."""
        try:
            with file.reading() as connection:
                values = (chain, number - 1, 1)
                rows = [] if connection is None else connection.execute(_NEXT, values).fetchall()
        except RegisterError:
            return None
        return entry_of(rows[0]).hash if rows else None

    @property
    def chains(self) -> Mapping[str, int]:
        """Return the number of the last entry of each chain."""
        return {chain: number for chain, (_, number) in self._last.items()}

    def batch(self, chain: str, after: int) -> ChainBatch | None:
        """Return the next entries of a chain, without any if there are none; None: no such chain.

        Raises:
            CanNotBeSent: an entry is missing, or holds what can't be sent.
            RegisterError: the register can't be read.
        """
        if chain not in self._last:
            return None
        file, _ = self._last[chain]
        with file.reading() as connection:
            values = (chain, after, MOST_EVENTS)
            rows = [] if connection is None else connection.execute(_NEXT, values).fetchall()
        entries = []
        for place, entry in enumerate(map(entry_of, rows), start=1):
            why = check_entry(entry)
            if why is None and entry.number != after + place:
                why = f"comes where entry {after + place} should be"
            if why is None:
                entries.append(entry)
            elif entries:
                break  # those before it can be sent
            else:
                raise CanNotBeSent(
                    f"entry {entry.number} of chain {chain} {why} ({file.path}): benchwatch visits "
                    "verify says more"
                )
        return ChainBatch(chain, after, after + len(entries), tuple(entries))


def _state(path: Path) -> RegisterState:
    state = _file_state(path)
    # To find the log takes several calls of the system, and most stations have no register.
    return state, None if state is None else _file_state(log_path(path, "-wal"))


def _file_state(path: Path) -> FileState:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_ino, status.st_size, status.st_mtime_ns
