"""The part of a recorded run that statistics use: typed, or since a turn or the settling."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from typing import Any

import click
import numpy as np

from benchwatch.clock import iso_time
from benchwatch.commands.common.option_types import SETTLE, settle_of
from benchwatch.commands.common.output import narrate
from benchwatch.errors import FileError, NoReadings, QuantityError, UsageError
from benchwatch.estimate.array_types import BoolArray, FloatArray
from benchwatch.estimate.run_changes import Changes
from benchwatch.quantity import format_duration, how_many, parse_duration, printable
from benchwatch.recording import Recording
from benchwatch.recording.dates import read_moment
from benchwatch.recording.run_statistics import (
    SINCE_CHOICES,
    Since,
    changes_of,
    part_since,
    spikes_of,
    used_offsets,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedRange:
    """Typed options that choose a part: ``--from``, ``--to``, ``--since`` and ``--settle``."""

    begin: str | None
    end: str | None
    since: Since | None
    settle: str | None


def time_range_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of `TypedRange` to a command, which gets them as `part`."""

    @click.option(
        "--from",
        "begin",
        metavar="TIME|DATE",
        help="Begin there: 10min after the first reading, or a date with a time.",
    )
    @click.option("--to", "end", metavar="TIME|DATE", help="End there, likewise.")
    @click.option(
        "--since", type=click.Choice(SINCE_CHOICES), help="Begin at the last nudge, or at settling."
    )
    @click.option(
        "--settle",
        type=SETTLE,
        metavar="LIMIT/TIME",
        help="What settled means, such as 1ppb/10min; else where a warm-up ends that stands out.",
    )
    @wraps(command)
    def with_part(
        *args: Any,
        begin: str | None,
        end: str | None,
        since: Since | None,
        settle: str | None,
        **rest: Any,
    ) -> Any:
        part = TypedRange(begin=begin, end=end, since=since, settle=settle)
        return command(*args, part=part, **rest)

    return with_part


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeRange:
    """A part of a run, in the file's own seconds, both ends included."""

    begin_s: float
    end_s: float
    since: str
    """How the part was chosen: ``whole``, ``typed``, ``nudge`` or ``settled``."""
    spikes: int
    """Number of spikes left out."""

    def json_values(self, recording: Recording) -> dict[str, object]:
        """Return the part as keys of a JSON line; dates are null if the file has none."""
        return {
            "begin_s": self.begin_s, "end_s": self.end_s,
            "begin": _iso(recording, self.begin_s), "end": _iso(recording, self.end_s),
            "since": self.since, "spikes": self.spikes,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ChosenReadings:
    """The readings of a recording that are used."""

    rows: slice
    """Rows of the chosen part."""
    offsets: FloatArray
    """Fractional offsets of all n readings, (n,); nan for one left out."""
    wild: BoolArray
    """Whether a reading is a spike, found or flagged; all n readings, (n,)."""
    range: TimeRange
    changes: Changes
    """Turns and settling between ``--from`` and ``--to``."""


def choose(recording: Recording, part: TypedRange) -> ChosenReadings:
    """Choose the readings of a recording that the typed options select.

    Raises:
        UsageError: a time can't be read or lies outside the run, or the oscillator has not
            settled within the limit.
        NoReadings: no usable reading is left.
    """
    time_s = recording.time_s
    rows = typed_rows(recording, part)
    wild = spikes_of(recording)
    offsets = used_offsets(recording, wild)
    settle = settle_of(part.settle, recording.nominal)
    changes = changes_of(recording, offsets, rows, settle)
    how = "whole" if part.begin is None and part.end is None else "typed"
    rows, found = part_since(recording, rows, changes, part.since)
    if found:
        how = str(part.since)
    elif part.since == "nudge":
        narrate(f"--since nudge: no nudge is found in {recording.source}; all of it is taken.")
    elif part.since == "settled":
        settled_from(recording, None, limit=None if settle is None else "of --settle")
    if not np.isfinite(offsets[rows]).any():
        raise NoReadings(f"{recording.source} has no usable reading in that part.")
    chosen = TimeRange(
        begin_s=float(time_s[rows.start]),
        end_s=float(time_s[rows.stop - 1]),
        since=how,
        spikes=int(wild[rows].sum()),
    )
    return ChosenReadings(rows=rows, offsets=offsets, wild=wild, range=chosen, changes=changes)


def typed_rows(recording: Recording, part: TypedRange) -> slice:
    """Return the rows between ``--from`` and ``--to``.

    Raises:
        UsageError: a time can't be read, or no reading lies between them.
    """
    time_s = recording.time_s
    first, last = 0, time_s.size
    if part.begin is not None:
        first = int(np.searchsorted(time_s, _moment(recording, part.begin, "--from")))
    if part.end is not None:
        last = int(np.searchsorted(time_s, _moment(recording, part.end, "--to"), side="right"))
    if first >= last:
        raise UsageError(
            f"no reading lies between --from and --to; {recording.source} has readings from "
            f"{when(recording, float(time_s[0]))} to {when(recording, float(time_s[-1]))}."
        )
    return slice(first, last)


def settled_from(
    recording: Recording, settled_s: float | None, *, limit: str | None
) -> float | None:
    """Return the time at which ``--since settled`` begins; None (narrated): at the beginning.

    Args:
        recording: the recording of one counter.
        settled_s: time at which the oscillator settled; None: it has not, or has no clear warm-up.
        limit: where the settle limit was stated, for the message; None: without one, settled means
            after a clear warm-up.

    Raises:
        UsageError: there is a limit, and the oscillator has not settled within it.
    """
    if settled_s is not None:
        return settled_s
    if limit is not None:
        raise UsageError(
            f"--since settled: {recording.source} has not settled at its end, within the limit "
            f"{limit}. State another limit, or choose the part with --from and --to."
        )
    narrate(
        f"--since settled: no end of a warm-up stands out in {recording.source}; all of it is "
        "taken. --settle 1ppb/10min says what settled means."
    )
    return None


def changes_in_range(recording: Recording, chosen: ChosenReadings, what: str) -> str | None:
    """Write a sentence on the changes within the chosen part; None if there are none.

    Args:
        recording: the recording.
        chosen: the chosen part of it.
        what: name of the statistic that includes the changes.
    """
    begin_s, changes = chosen.range.begin_s, chosen.changes
    inside = [at_s for at_s in changes.turns_s if at_s > begin_s]
    found = []
    if changes.settled_s is not None and changes.settled_s > begin_s:
        found.append(f"a warm-up until {when(recording, changes.settled_s)}")
    if inside:
        last = when(recording, inside[-1])
        steps = how_many(len(inside), "step")
        which = "at" if len(inside) == 1 else "the last at"
        found.append(f"{steps} (the trimmer turned, the tool put on or lifted), {which} {last}")
    if not found:
        return None
    return (
        f"{recording.source} holds {' and '.join(found)}, and {what} is of that too; --since "
        "settled, --since nudge, or --from and --to choose a part."
    )


def when(recording: Recording, at_s: float) -> str:
    """Write a time of the run for people: since the first reading, and as a date if known."""
    since_first = format_duration(at_s - float(recording.time_s[0]))
    date = _iso(recording, at_s)
    return since_first if date is None else f"{since_first} ({date})"


def _iso(recording: Recording, at_s: float) -> str | None:
    start_s = recording.utc_start_s
    return None if start_s is None else iso_time(start_s + at_s)


def _moment(recording: Recording, text: str, option: str) -> float:
    """Return the time in `text` (since the first reading, or a date) in the file's seconds."""
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
