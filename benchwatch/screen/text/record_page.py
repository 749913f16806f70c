"""What was recorded, as text: as found and as left, each with its budget."""

from typing import TYPE_CHECKING

from benchwatch.pipeline.cautions import cautions_of
from benchwatch.quantity import format_duration, how_many, write_fraction, write_hz
from benchwatch.screen.drawing.frame import Frame
from benchwatch.screen.drawing.styled_text import Ink, Line, line, wrapped, wrapped_text
from benchwatch.screen.text.amounts import with_u
from benchwatch.screen.text.local_time import date_and_time

if TYPE_CHECKING:
    from benchwatch.estimate.uncertainty.offset_record import OffsetRecord

NAME_CELLS, SOURCE_FROM = 24, 38
"""Cells of a contribution's name, and where its source begins."""
WIDE = 70
"""Pages from so many cells on have room for the source beside the figure."""


def budget_lines(frame: Frame, width: int) -> list[Line]:
    """Draw both records in rows of at most `width` cells."""
    records = frame.snapshot.records
    drawn = [line(("Records", Ink.STRONG)), Line()]
    kept = [one for one in (records.as_found, records.as_left) if one] if records else []
    if not kept:
        return [*drawn, *wrapped_text("Nothing has been recorded yet.", width)]
    for record in kept:
        drawn += _record(frame, record, width)
    return drawn


def _record(frame: Frame, record: "OffsetRecord", width: int) -> list[Line]:
    plus_minus = frame.look.glyphs.plus_minus
    fraction = with_u(write_fraction(record.offset, record.u, frame.unit), plus_minus)
    said = [line((f"{record.kind}  ", Ink.DIM), (fraction, Ink.STRONG))]
    if record.nominal_hz is not None and record.offset_hz is not None:
        hertz = write_hz(record.offset_hz, record.u * record.nominal_hz)
        said.append(line(with_u(hertz, plus_minus)))
    drawn = wrapped(said, width)
    when = "" if record.utc_s is None else f"around {date_and_time(record.utc_s)}, "
    span = format_duration(record.span_s)
    drawn += wrapped_text(
        f"{when}{how_many(record.readings, 'reading')} over {span}; k = 1", width, Ink.DIM
    )
    caution = cautions_of(record)
    if caution:
        drawn += wrapped_text(f"caution: {frame.look.told(caution)}", width, Ink.OFF)
    for one in record.budget.lines:
        share = write_fraction(one.contribution, one.contribution, frame.unit)
        name = line(f"  {frame.look.told(one.name)}").fit(NAME_CELLS + 1, frame.look.glyphs.cut)
        drawn += _with_source(
            name + line(f" {share.u} {share.unit}"), frame.look.told(one.source), width
        )
    for missing in record.budget.missing:
        drawn += wrapped_text(f"not counted: {frame.look.told(missing)}", width, Ink.OFF)
    return [*drawn, Line()]


def _with_source(start: Line, source: str, width: int) -> list[Line]:
    """Put where a contribution comes from beside it, or below it where there is no room."""
    beside = width >= WIDE and start.width < SOURCE_FROM
    indent = SOURCE_FROM if beside else 4
    first, *more = wrapped_text(source or "-", width - indent, Ink.DIM)
    below = [line(" " * indent) + row for row in ((first, *more) if not beside else more)]
    return [start.fit(SOURCE_FROM) + first, *below] if beside else [start, *below]
