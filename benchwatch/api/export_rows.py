"""The rows of a recording as they are exported: times, numbers as written, gates, flags."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import islice
from typing import Final

from benchwatch.quantity import how_many, round_nominal
from benchwatch.reading import OVERRANGE, REPEAT, Flag
from benchwatch.recording import Recording, RecordingGap

OVERRANGE_TEXT: Final = "9.9E37"
"""Stands for a reading over the counter's range (SCPI-99 volume 1, 7.2.1.4)."""
LONGEST_STEP: Final = 1.5
"""Steps of more intervals than this are found to be gaps by a reader of the table."""
ROWS_AT_ONCE: Final = 10_000
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportedRow:
    """One row of a table; None where nothing is known."""

    time_s: float
    utc: datetime | None
    """Rounded to a microsecond."""
    text: str
    """The number as it was written; of an offset, its shortest decimals; empty in a gap."""
    offset: float | None
    """Fractional, with `correction`."""
    gate_s: float | None
    flags: tuple[Flag, ...]
    correction: float | None


def value_column(recording: Recording) -> str:
    """Return the name of the column of numbers: frequencies as they were read, else offsets."""
    return "frequency_hz" if recording.kind == "frequency_hz" else "offset"


def exported_rows(recording: Recording) -> Iterator[ExportedRow]:
    """Yield the rows of a table, in order of time.

    A repeated measurement is left out, as a table can't say that it is none. A row without a
    number marks a gap that the times alone would not show.
    """
    blanks = {gap.before: gap for gap in recording.gaps if _needs_row(recording, gap)}
    has_text = recording.kind == "frequency_hz"
    gates = None if recording.gate_s is None else recording.gate_s.tolist()
    flags, corrections = recording.flags, recording.corrections
    columns = zip(recording.time_s.tolist(), recording.offset.tolist(), strict=True)
    for row, (time_s, offset) in enumerate(columns):
        own = flags.get(row, frozenset())
        if REPEAT in own:
            continue
        if row in blanks:
            yield _blank(recording, blanks[row], row)
        correction = corrections.get(row)
        text = recording.text[row] if has_text else repr(offset)
        if OVERRANGE in own:
            text = OVERRANGE_TEXT
        yield ExportedRow(
            time_s=time_s,
            utc=_moment(recording, time_s),
            text=text,
            offset=corrected(offset, correction),
            gate_s=None if gates is None or math.isnan(gates[row]) else gates[row],
            flags=tuple(sorted(own)),
            correction=correction,
        )


def chunks(recording: Recording) -> Iterator[list[ExportedRow]]:
    """Yield the rows of a table, some thousands at a time."""
    rows = exported_rows(recording)
    while chunk := list(islice(rows, ROWS_AT_ONCE)):
        yield chunk


def corrected(offset: float, correction: float | None) -> float | None:
    """Return an offset with the correction of the time base; None where it is not known.

    True frequency = frequency read · (1 + correction).
    """
    if not math.isfinite(offset):
        return None
    return offset if correction is None else offset + correction + offset * correction


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
    return [*sentences, *_nominal_loss(recording), *phase_loss(recording)]


def _nominal_loss(recording: Recording) -> list[str]:
    """Return a sentence on a nominal that a reader of the table would not guess; none else."""
    nominal, texts = recording.nominal, recording.text
    if recording.kind != "frequency_hz" or nominal is None or not texts:
        return []
    if round_nominal(Decimal(texts[len(texts) // 2])) == nominal:
        return []
    return [f"the nominal is no round number: read the table back with --nominal {nominal:f}."]


def phase_loss(recording: Recording) -> list[str]:
    """Return a sentence on the time error that is lost in the gaps; none without any."""
    if recording.kind != "phase_s" or not recording.gaps:
        return []
    return ["the time error is exported as offsets, and what it did in the gaps is lost."]


def _needs_row(recording: Recording, gap: RecordingGap) -> bool:
    """Return whether a reader of the table needs a row without a number to see a gap."""
    time_s, interval_s = recording.time_s, recording.interval_s
    if not 0 < gap.before < len(recording) or interval_s is None:
        return False
    step_s = float(time_s[gap.before] - time_s[gap.before - 1])
    return 0.0 < step_s <= LONGEST_STEP * interval_s


def _blank(recording: Recording, gap: RecordingGap, row: int) -> ExportedRow:
    before_s, after_s = (float(one) for one in recording.time_s[row - 1 : row + 1])
    at_s = gap.begin_s if before_s < gap.begin_s < after_s else (before_s + after_s) / 2.0
    return ExportedRow(
        time_s=at_s,
        utc=_moment(recording, at_s),
        text="",
        offset=None,
        gate_s=None,
        flags=(),
        correction=None,
    )


def _moment(recording: Recording, time_s: float) -> datetime | None:
    """Return the date of a time of the run; None where the recording has no dates."""
    if recording.utc_start_s is None:
        return None
    try:
        return _EPOCH + timedelta(seconds=recording.utc_start_s + time_s)
    except OverflowError:
        return None
