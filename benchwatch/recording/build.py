"""From rows to a recording: exact offsets, holes, the interval."""

from bisect import bisect_left
from dataclasses import dataclass
from decimal import Context, Decimal
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import difference, format_frequency, last_digit, round_nominal
from benchwatch.reading import OVERRANGE
from benchwatch.recording.holes import LONGEST_STEP, find_holes
from benchwatch.recording.record import FloatArray, Hole, Kind, Recording
from benchwatch.recording.rows import OVERRANGE_FROM, Rows, place
from benchwatch.recording.units import check_units

SHORTEST_PERIOD_S: Final = Decimal("1e-20")
UNEVEN: Final = 0.2
"""A file is called uneven when one step in twenty is off by this part of an interval."""

_EXACT: Final = Context(prec=60)


@dataclass(frozen=True, slots=True)
class _Found:
    """The rows with a number, and what all of them share."""

    rows: Rows
    row: list[int]
    """Their indices among the rows."""
    time_s: FloatArray
    values: list[Decimal]
    over: set[int]
    """Which of them are over the counter's range."""
    nominal: Decimal | None
    interval_s: float | None
    holes: list[Hole]
    notes: list[str]


def build(rows: Rows, nominal: Decimal | None, interval_s: float | None) -> Recording:
    """Make a recording of `rows`.

    Args:
        rows: at least one.
        nominal: hertz; when None the file's own, or the round number the readings are near.
        interval_s: seconds from row to row; when None the median step.

    Raises:
        FileError: no row has a number, times do not advance, or the unit is plainly another.
        UsageError: a nominal is needed and none can be guessed.
    """
    time_s = _advancing(rows)
    interval_s = interval_s or _interval_s(rows, time_s)
    good = [row for row, text in enumerate(rows.text) if _is_value(text, rows.kind)]
    if not good:
        raise FileError(
            f"{rows.source}: none of its {len(rows.text)} rows has a value in column {rows.kind}."
        )
    values = [Decimal(rows.text[row] or "") for row in good]
    if rows.exact is not None:
        values = [rows.exact[row] for row in good]
    over = {i for i, value in enumerate(values) if abs(value) >= OVERRANGE_FROM}
    if len(over) == len(good):
        raise FileError(
            f"{rows.source}: none of its {len(rows.text)} rows has a frequency: {len(over)} over "
            f"the counter's range, {len(rows.text) - len(good)} empty."
        )
    notes = list(rows.notes)
    nominal = nominal or rows.nominal
    if nominal is None and rows.kind in {"frequency_hz", "period_s"}:
        nominal = _guess(rows, [value for i, value in enumerate(values) if i not in over], notes)
    notes += _uneven(rows.source, time_s, interval_s)
    floats = np.array([np.nan if i in over else float(v) for i, v in enumerate(values)])
    notes += check_units(rows.source, rows.kind, floats, nominal)
    holes = find_holes(rows, good, time_s, interval_s or 0.0)
    found = _Found(rows, good, time_s[good], values, over, nominal, interval_s, holes, notes)
    return _from_phase(found) if rows.kind == "phase_s" else _from_frequency(found)


def _interval_s(rows: Rows, time_s: FloatArray) -> float | None:
    """Return the median step, those across gaps that the file itself reports left out."""
    steps = np.diff(time_s)
    if not steps.size:
        return None
    plain = np.ones(steps.size, dtype=bool)
    plain[[gap.before - 1 for gap in rows.gaps if 0 < gap.before <= steps.size]] = False
    return float(f"{np.median(steps[plain] if plain.any() else steps):.12g}")


def _is_value(text: str | None, kind: Kind) -> bool:
    """Only a frequency can be over range: that tells of the counter; elsewhere it is a blank."""
    return text is not None and (kind == "frequency_hz" or abs(Decimal(text)) < OVERRANGE_FROM)


def _advancing(rows: Rows) -> FloatArray:
    for row, (earlier, later) in enumerate(zip(rows.time, rows.time[1:], strict=False), start=1):
        if later <= earlier:
            raise FileError(
                f"{place(rows.source, rows.line[row])}: the time does not advance "
                f"({earlier} s, then {later} s). Sort the file by time and remove doubled rows; "
                "if two runs were joined, split it here."
            )
    return np.array(rows.time, dtype=np.float64)


def _guess(rows: Rows, values: list[Decimal], notes: list[str]) -> Decimal:
    typical = sorted(values)[len(values) // 2]
    if rows.kind == "period_s" and typical:
        typical = _EXACT.divide(Decimal(1), typical)
    if rows.kind == "frequency_hz":
        check_units(rows.source, rows.kind, np.array([float(typical)]), None)
    nominal = round_nominal(typical)
    if nominal is None:
        raise UsageError(
            f"{rows.source}: readings near {typical:.9g} Hz are near no round number. Give the "
            "nominal, such as --nominal 10MHz."
        )
    notes.append(
        f"{rows.source}: nominal taken as {format_frequency(nominal)}, the round number the "
        "readings are near; --nominal says otherwise."
    )
    return nominal


def _from_frequency(found: _Found) -> Recording:
    rows = found.rows
    offset_hz, offset = _offsets(found)
    texts = tuple(rows.text[row] or "" for row in found.row)
    flags = {i: rows.flags[row] for i, row in enumerate(found.row) if row in rows.flags}
    flags |= {i: flags.get(i, frozenset()) | {OVERRANGE} for i in found.over}
    resolution_hz = 0.0
    if rows.kind == "frequency_hz":
        written = (Decimal(text) for i, text in enumerate(texts) if i not in found.over)
        resolution_hz = min(map(last_digit, written), default=0.0)
    return Recording(
        rows.source,
        rows.kind,
        found.time_s,
        offset,
        offset_hz,
        texts,
        found.nominal,
        found.interval_s,
        resolution_hz=resolution_hz,
        gate_s=None if rows.gate_s is None else tuple(rows.gate_s[row] for row in found.row),
        counter=rows.counter,
        utc_start_s=rows.epoch_s,
        flags=flags,
        time_base="external" if rows.external else "unknown",
        corrections={
            i: rows.corrections[row] for i, row in enumerate(found.row) if row in rows.corrections
        },
        holes=tuple(found.holes),
        marks=tuple(
            (bisect_left(found.row, before), at_s, text) for before, at_s, text in rows.marks
        ),
        notes=tuple(found.notes),
    )


def _offsets(found: _Found) -> tuple[FloatArray, FloatArray]:
    """Return (hertz, fraction); nan where over range, and hertz nan without a nominal."""
    nominal = found.nominal
    pairs = np.full((len(found.values), 2), np.nan)
    for i, value in enumerate(found.values):
        if i in found.over:
            continue
        if found.rows.kind == "offset":
            hertz = np.nan if nominal is None else float(_EXACT.multiply(value, nominal))
            pairs[i] = hertz, float(value)
            continue
        assert nominal is not None
        if found.rows.kind == "frequency_hz":
            pairs[i] = difference(value, nominal)
            continue
        if value < SHORTEST_PERIOD_S:
            where = place(found.rows.source, found.rows.line[found.row[i]])
            raise FileError(f"{where}: a period of {value} s is none. Mend or remove the line.")
        pairs[i] = difference(_EXACT.divide(Decimal(1), value), nominal)
    return pairs[:, 0].copy(), pairs[:, 1].copy()


def _from_phase(found: _Found) -> Recording:
    """Offsets are the exact steps of the time error over the interval (IEEE 1139-2008, 2)."""
    broken = {hole.before for hole in found.holes}
    after = [i for i in range(1, len(found.values)) if i not in broken]
    if not after or found.interval_s is None:
        raise FileError(
            f"{found.rows.source}: a time error needs two rows in succession to say anything."
        )
    steps = [float(_EXACT.subtract(found.values[i], found.values[i - 1])) for i in after]
    offset = np.array(steps) / found.interval_s
    index = np.array(after)
    return Recording(
        found.rows.source,
        "phase_s",
        (found.time_s[index] + found.time_s[index - 1]) / 2,
        offset,
        offset * (np.nan if found.nominal is None else float(found.nominal)),
        tuple(found.rows.text[found.row[i]] or "" for i in after),
        found.nominal,
        found.interval_s,
        utc_start_s=found.rows.epoch_s,
        holes=tuple(_phase_hole(hole, found.time_s, index) for hole in found.holes),
        notes=tuple(found.notes),
    )


def _phase_hole(hole: Hole, time_s: FloatArray, after: NDArray[np.intp]) -> Hole:
    """Stretch a hole between rows from row to row: no offset covers any of it."""
    before = int(np.searchsorted(after, hole.before))
    begin_s = float(time_s[hole.before - 1]) if hole.before else hole.begin_s
    end_s = hole.begin_s + hole.lasted_s
    if hole.before < len(time_s):
        end_s = float(time_s[hole.before])
    return Hole(before, begin_s, end_s - begin_s, hole.reason)


def _uneven(source: str, time_s: FloatArray, interval_s: float | None) -> list[str]:
    if interval_s is None or len(time_s) < 3:
        return []
    steps = np.diff(time_s)
    steps = steps[steps <= LONGEST_STEP * interval_s]
    off = np.abs(steps - interval_s) > UNEVEN * interval_s
    if steps.size == 0:
        return [f"{source}: every step is longer than the interval of {interval_s:.6g} s given."]
    if np.mean(off) <= 0.05:
        return []
    note = (
        f"{source}: the time from row to row varies from {steps.min():.4g} s to "
        f"{steps.max():.4g} s; stability takes it as {interval_s:.6g} s throughout."
    )
    return [note]
