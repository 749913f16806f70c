"""The document of a record: an offset as found or as left, and its uncertainty budget.

`SECTIONS` declares the sections in their order. ``benchwatch budget`` prints the full document,
the screen shows the short one; a section added here appears in both.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final, Literal

from benchwatch.clock import iso_time
from benchwatch.estimate.uncertainty.offset_record import CAUTION, OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import USUAL_COVERAGE
from benchwatch.quantity import (
    OffsetUnit,
    QuantityText,
    format_duration,
    how_many,
    in_unit,
    offset_unit,
    printable,
    write_fraction,
    write_hz,
)
from benchwatch.report.blocks import DocumentPart, Phrases, Sentence, Span, Table, plain_text
from benchwatch.report.uncertainty_words import coverage_words, factor_words, freedom_words

MOST_DOF: Final = 300
"""More degrees of freedom are shown as unlimited: k is then within half a percent of its limit. GUM
table G.2 also goes from 100 to infinity."""
SMALLEST_SHOWN: Final = 1e-12
"""The unit of this fraction is used if both the offset and its uncertainty are 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DocumentStyle:
    """The form in which a front end shows the document."""

    unit: OffsetUnit
    """Unit of every fraction in the document."""
    detail: Literal["full", "short"] = "full"
    """Short: without the conditions, and without the whole table of contributions."""
    coverage: float = USUAL_COVERAGE
    """Coverage probability of the expanded uncertainty, 0 to 1."""
    moment: Callable[[float], str | None] = iso_time
    """Writes a time in Unix seconds; returns None when the time is not known."""
    amount: Callable[[QuantityText], str] = str
    """Writes a value with its uncertainty and unit."""
    clean: Callable[[str], str] = printable
    """Escapes text from instruments and files."""


@dataclass(frozen=True, slots=True)
class Section:
    """One section of the document."""

    name: str
    blocks: Callable[[OffsetRecord, DocumentStyle], Iterator[DocumentPart]]
    """Yields the section's blocks for a record; none where it has nothing to show."""


def document(record: OffsetRecord, style: DocumentStyle) -> list[DocumentPart]:
    """Return the blocks of all sections for `record`."""
    return [block for section in SECTIONS for block in section.blocks(record, style)]


def record_unit(record: OffsetRecord) -> OffsetUnit:
    """Return the unit of every fraction in the full document of a record."""
    return offset_unit(max(abs(record.offset), record.u) or SMALLEST_SHOWN)


def record_text(record: OffsetRecord, coverage: float = USUAL_COVERAGE) -> str:
    """Write the full document as plain text, every offset in the same unit.

    Args:
        record: the record.
        coverage: coverage probability of the expanded uncertainty, 0 to 1.
    """
    unit = record_unit(record)
    return plain_text(document(record, DocumentStyle(unit=unit, coverage=coverage)))


def _offset(record: OffsetRecord, style: DocumentStyle) -> Iterator[DocumentPart]:
    """Yield the offset with u and U, the time and the number of readings."""
    u = record.known_u
    fraction = _amount(write_fraction(record.offset, u, style.unit), u, style)
    hertz = ""
    if record.nominal_hz is not None and record.offset_hz is not None:
        u_hz = None if u is None else u * record.nominal_hz
        hertz = _amount(write_hz(record.offset_hz, u_hz), u, style)
    at = None if record.utc_s is None else style.moment(record.utc_s)
    when = f"around {at}" if at else ""
    readings = f"{how_many(record.readings, 'reading')} over {format_duration(record.span_s)}"
    if style.detail == "full":
        head = (record.kind, style.clean(record.counter), when, readings)
        yield Phrases(tuple((Span(text),) for text in head if text))
        yield Sentence(f"offset {', '.join(filter(None, (fraction, hertz)))} (k = 1)")
        yield Sentence(_expanded(record, style))
        return
    value = (Span(f"{record.kind}  ", "quiet"), Span(fraction, "strong"))
    yield Phrases((value, (Span(hertz),)) if hertz else (value,))
    yield Sentence(f"{', '.join(filter(None, (when, readings)))}; k = 1", "quiet")
    yield Sentence(_expanded(record, style))


def _amount(text: QuantityText, u: float | None, style: DocumentStyle) -> str:
    """Write a value with its u, or alone where that is not known."""
    return text.bare if u is None else style.amount(text)


def _expanded(record: OffsetRecord, style: DocumentStyle) -> str:
    """Write U, also in hertz where the nominal is known, with all that GUM 7.2.3 asks beside it."""
    expanded = record.expanded(style.coverage)
    if record.known_u is None:
        return "u and U: unknown"
    if expanded is None:
        return "U: not stated, too few degrees of freedom"
    half = write_fraction(expanded.half_width, expanded.half_width, style.unit)
    amounts = [f"{half.u} {half.unit}"]
    if record.nominal_hz is not None:
        half_hz = expanded.half_width * record.nominal_hz
        hertz = write_hz(half_hz, half_hz)
        amounts.append(f"{hertz.u} {hertz.unit}")
    coverage = coverage_words(expanded.coverage)
    known = f"k = {factor_words(expanded.k)}, {freedom_words(expanded.dof)}, {coverage}"
    return f"U = {', '.join(amounts)} ({known})"


def _conditions(record: OffsetRecord, style: DocumentStyle) -> Iterator[DocumentPart]:
    """Yield the conditions of the measurement; in the short document only the caution."""
    if style.detail == "full":
        for name, value in record.conditions:
            yield Sentence(f"{style.clean(name)}: {style.clean(value)}")
    elif record.caution:
        yield Sentence(f"{CAUTION}: {style.clean(record.caution)}", "warning")


def budget_table(record: OffsetRecord, unit: OffsetUnit) -> Table:
    """Return the whole table of a budget, every contribution in `unit`."""
    return Table(
        ("contribution", f"u in {unit.name}", "distribution", "dof", "sensitivity", "source"),
        tuple(
            (
                row.name,
                in_unit(row.contribution, unit),
                row.distribution,
                f"{row.dof:.3g}" if row.dof <= MOST_DOF else "-",
                f"{row.sensitivity:.6g}",
                row.source,
            )
            for row in record.budget.lines
        ),
    )


def _contributions(record: OffsetRecord, style: DocumentStyle) -> Iterator[DocumentPart]:
    """Yield the table of the budget's contributions."""
    if style.detail == "full":
        yield budget_table(record, style.unit)
        return
    rows = record.budget.lines
    shares = [write_fraction(row.contribution, row.contribution, style.unit) for row in rows]
    yield Table(
        ("contribution", "u", "source"),
        tuple(
            (style.clean(row.name), f"{share.u} {share.unit}", style.clean(row.source))
            for row, share in zip(rows, shares, strict=True)
        ),
    )


def _combined(record: OffsetRecord, style: DocumentStyle) -> Iterator[DocumentPart]:
    """Yield the combined uncertainty below its contributions; nothing in the short document."""
    if style.detail == "short":
        return
    if record.known_u is None:
        yield Sentence("combined u: unknown")
        return
    yield Sentence(f"combined u = {in_unit(record.u, style.unit)} {style.unit.name}")


def _not_counted(record: OffsetRecord, style: DocumentStyle) -> Iterator[DocumentPart]:
    """Yield the contributions that belong in the budget but are not known."""
    missing = record.budget.missing
    if style.detail == "short":
        yield from (Sentence(f"not counted: {style.clean(one)}", "warning") for one in missing)
        return
    yield from (Sentence(f"Not counted: {style.clean(one)}.") for one in missing)
    if missing:
        yield Sentence("While anything is not counted, this uncertainty is a lower limit.")


SECTIONS: Final = (
    Section("offset", _offset),
    Section("conditions", _conditions),
    Section("contributions", _contributions),
    Section("combined uncertainty", _combined),
    Section("not counted", _not_counted),
)
"""The sections of the document, in reading order."""
