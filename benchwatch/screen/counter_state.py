"""State that the screen keeps of one counter from frame to frame."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchwatch.quantity import format_duration, write_fraction
from benchwatch.reading import TYPED
from benchwatch.screen.axis_state import AxisState
from benchwatch.screen.entry_line import EntryLine
from benchwatch.snapshot import Snapshot

if TYPE_CHECKING:
    from benchwatch.counter import LinkStatus
    from benchwatch.estimate.uncertainty.offset_record import OffsetRecord


@dataclass(slots=True, kw_only=True)
class CounterState:
    """Axes and units of a counter, and link, gate and records of its last snapshot."""

    axes: AxisState = field(default_factory=AxisState)
    tool_on: bool = False
    """Whether the tool is on the trimmer, by the operator's last key."""
    entry: EntryLine = field(default_factory=EntryLine)
    """The reading that is being typed, where a person types them."""
    gate_asked: bool = False
    """Whether a gate was requested and the counter has not answered yet."""
    power_asked: bool = False
    """Whether the operator was asked if the unit was switched off before this run."""
    seen: Snapshot | None = None
    """The snapshot whose messages were returned last."""
    link: "LinkStatus | None" = None
    gate_s: float | None = None
    automatic_record: "OffsetRecord | None" = None
    """The as-found record, if it was made automatically."""

    _has_settled: bool = False
    """Whether it has settled, and has not been warming since."""
    _settles_now: bool = False

    def messages(self, now: Snapshot, *, several: bool = False) -> list[str]:
        """Return messages for the operator about a new snapshot, oldest first.

        Args:
            now: the newest snapshot.
            several: whether there are several counters; it is then said that one has settled.
        """
        if now is self.seen:
            return []
        self.seen = now
        texts = [*self._recorded_automatically(now), *self._ended(now), *self._answer(now)]
        if self._settles(now) and several:
            texts.append("has settled")
        return texts

    def asks_power(self, now: Snapshot) -> bool:
        """Return once whether the operator is to be asked if the unit was switched off before."""
        asks = now.visit is not None and now.visit.asks_power and not self.power_asked
        self.power_asked |= asks
        return asks

    def take_settled(self) -> bool:
        """Return, once each time, whether it has settled since it was warming."""
        settles, self._settles_now = self._settles_now, False
        return settles

    def _settles(self, now: Snapshot) -> bool:
        """Note the settle verdict; one that is unsure for a while changes nothing."""
        settle = now.numbers.settle
        if settle is None or settle.state == "unsure":
            return False
        settles = settle.state == "settled" and not self._has_settled
        self._has_settled = settle.state == "settled"
        self._settles_now |= settles
        return settles

    def _ended(self, now: Snapshot) -> list[str]:
        """Return a message when the counter has failed and is not tried again."""
        was = self.link
        if was is None or was.state == "ended" or now.link.state != "ended":
            return []
        return [f"ended: {now.link.detail}"] if now.link.detail else []

    def _recorded_automatically(self, now: Snapshot) -> list[str]:
        """Return a message about a new automatic as-found record, if that has a caution."""
        records = now.records
        record = records.as_found if records is not None and records.as_found_automatic else None
        before, self.automatic_record = self.automatic_record, record
        if record is None or record is before or not record.caution:
            return []
        offset = write_fraction(record.offset, record.u, self.axes.unit)
        return [f"as found recorded automatically, {offset}; caution: {record.caution}"]

    def _answer(self, now: Snapshot) -> list[str]:
        """Return a message when a reading counter refused a setting, or its gate changed."""
        link, gate_s, gate_before_s = self.link, now.gate_s, self.gate_s
        self.link, self.gate_s = now.link, gate_s
        if link is None or link.state != "reading" or now.link.state != "reading":
            return []
        if now.resource == TYPED:  # a gate is stated, and nothing is read back
            return []
        answered, asked = now.link is not link, self.gate_asked
        self.gate_asked = asked and not answered
        if answered and now.link.detail:
            return [now.link.detail]
        if gate_s != gate_before_s or (answered and asked):
            gate = "unknown" if gate_s is None else format_duration(gate_s)
            return [f"the gate is now {gate}, read back from the counter"]
        return []
