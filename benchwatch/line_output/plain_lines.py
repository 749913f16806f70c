"""Lines for people."""

import json
import math

from benchwatch.clock import iso_time
from benchwatch.colours import marked_good, marked_off
from benchwatch.errors import FileError
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.estimate.results import Numbers
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.line_output.line_writer import EndOfRun, LineEvent, Written
from benchwatch.pipeline.dial_check_words import check_words
from benchwatch.pipeline.time_base_correction import correction_words
from benchwatch.quantity import (
    OFFSET_UNITS,
    OffsetUnit,
    format_duration,
    how_many,
    offset_unit,
    printable,
    write_fraction,
    write_hz,
)
from benchwatch.reading import CheckMade, Gap, Mark, Reading, Record
from benchwatch.snapshot import ComparisonNow


class PlainWriter:
    """Writes lines for people; a counter's unit changes only when the offset no longer fits it.

    Args:
        colour: whether words that say how it stands are marked by colours too.
        unit: name of the unit of all fractions; None: by size.
    """

    def __init__(self, *, colour: bool = False, unit: str | None = None) -> None:
        self._fixed = next((one for one in OFFSET_UNITS if one.name == unit), None)
        self._units: dict[str, OffsetUnit] = {}
        self._good = marked_good if colour else _unmarked
        self._off = marked_off if colour else _unmarked

    def __call__(self, event: Written, numbers: Numbers, not_on_disk: int | None = None, /) -> str:
        """Return one line."""
        if isinstance(event, EndOfRun):
            readings = how_many(event.readings, "reading")
            return f"end: {event.reason}; {readings}, {how_many(event.gaps, 'gap')}"
        if isinstance(event, ComparisonNow):
            said = " ".join(event.sentences) or event.waits or "nothing to compare yet"
            names = ", ".join(map(printable, event.counters))
            return f"{_clock_time(event)}  {names}  comparison: {printable(said, 2000)}"
        start = f"{_clock_time(event)}  {printable(event.counter)}"
        if isinstance(event, Gap):
            lasted = format_duration(event.lasted_s)
            return f"{start}  {self._off(f'gap of {lasted}')}: {printable(event.reason, 200)}"
        if isinstance(event, Mark | CheckMade):
            return f"{start}  {_said(event)}"
        if isinstance(event, Record):
            return f"{start}  put on record {printable(event.kind)}{self._recorded(event)}"
        waits = [f"(not on disk: {not_on_disk})"] if not_on_disk else []
        words = [*map(self._off, (*sorted(event.flags), *waits))]
        return "  ".join([start, *self._values(event, numbers), *words])

    def _recorded(self, event: Record) -> str:
        """Return the offset of a record and its cautions; nothing if it can't be read."""
        try:
            record = OffsetRecord.from_dict(json.loads(event.document))
        except (FileError, ValueError):
            return ""
        value = write_fraction(record.offset, record.u, self._units.get(event.counter, self._fixed))
        caution = printable(record.caution, 200)
        return f" {value}" + (f"; {self._off('caution')}: {caution}" if caution else "")

    def _values(self, reading: Reading, numbers: Numbers) -> list[str]:
        """Return the pieces of a reading's line: the reading, the numbers, the states."""
        words = [f"reading {printable(reading.text) or '-'} Hz"]
        if math.isfinite(reading.offset_hz):
            words.append(f"{_signed_hz(reading)} Hz")
        estimate = numbers.estimate
        if estimate is not None:
            unit = self._fixed or offset_unit(estimate.offset, self._units.get(reading.counter))
            self._units[reading.counter] = unit
            value = write_fraction(estimate.offset, estimate.u, unit)
            words.append(f"estimate {value} ({how_many(estimate.readings, 'reading')})")
        nudge = numbers.confirmed_nudge
        if nudge is not None:
            size = write_fraction(nudge.size, nudge.u, self._units.get(reading.counter))
            words.append(f"nudge {size}")
        if numbers.rest is not None:
            rest = numbers.rest
            where = write_fraction(rest.offset, rest.u, self._units.get(reading.counter))
            words.append(f"will rest at {where}")
        if numbers.settle is not None:
            state = numbers.settle.state
            words.append(self._good(state) if state == "settled" else state)
        if numbers.tolerance is not None:
            inside = numbers.tolerance.inside
            words.append(self._good("inside") if inside else self._off("outside"))
        if reading.correction is not None:
            words.append(f"({correction_words(reading)})")
        return words


def _unmarked(text: str) -> str:
    """Return text as it is, for lines without colours."""
    return text


def _said(event: Mark | CheckMade) -> str:
    """Return a mark, or a check as a sentence; nothing of a check that can't be read."""
    if isinstance(event, Mark):
        return f"mark: {printable(event.text, 200)}"
    return f"check {check_words(DialCheck.from_dict(json.loads(event.document)))}"


def _signed_hz(reading: Reading) -> str:
    """Write the reading's offset in hertz with as many decimals as the counter wrote."""
    if reading.resolution_hz > 0:
        decimals = min(12, max(0, -math.floor(math.log10(reading.resolution_hz) + 1e-9)))
        return f"{reading.offset_hz:+.{decimals}f}"
    return write_hz(reading.offset_hz).digits


def _clock_time(event: LineEvent | ComparisonNow) -> str:
    """Return the time in UTC; seconds of the run if it is unknown."""
    stamp = iso_time(event.utc_s)
    return f"{event.elapsed_s:.3f} s" if stamp is None else stamp
