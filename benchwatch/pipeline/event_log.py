"""The notes of a run: everything that happened to one counter, with its time, oldest first."""

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import replace
from typing import Final

from benchwatch.estimate.results import Nudge, Numbers, Settle, SettleLimit
from benchwatch.estimate.trim.mean_pull import mean_pull
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.journal.resume import InterruptedRun, gap_words
from benchwatch.quantity import OffsetUnit, format_duration, how_many, printable, write_fraction
from benchwatch.reading import INTERNAL_TIMEBASE, Gap, Mark, Reading
from benchwatch.snapshot import LoggedEvent, LoggedKind

KEPT: Final = 500
"""Newest ones shown; readings, gaps and marks are all in the journal."""
SETTLE_WORDS: Final = {
    "settled": "settled",
    "warming": "moving by more than asked",
    "unsure": "can't tell yet whether it has settled",
}


BY_TOOL: Final = "by the tool"
"""Behind the size of a step that was its pull, and no turn."""
WORTH: Final = 0.5
"""Part of its u by which the size of a nudge changes before it is kept again at once ..."""
FINAL: Final = 8
"""... or readings after which it has become what it stays."""


def limit_words(limit: float) -> str:
    """Write a limit as it was typed: ``5 ppb``, without sign or spare zeros."""
    text = write_fraction(limit)
    digits = text.digits.lstrip("+")
    return f"{digits.rstrip('0').rstrip('.') if '.' in digits else digits} {text.unit}"


def tolerance_words(tolerance: float) -> str:
    """Say which tolerance holds."""
    return f"tolerance {limit_words(tolerance)}"


def settled_words(settle: SettleLimit) -> str:
    """Say what settled means."""
    over = format_duration(settle.horizon_s)
    return f"settled means: moves by less than {limit_words(settle.limit)} in {over}"


def resumed_words(earlier: InterruptedRun, utc_s: float, unit: OffsetUnit | None = None) -> str:
    """Say at `utc_s`, Unix seconds, what a run goes on with, in `unit`."""
    records = (earlier.records.as_found, earlier.records.as_left)
    known = [f"{one.kind} {write_fraction(one.offset, one.u, unit)}" for one in records if one]
    pull = mean_pull(list(earlier.samples))
    if pull is not None:
        known.append(f"the tool pulls by {write_fraction(pull.size, pull.u, unit)}")
    if earlier.tool_on:
        known.append("the tool on the trimmer")
    known.append(how_many(len(earlier.notes), "note"))
    ago = format_duration(max(utc_s - earlier.utc_s, 0.0))
    return f"goes on with the run that was interrupted {ago} ago: {', '.join(known)}"


class EventLog:
    """Collects what happens; the tuple is made anew only when something did."""

    def __init__(self, keep: Callable[[LoggedEvent], None] | None = None) -> None:
        """Begin with none.

        Args:
            keep: takes each as it is added; None: nobody does.
        """
        self._keep = keep
        self._all: tuple[LoggedEvent, ...] = ()
        self._settle: Settle | None = None
        self._internal = False
        self._nudge: Nudge | None = None
        """The newest nudge as it was known after the last reading."""
        self._kept: Nudge | None = None
        """The same as it was given to be kept last."""
        self._refined: LoggedEvent | None = None
        """What is known of it by now, where that is not kept yet ..."""
        self._unchanged = 0
        """... and for how many readings that has been so."""

    @property
    def newest(self) -> tuple[LoggedEvent, ...]:
        """The newest ones, oldest first."""
        return self._all

    def resume(self, earlier: tuple[LoggedEvent, ...]) -> None:
        """Put those of an interrupted run before all others."""
        self._all = (*earlier, *self._all)[-KEPT:]

    def note(self, utc_s: float, elapsed_s: float, kind: LoggedKind, text: str) -> None:
        """Add one."""
        self._add(LoggedEvent(utc_s, elapsed_s, kind, printable(text, 200)))

    def recorded(self, utc_s: float, elapsed_s: float, record: OffsetRecord, how: str) -> None:
        """Add an offset that was put on record; `how` it was, and what spoke against it."""
        self._add(LoggedEvent(utc_s, elapsed_s, "record", printable(how, 200), record=record))

    def reading(self, reading: Reading, numbers: Numbers, *, by_tool: bool) -> None:
        """Add what the numbers after `reading` say for the first time."""
        utc_s, elapsed_s = reading.utc_s, reading.elapsed_s
        internal = INTERNAL_TIMEBASE in reading.flags
        if internal != self._internal:
            self._internal = internal
            which = "the counter's own time base" if internal else "the external reference again"
            self.note(utc_s, elapsed_s, "caution", f"counting by {which}")
        nudge = numbers.confirmed_nudge
        if nudge is not None:
            self._keep_refined()
            kind: LoggedKind = "tool" if by_tool else "nudge"
            begun_utc_s = utc_s - (elapsed_s - nudge.at_s)
            text = BY_TOOL if by_tool else ""
            self._add(LoggedEvent(begun_utc_s, nudge.at_s, kind, text, nudge=nudge))
            self._kept = nudge
        elif numbers.last_nudge is not self._nudge:
            self._renew(numbers.last_nudge)
        elif self._refined is not None:
            self._unchanged += 1
            if self._unchanged >= FINAL:
                self._keep_refined()
        self._nudge = numbers.last_nudge
        settle = numbers.settle
        if settle is not None and (self._settle is None or settle.state != self._settle.state):
            if self._settle is not None or settle.state == "settled":
                self.note(utc_s, elapsed_s, "settle", SETTLE_WORDS[settle.state])
            self._settle = settle

    def gap(self, gap: Gap) -> None:
        """Add a gap."""
        self.note(gap.utc_s, gap.elapsed_s, "gap", gap_words(gap.lasted_s, gap.reason))

    def mark(self, mark: Mark) -> None:
        """Add a note of the operator."""
        self.note(mark.utc_s, mark.elapsed_s, "mark", mark.text)

    def _renew(self, nudge: Nudge | None) -> None:
        """Put what is known of the newest nudge by now in the place of what was known first."""
        for place in range(len(self._all) - 1, -1, -1):
            old = self._all[place]
            if old.nudge is not None:
                if nudge is not None and old.nudge.at_s == nudge.at_s:
                    new = replace(old, nudge=nudge)
                    self._all = (*self._all[:place], new, *self._all[place + 1 :])
                    self._refined, self._unchanged = new, 0
                    if _differs(nudge, self._kept):
                        self._keep_refined()
                return

    def _keep_refined(self) -> None:
        """Give the newest nudge to be kept again, as it is known by now."""
        refined, self._refined = self._refined, None
        if refined is not None:
            self._kept = refined.nudge
            if self._keep is not None:
                self._keep(refined)

    def _add(self, happening: LoggedEvent) -> None:
        """Put it where its time belongs: a gap is known at its end, a nudge readings later."""
        if self._keep is not None:
            self._keep(happening)
        place = bisect_right(self._all, happening.elapsed_s, key=lambda one: one.elapsed_s)
        self._all = (*self._all[:place], happening, *self._all[place:])[-KEPT:]


def _differs(nudge: Nudge, kept: Nudge | None) -> bool:
    """Tell whether a size has become another, or surer, by more than is worth keeping again."""
    if kept is None or kept.u is None or nudge.u is None:
        return True
    moved = abs(nudge.size - kept.size)
    return moved > WORTH * kept.u or abs(nudge.u - kept.u) > WORTH * kept.u
