"""The row of the records: as found and as left, or a request to make one."""

from typing import TYPE_CHECKING

from benchwatch.quantity import write_fraction
from benchwatch.screen.drawing.styled_text import Role, StyledLine, fitting, line
from benchwatch.screen.frame import Frame
from benchwatch.screen.panels.status_text import last_turn, warming
from benchwatch.screen.shared_keys import AS_FOUND_KEY
from benchwatch.screen.text.amounts import with_u

if TYPE_CHECKING:
    from benchwatch.estimate.uncertainty.offset_record import OffsetRecord


def records_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the as-found and as-left records, or a request to make one."""
    records = frame.snapshot.records
    found = records.as_found if records is not None else None
    if found is None and records is not None and records.as_left is not None:
        left = line(f"  as found: none; as left {record_words(frame, records.as_left)}")
        why, sign = (_caution(frame, records.as_left, short=short) for short in (False, True))
        return [fitting(width, left + why, left + sign)]
    if records is None or found is None:
        return [_no_as_found(frame, width)]
    kept = " (automatic)" if records.as_found_automatic else ""
    as_found = f"  as found {record_words(frame, found)}"
    if records.as_left is None:
        row, why = line(as_found + kept), _caution(frame, found)
        short = line(as_found) + why if why.width else row
        return [
            fitting(width, row + why, short, line(as_found) + _caution(frame, found, short=True))
        ]
    left = line(f"  as left {record_words(frame, records.as_left)}")
    why, sign = (_caution(frame, records.as_left, short=short) for short in (False, True))
    found_sign = _caution(frame, found, short=True)
    found_row = line(as_found) + found_sign
    text = write_fraction(found.offset, found.u, frame.unit)
    with_unit, value = (
        line(f"  as found {words}") + found_sign for words in (text.bare, text.digits)
    )
    value_left = write_fraction(records.as_left.offset, records.as_left.u, frame.unit).bare
    return [
        fitting(
            width,
            line(as_found + kept) + _caution(frame, found) + line(" ") + left + why,
            found_row + line(" ") + left + why,
            found_row + line(" ") + left + sign,
            with_unit + line(" ") + left + sign,
            value + line(", ") + line(left.plain.strip()) + sign,
            value + line(f", as left {value_left}") + sign,
        )
    ]


def _no_as_found(frame: Frame, width: int) -> StyledLine:
    """Write why there is no as-found record yet, and what to do about it."""
    station = frame.snapshot.station
    if station is not None:
        where = frame.theme.printable(station, 70)
        return line((f"  as found: not recorded yet at {where}", Role.DIM))
    how, short = "", ""
    key = frame.label_of(AS_FOUND_KEY)
    if warming(frame):
        why, how = "not yet, still warming", f"{key} records it all the same"
    elif last_turn(frame) is not None:
        why, how = "none, turned before it was known", f"{key} records the present offset"
    else:
        why, how, short = (
            "not recorded yet", f"{key} records it, before the first nudge",
            f"press {key} before the first nudge",
        )  # fmt: skip
    if not frame.operator:
        return line((f"  as found: {why}", Role.DIM))
    long = line((f"  as found: {why}; {how}", Role.OFF))
    return fitting(width, long, line((f"  as found: {short or why}", Role.OFF)))


def _caution(frame: Frame, record: "OffsetRecord", *, short: bool = False) -> StyledLine:
    """Write the caution of a record; when `short`, only a sign that there is one."""
    text = record.caution
    if not text:
        return StyledLine()
    return line((" (!)" if short else f" (! {frame.theme.printable(text)})", Role.OFF))


def record_words(frame: Frame, record: "OffsetRecord") -> str:
    """Write a recorded offset with its combined uncertainty."""
    text = write_fraction(record.offset, record.u, frame.unit)
    return with_u(text, frame.theme.glyphs.plus_minus)


def has_as_found(frame: Frame) -> bool:
    """Return whether as found is on record."""
    return frame.snapshot.records is not None and frame.snapshot.records.as_found is not None


def has_as_left(frame: Frame) -> bool:
    """Return whether as left is on record."""
    return frame.snapshot.records is not None and frame.snapshot.records.as_left is not None
