"""Where a transfer reads from: journals and registers, or models of them."""

from collections.abc import Collection, Mapping
from typing import Protocol

from benchwatch.journal.late_events import LateEvents
from benchwatch.relay.batch import ChainBatch, RunBatch


class Events(Protocol):
    """Runs of a journal, as `UnsentEvents` reads them."""

    def refresh(self) -> None: ...  # noqa: D102
    def earlier_runs(self, own: Collection[int], known: Collection[int | str]) -> list[int]: ...  # noqa: D102
    def batch(self, key: int, after: int) -> tuple[RunBatch, bool] | None: ...  # noqa: D102
    def count(self, key: int, after: int) -> tuple[int, float | None]: ...  # noqa: D102
    def late_events(self) -> Mapping[int, LateEvents]: ...  # noqa: D102
    def forget_late_events(self, key: int, known: LateEvents) -> None: ...  # noqa: D102


class Entries(Protocol):
    """Chains of registers, as `UnsentEntries` reads them."""

    @property
    def chains(self) -> Mapping[str, int]: ...  # noqa: D102
    @property
    def trouble(self) -> str: ...  # noqa: D102
    def refresh(self) -> bool: ...  # noqa: D102
    def in_record(self, chain: str, number: int, last_hash: str) -> bool: ...  # noqa: D102
    def batch(self, chain: str, after: int) -> ChainBatch | None: ...  # noqa: D102
