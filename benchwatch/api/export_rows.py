"""The rows of a recording as they are exported: times, numbers as written, gates, flags."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray, IntArray
from benchwatch.quantity import how_many
from benchwatch.reading import OVERRANGE, REPEAT
from benchwatch.recording import Recording, RecordingGap
from benchwatch.recording.row_spacing import find_spacing

OVERRANGE_TEXT: Final = "9.9E37"
"""Stands for a reading over the counter's range (SCPI-99 volume 1, 7.2.1.4)."""
LONGEST_STEP: Final = 1.5
"""Steps of more intervals than this are found to be gaps by a reader of the table."""
ROWS_AT_ONCE: Final = 10_000
LATEST_DATE_S: Final = 2.5e11
"""Unix seconds near the year 9900: times beyond it are no dates."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ExportedRows:
    """n rows of a table; arrays and lists have one element a row."""

    time_s: FloatArray
    utc_us: IntArray | None
    """Unix microseconds; None: the recording has no dates."""
    text: list[str]
    """The number as it was written; of an offset, its shortest decimals; empty in a gap."""
    offset: FloatArray
    """Fractional, corrected for the time base; nan where it is not known."""
    gate_s: FloatArray
    """nan where it is not known."""
    flags: list[str]
    """The flags of a row with blanks between them."""
    correction: FloatArray
    """nan where `offset` is not corrected."""


def value_column(recording: Recording) -> str:
    """Return the name of the column of numbers: frequencies as they were read, else offsets."""
    return "frequency_hz" if recording.kind == "frequency_hz" else "offset"


def chunks(recording: Recording) -> Iterator[ExportedRows]:
    """Yield the rows of a table in order of time, `ROWS_AT_ONCE` readings at a time.

    A repeated measurement is left out, as a table can't say that it is none. A row without a
    number marks a gap that the times alone would not show.
    """
    blanks = _blank_rows(recording) if recording.gaps else {}
    offset, correction = corrected_offsets(recording)
    for first in range(0, len(recording), ROWS_AT_ONCE):
        yield _chunk(recording, slice(first, first + ROWS_AT_ONCE), offset, correction, blanks)


def corrected_offsets(recording: Recording) -> tuple[FloatArray, FloatArray]:
    """Return the offsets, corrected for the time base, and the corrections, (n,) each.

    True frequency = frequency read · (1 + correction). nan: not known, or not corrected.
    """
    offset = recording.offset.copy()
    correction = np.full(offset.shape, np.nan)
    for row, by in recording.corrections.items():
        offset[row] += by + offset[row] * by
        correction[row] = by
    return offset, correction


def _chunk(
    recording: Recording,
    rows: slice,
    offset: FloatArray,
    correction: FloatArray,
    blanks: dict[int, float],
) -> ExportedRows:
    numbers = np.arange(len(recording))[rows]
    time_s, flags = recording.time_s[rows], [""] * numbers.size
    text = _texts(recording, rows)
    begin = rows.start
    kept = np.ones(numbers.size, dtype=bool)
    if recording.flags:
        for i, row in enumerate(numbers.tolist()):
            own = recording.flags.get(row)
            if own:
                flags[i] = " ".join(sorted(own))
                kept[i] = REPEAT not in own
                text[i] = OVERRANGE_TEXT if OVERRANGE in own else text[i]
    gate_s = recording.gate_s
    gates = np.full(numbers.size, np.nan) if gate_s is None else gate_s[rows]
    gaps = [row - begin for row in blanks if begin <= row < begin + numbers.size]
    offset, correction = offset[rows], correction[rows]
    if gaps or not kept.all():
        gap_times = [blanks[row + begin] for row in gaps]
        time_s = np.insert(time_s, gaps, gap_times)
        kept = np.insert(kept, gaps, values=True)
        order = np.argsort(time_s, kind="stable")
        order = order[kept[order]]
        time_s = time_s[order]
        offset, correction, gates = (
            np.insert(one, gaps, np.nan)[order] for one in (offset, correction, gates)
        )
        for at, row in enumerate(sorted(gaps)):
            text.insert(row + at, "")
            flags.insert(row + at, "")
        text = [text[i] for i in order.tolist()]
        flags = [flags[i] for i in order.tolist()]
    return ExportedRows(
        time_s=time_s,
        utc_us=_unix_microseconds(recording, time_s),
        text=text,
        offset=offset,
        gate_s=gates,
        flags=flags,
        correction=correction,
    )


def _texts(recording: Recording, rows: slice) -> list[str]:
    if recording.kind == "frequency_hz":
        return list(recording.text[rows])
    return list(map(repr, recording.offset[rows].tolist()))


def losses(recording: Recording) -> list[str]:
    """Return sentences on what a table can't say of a recording."""
    sentences = []
    repeats = sum(REPEAT in flags for flags in recording.flags.values())
    if repeats:
        what = how_many(repeats, "repeated reading")
        sentences.append(f"{what} left out: a table can't say that they are no measurements.")
    if recording.marks:
        what = how_many(len(recording.marks), "note")
        sentences.append(f"{what} left out of the table; JSON lines keep them.")
    sentences += _flag_loss(recording) + _correction_loss(recording)
    return [*sentences, *phase_loss(recording)]


def _flag_loss(recording: Recording) -> list[str]:
    """Return a sentence on flags that a reader of the table does not look at; none without any."""
    found = {flag for flags in recording.flags.values() for flag in flags} - {REPEAT, OVERRANGE}
    if not found:
        return []
    words = ", ".join(sorted(found))
    return [f"the flags {words} are not read back from a table; JSON lines keep them."]


def _correction_loss(recording: Recording) -> list[str]:
    """Return a sentence on corrections, which the numbers as read lack; none without any."""
    if not recording.corrections or recording.kind != "frequency_hz":
        return []
    how = "read them back with --value-column fractional_offset"
    return [f"frequency_hz is as read, and the offsets are corrected for the time base: {how}."]


def phase_loss(recording: Recording) -> list[str]:
    """Return a sentence on the time error that is lost in the gaps; none without any."""
    if recording.kind != "phase_s" or not recording.gaps:
        return []
    return ["the time error is exported as offsets, and what it did in the gaps is lost."]


def _blank_rows(recording: Recording) -> dict[int, float]:
    """Return the times of the rows that mark gaps, by the number of the reading after each."""
    steps_s = np.diff(recording.time_s)
    longest_s = find_spacing(steps_s, gaps_reported=False, stated_s=None).longest_s
    return {
        gap.before: _blank_time(recording, gap)
        for gap in recording.gaps
        if _needs_row(recording, gap, longest_s)
    }


def _needs_row(recording: Recording, gap: RecordingGap, longest_s: float) -> bool:
    """Return whether a reader of the table needs a row without a number to see a gap.

    That reader takes steps up to `longest_s`, by the times alone, for none with a missing row.
    """
    time_s, interval_s = recording.time_s, recording.interval_s
    if not 0 < gap.before < len(recording) or interval_s is None:
        return False
    step_s = float(time_s[gap.before] - time_s[gap.before - 1])
    return 0.0 < step_s <= max(LONGEST_STEP * interval_s, longest_s)


def _blank_time(recording: Recording, gap: RecordingGap) -> float:
    """Return a time within a gap, in seconds, which lies between the readings around it."""
    before_s, after_s = recording.time_s[gap.before - 1 : gap.before + 1].tolist()
    inside = before_s < gap.begin_s < after_s
    return gap.begin_s if inside else float(before_s + after_s) / 2.0


def _unix_microseconds(recording: Recording, time_s: FloatArray) -> IntArray | None:
    """Return the dates of times of the run; None where the recording has no dates."""
    start_s = recording.utc_start_s
    if start_s is None or not time_s.size or np.abs(time_s + start_s).max() > LATEST_DATE_S:
        return None
    return np.round((time_s + start_s) * 1e6).astype(np.int64)
