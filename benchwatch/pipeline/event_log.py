"""The event log of one counter: dated entries, oldest first."""

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import replace
from typing import Final

from benchwatch.estimate.results import Estimate, Nudge, Numbers, Settle, SettleLimit
from benchwatch.estimate.trim.mean_pull import MeanPull, mean_pull
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.journal.resume import EarlierRuns
from benchwatch.journal.trim_entries import gap_words
from benchwatch.quantity import OffsetUnit, format_duration, how_many, printable, write_fraction
from benchwatch.reading import INTERNAL_TIMEBASE, Gap, Reading
from benchwatch.snapshot import LoggedEvent, LoggedKind, VisitNow

ENTRIES_KEPT: Final = 500
"""Newest entries held for display; the journal has all."""
SETTLE_WORDS: Final = {
    "settled": "settled",
    "warming": "moving by more than asked",
    "unsure": "can't tell yet whether it has settled",
}


BY_TOOL: Final = "by the tool"
"""Text of a step that was the tool's pull and not a turn; it is shown after the size."""
WRITE_AT_ONCE_U: Final = 0.5
"""A nudge whose estimate was refined is written to the journal again at once when its size or u has
changed by more than this part of the u written last."""
WRITE_AFTER_READINGS: Final = 8
"""After a smaller change, it is written again once it stays the same for so many readings."""


def limit_words(limit: float) -> str:
    """Write a limit (fractional) in short: ``5 ppb``, without sign or trailing zeros."""
    text = write_fraction(limit)
    digits = text.digits.lstrip("+")
    return f"{digits.rstrip('0').rstrip('.') if '.' in digits else digits} {text.unit}"


def settle_words(settle: Settle, estimate: Estimate | None) -> str:
    """Write the sentence on a new settle verdict, with the offset at that time."""
    words = SETTLE_WORDS[settle.state]
    if estimate is None:
        return words
    text = write_fraction(estimate.offset, estimate.u)
    offset = text.bare if estimate.u is None else str(text)
    return f"{words}{'' if settle.state == 'settled' else ','} at {offset}"


def pull_words(pull: MeanPull) -> str:
    """Write the sentence that states what the tool pulls by."""
    text = write_fraction(pull.size, pull.u)
    size = text.bare if pull.u is None else str(text)
    return f"pulls by {size}, from {how_many(pull.samples, 'step')}"


def tolerance_words(tolerance: float) -> str:
    """Write the sentence that states the tolerance (fractional)."""
    return f"tolerance {limit_words(tolerance)}"


def settled_words(settle: SettleLimit) -> str:
    """Write the sentence that states the settle limit."""
    return f"settled means: moves by less than {settle_limit_words(settle)}"


def settle_limit_words(settle: SettleLimit | None) -> str:
    """Write a settle limit, such as ``1 ppb in 10 min``; empty without one."""
    if settle is None:
        return ""
    return f"{limit_words(settle.limit)} in {format_duration(settle.horizon_s)}"


def resumed_words(
    earlier: EarlierRuns, utc_s: float, visit: VisitNow | None, unit: OffsetUnit | None = None
) -> str:
    """Write which visit goes on, and with what: records, tool's pull, notes.

    Args:
        earlier: results of its earlier runs.
        utc_s: the present, Unix seconds.
        visit: the visit; None: there is no register.
        unit: of the offsets; None: each in the unit that fits it.
    """
    known = []
    for one in (earlier.records.as_found, earlier.records.as_left):
        if one is not None:
            ago = "" if one.utc_s is None else f", {_ago(one.utc_s, utc_s)}"
            known.append(f"{one.kind} {write_fraction(one.offset, one.u, unit)}{ago}")
    pull = mean_pull(list(earlier.samples))
    if pull is not None:
        known.append(f"the tool pulls by {write_fraction(pull.size, pull.u, unit)}")
    if earlier.tool_on:
        known.append("the tool is on the trimmer")
    known.append(how_many(len(earlier.notes), "note") if earlier.notes else "")
    known = list(filter(None, known)) or ["nothing on record yet"]
    last = f"last read {_ago(earlier.utc_s, utc_s)}"
    return f"{visit_words(visit)} goes on, {last}: {', '.join(known)}"


def visit_words(visit: VisitNow | None) -> str:
    """Name a visit by its unit, or by its number: ``visit of 0417``, ``visit 12 (no name yet)``."""
    if visit is None or (visit.unit is None and visit.number is None):
        return "the visit"
    if visit.unit is not None:
        return f"visit of {visit.unit}"
    return f"visit {visit.number} (no name yet)"


def _ago(then_utc_s: float, utc_s: float) -> str:
    return f"{format_duration(max(round(utc_s - then_utc_s), 1))} ago"


def _without_pull(nudge: Nudge, turn: Nudge | None) -> Nudge:
    """Return the `turn` that is a part of a nudge, or the nudge where it is not."""
    return turn if turn is not None and turn.at_s == nudge.at_s else nudge


class EventLog:
    """Collects the entries; its tuple is replaced only when an entry is added or changed.

    Args:
        write: writes to the journal each entry that is added, and the entry of a nudge again
            when its estimate is refined; None without a journal.
    """

    def __init__(self, write: Callable[[LoggedEvent], None] | None = None) -> None:
        self._write = write
        self.newest: tuple[LoggedEvent, ...] = ()
        """The newest entries, oldest first."""
        self._settle: Settle | None = None
        self._pull_samples = 0
        """Steps of the tool from which its pull is known so far."""
        self._on_internal_time_base = False
        self._nudge: Nudge | None = None
        """The newest nudge as estimated after the last reading."""
        self._written: Nudge | None = None
        """The newest nudge as written last."""
        self._unwritten: LoggedEvent | None = None
        """The refined entry of the newest nudge, until it is written."""
        self._readings_unchanged = 0
        """Readings since `_unwritten` changed."""

    def resume(self, earlier: EarlierRuns, utc_s: float, visit: VisitNow | None) -> None:
        """Put the entries of the earlier runs first, and add one that says what goes on.

        Args:
            earlier: results of these runs.
            utc_s: time of that entry, Unix seconds.
            visit: the visit; None: there is no register.
        """
        self.newest = (*earlier.notes, *self.newest)[-ENTRIES_KEPT:]
        self._pull_samples = len(earlier.samples)
        self.add_text(utc_s, 0.0, "visit", resumed_words(earlier, utc_s, visit))

    def add_text(self, utc_s: float, elapsed_s: float, kind: LoggedKind, text: str) -> None:
        """Add an entry with a text for people."""
        self._add(
            LoggedEvent(utc_s=utc_s, elapsed_s=elapsed_s, kind=kind, text=printable(text, 200))
        )

    def show_text(self, utc_s: float, elapsed_s: float, kind: LoggedKind, text: str) -> None:
        """Add an entry with a text for people that is not written to the journal."""
        self._insert(
            LoggedEvent(utc_s=utc_s, elapsed_s=elapsed_s, kind=kind, text=printable(text, 200))
        )

    def add_record(self, utc_s: float, elapsed_s: float, record: OffsetRecord, how: str) -> None:
        """Add an offset that was put on record; `how` says by whom, and its cautions."""
        self._add(
            LoggedEvent(
                utc_s=utc_s,
                elapsed_s=elapsed_s,
                kind="record",
                text=printable(how, 200),
                record=record,
            )
        )

    def add_reading(
        self, reading: Reading, numbers: Numbers, *, by_tool: bool, turn: Nudge | None = None
    ) -> None:
        """Add what changed with `reading`: the time base, a nudge, the settle state.

        Args:
            reading: the newest one.
            numbers: the numbers after it.
            by_tool: whether a nudge in the numbers is the tool's pull.
            turn: the newest turn of the trimmer: a nudge without the tool's pull in it; None where
                none is known.
        """
        utc_s, elapsed_s = reading.utc_s, reading.elapsed_s
        internal = INTERNAL_TIMEBASE in reading.flags
        if internal != self._on_internal_time_base:
            self._on_internal_time_base = internal
            which = "the counter's own time base" if internal else "the external reference again"
            self.add_text(utc_s, elapsed_s, "caution", f"counting by {which}")
        nudge = numbers.confirmed_nudge
        last = numbers.last_nudge
        if nudge is not None:
            if numbers.revised_nudge is not None:
                self._update(numbers.revised_nudge)
            self._write_again()
            nudge = nudge if by_tool else _without_pull(nudge, turn)
            kind: LoggedKind = "tool" if by_tool else "nudge"
            self._add(
                LoggedEvent(
                    utc_s=utc_s - (elapsed_s - nudge.at_s),
                    elapsed_s=nudge.at_s,
                    kind=kind,
                    text=BY_TOOL if by_tool else "",
                    nudge=nudge,
                )
            )
            self._written = nudge
            if last is not None and last is not numbers.confirmed_nudge:
                self._update(_without_pull(last, turn))
        elif last is not self._nudge:
            self._update(None if last is None else _without_pull(last, turn))
        elif self._unwritten is not None:
            self._readings_unchanged += 1
            if self._readings_unchanged >= WRITE_AFTER_READINGS:
                self._write_again()
        self._nudge = last
        settle = numbers.settle
        if settle is not None and (self._settle is None or settle.state != self._settle.state):
            if self._settle is not None or settle.state == "settled":
                self.add_text(utc_s, elapsed_s, "settle", settle_words(settle, numbers.estimate))
            self._settle = settle

    def add_pull(self, reading: Reading, tool: ToolState | None) -> None:
        """Add what the tool pulls by, whenever `reading` has given another step of it."""
        pull = None if tool is None else tool.pull
        if pull is not None and pull.samples > self._pull_samples:
            self.add_text(reading.utc_s, reading.elapsed_s, "tool", pull_words(pull))
        if pull is not None:
            self._pull_samples = pull.samples

    def add_gap(self, gap: Gap) -> None:
        """Add a gap."""
        self.add_text(gap.utc_s, gap.elapsed_s, "gap", gap_words(gap.lasted_s, gap.reason))

    def _update(self, nudge: Nudge | None) -> None:
        """Replace the entry of the newest nudge by its refined estimate."""
        for place in range(len(self.newest) - 1, -1, -1):
            old = self.newest[place]
            if old.nudge is not None:
                if nudge is not None and old.nudge.at_s == nudge.at_s:
                    new = replace(old, nudge=nudge)
                    self.newest = (*self.newest[:place], new, *self.newest[place + 1 :])
                    self._unwritten, self._readings_unchanged = new, 0
                    written = self._written
                    by = 0.0 if written is None else WRITE_AT_ONCE_U * (written.u or 0.0)
                    if written is None or nudge.differs(written, by):
                        self._write_again()
                return

    def _write_again(self) -> None:
        """Write the refined entry of the newest nudge, if there is one."""
        entry, self._unwritten = self._unwritten, None
        if entry is not None:
            self._written = entry.nudge
            if self._write is not None:
                self._write(entry)

    def _add(self, entry: LoggedEvent) -> None:
        """Insert an entry by its time: a gap is noticed at its end, a nudge some readings later."""
        if self._write is not None:
            self._write(entry)
        self._insert(entry)

    def _insert(self, entry: LoggedEvent) -> None:
        place = bisect_right(self.newest, entry.elapsed_s, key=lambda one: one.elapsed_s)
        self.newest = (*self.newest[:place], entry, *self.newest[place:])[-ENTRIES_KEPT:]
