"""Which part of a recorded run a number is of: typed, or since a turn or the settling."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeVar

import click
import numpy as np
from numpy.typing import NDArray

from benchwatch.clock import iso_time
from benchwatch.commands.common.option_types import SETTLE, settle_of
from benchwatch.commands.common.output import narrate
from benchwatch.errors import FileError, NoReadings, QuantityError, UsageError
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.run_changes import Changes, find_changes
from benchwatch.estimate.spikes import spikes
from benchwatch.estimate.stability import Phase
from benchwatch.estimate.stability.grid import measured_phase_on_grid, phase_on_grid
from benchwatch.quantity import format_duration, how_many, parse_duration, printable
from benchwatch.reading import SPIKE, UNFIT
from benchwatch.recording import Recording
from benchwatch.recording.dates import read_moment

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Since = Literal["settled", "nudge"]
SINCE: Final[tuple[Since, ...]] = ("settled", "nudge")
_Command = TypeVar("_Command", bound=Callable[..., Any])


def stretch_options(command: _Command) -> _Command:
    """Add ``--from``, ``--to``, ``--since`` and ``--settle``."""
    for option in (
        click.option(
            "--settle", "settle_text", type=SETTLE, metavar="LIMIT/TIME",
            help="What settled means, such as 1ppb/10min; else where a warm-up ends that stands "
            "out.",
        ),
        click.option(
            "--since", type=click.Choice(SINCE), help="Begin at the last nudge, or at settling."
        ),
        click.option("--to", "to_text", metavar="TIME|DATE", help="End there, likewise."),
        click.option(
            "--from", "from_text", metavar="TIME|DATE",
            help="Begin there: 10min after the first reading, or a date with a time.",
        ),
    ):  # fmt: skip
        command = option(command)
    return command


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A part of a run, in the file's own seconds, both ends included."""

    begin_s: float
    end_s: float
    since: str
    """``whole``, ``typed``, ``nudge`` or ``settled``."""
    spikes: int
    """Lone wild readings that were left out of it."""

    def told(self, recording: Recording) -> dict[str, object]:
        """Return it as keys of a JSON line; dates are null where the file has none."""
        return {
            "begin_s": self.begin_s, "end_s": self.end_s,
            "begin": _iso(recording, self.begin_s), "end": _iso(recording, self.end_s),
            "since": self.since, "spikes": self.spikes,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """What of a recording is used."""

    rows: slice
    """Readings of the stretch."""
    offsets: FloatArray
    """Of all readings; nan where one is left out."""
    wild: BoolArray
    """Spikes among all readings, flagged ones too."""
    stretch: Stretch
    changes: Changes
    """Turns and settling within what was typed."""


def spikes_of(recording: Recording) -> BoolArray:
    """Return which readings are lone wild ones: those flagged, and those of the common rule."""
    values = recording.offset.copy()
    unfit = [row for row, flags in recording.flags.items() if flags & UNFIT]
    values[unfit] = np.nan
    wild = spikes(values)
    wild[[row for row, flags in recording.flags.items() if SPIKE in flags]] = True
    return wild


def used_offsets(recording: Recording, wild: BoolArray) -> FloatArray:
    """Return the offsets with nan for spikes and for readings that are none."""
    values = recording.offset.copy()
    values[[row for row, flags in recording.flags.items() if flags & UNFIT]] = np.nan
    values[wild] = np.nan
    return values


def choose(
    recording: Recording,
    *,
    from_text: str | None,
    to_text: str | None,
    since: Since | None,
    settle_text: str | None,
) -> Chosen:
    """Choose the part of a recording that was asked for.

    Raises:
        UsageError: a time can't be read or lies outside, or it never settled within the limit.
        NoReadings: no reading is left.
    """
    time_s = recording.time_s
    rows = typed_rows(recording, from_text, to_text)
    wild = spikes_of(recording)
    offsets = used_offsets(recording, wild)
    settle = settle_of(settle_text, recording.nominal)
    changes = changes_of(recording, offsets, rows, settle)
    start, how = rows.start, "whole" if from_text is None and to_text is None else "typed"
    begin_s = since_s(recording, changes, since, settle)
    if begin_s is not None:
        start, how = int(np.searchsorted(time_s, begin_s)), str(since)
    rows = slice(start, rows.stop)
    if not np.isfinite(offsets[rows]).any():
        raise NoReadings(f"{recording.source} has no usable reading in that part.")
    stretch = Stretch(
        begin_s=float(time_s[rows.start]),
        end_s=float(time_s[rows.stop - 1]),
        since=how,
        spikes=int(wild[rows].sum()),
    )
    return Chosen(rows=rows, offsets=offsets, wild=wild, stretch=stretch, changes=changes)


def typed_rows(recording: Recording, from_text: str | None, to_text: str | None) -> slice:
    """Read ``--from`` and ``--to`` as a range of readings.

    Raises:
        UsageError: one can't be read, or no reading lies between them.
    """
    time_s = recording.time_s
    first, last = 0, time_s.size
    if from_text is not None:
        first = int(np.searchsorted(time_s, _moment(recording, from_text, "--from")))
    if to_text is not None:
        last = int(np.searchsorted(time_s, _moment(recording, to_text, "--to"), side="right"))
    if first >= last:
        raise UsageError(
            f"no reading lies between --from and --to; {recording.source} has readings from "
            f"{when(recording, float(time_s[0]))} to {when(recording, float(time_s[-1]))}."
        )
    return slice(first, last)


def changes_of(
    recording: Recording, offsets: FloatArray, rows: slice, settle: SettleLimit | None
) -> Changes:
    """Find turns and settling among `rows`; what holes break is not bridged."""
    time_s, values = recording.time_s[rows], offsets[rows]
    before = [hole.before - rows.start for hole in recording.holes]
    at = [place for place in before if 0 < place < values.size]
    gates = recording.gates(rows)
    return find_changes(
        np.insert(time_s, at, [float(time_s[place]) for place in at]),
        np.insert(values, at, np.nan),
        gate_s=gates.pop() if len(gates) == 1 else None,
        settle=settle,
        resolution=recording.resolution_hz / float(recording.nominal) if recording.nominal else 0.0,
    )


def since_s(
    recording: Recording, changes: Changes, since: Since | None, settle: SettleLimit | None
) -> float | None:
    """Return where ``--since`` begins; None at the beginning.

    Raises:
        UsageError: settled was asked for by a limit, and it never was.
    """
    if since == "nudge":
        if not changes.turns_s:
            narrate(f"--since nudge: no nudge is found in {recording.source}; all of it is taken.")
        return changes.turns_s[-1] if changes.turns_s else None
    if since is None or changes.settled_s is not None:
        return changes.settled_s if since is not None else None
    if settle is not None:
        raise UsageError(
            f"--since settled: {recording.source} has not settled at its end, within the limit of "
            "--settle. State another limit, or choose the part with --from and --to."
        )
    narrate(no_end_of_warm_up(recording))
    return None


def no_end_of_warm_up(recording: Recording) -> str:
    """Say that nothing tells where the run begins to be settled."""
    return (
        f"--since settled: no end of a warm-up stands out in {recording.source}; all of it is "
        "taken. --settle 1ppb/10min says what settled means."
    )


def phase_of(recording: Recording, chosen: Chosen) -> Phase:
    """Return the phase of the chosen stretch, on a grid of equal times."""
    rows, interval_s = chosen.rows, recording.interval_s or 0.0
    time_s, values = recording.time_s[rows], chosen.offsets[rows]
    before = np.array(sorted({hole.before - rows.start for hole in recording.holes}), dtype=int)
    breaks = before[(before > 0) & (before < values.size)]
    if recording.kind != "phase_s" or not (breaks.size or chosen.stretch.spikes):
        return phase_on_grid(time_s, values, breaks, interval_s)
    steps = recording.offset[rows]
    across = [
        recording.across_s.get(place + rows.start, 0.0) / interval_s for place in breaks.tolist()
    ]
    return measured_phase_on_grid(
        time_s,
        steps,
        breaks,
        across=np.array(across),
        left_out=chosen.wild[rows],
        interval_s=interval_s,
    )


def remark(recording: Recording, chosen: Chosen, what: str) -> str | None:
    """Say which changes lie in the chosen stretch, with their times, and what to type."""
    stretch, changes = chosen.stretch, chosen.changes
    inside = [at_s for at_s in changes.turns_s if at_s > stretch.begin_s]
    said = []
    if changes.settled_s is not None and changes.settled_s > stretch.begin_s:
        said.append(f"a warm-up until {when(recording, changes.settled_s)}")
    if inside:
        last = when(recording, inside[-1])
        steps = how_many(len(inside), "step")
        which = "at" if len(inside) == 1 else "the last at"
        said.append(f"{steps} (the trimmer turned, the tool put on or lifted), {which} {last}")
    if not said:
        return None
    return (
        f"{recording.source} holds {' and '.join(said)}, and {what} is of that too; --since "
        "settled, --since nudge, or --from and --to choose a part."
    )


def when(recording: Recording, at_s: float) -> str:
    """Write a time of the run for people, after the first reading and as a date."""
    since_first = format_duration(at_s - float(recording.time_s[0]))
    date = _iso(recording, at_s)
    return since_first if date is None else f"{since_first} ({date})"


def _iso(recording: Recording, at_s: float) -> str | None:
    start_s = recording.utc_start_s
    return None if start_s is None else iso_time(start_s + at_s)


def _moment(recording: Recording, text: str, option: str) -> float:
    """Read a time after the first reading, or a date, as the file's seconds."""
    try:
        return float(recording.time_s[0]) + parse_duration(text)
    except QuantityError as error:
        try:
            utc_s = read_moment(text, option)
        except FileError:
            raise UsageError(
                f"{option}: '{printable(text)}' is no time. Write how long after the first "
                "reading, such as 10min, or a date with a time, such as 2031-05-04T10:20."
            ) from error
    if recording.utc_start_s is None:
        raise UsageError(
            f"{option}: the file has no dates; write how long after the first reading."
        )
    at_s = utc_s - recording.utc_start_s
    return at_s if math.isfinite(at_s) else 0.0
