"""The documents of a visit and of a unit: what the register has of it, for people."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from benchwatch.estimate.ageing.ageing_forecast import AgeingForecast
from benchwatch.estimate.ageing.visit_history import Interval
from benchwatch.estimate.uncertainty.limit_side import record_side
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import DEFAULT_COVERAGE, USUAL_COVERAGE
from benchwatch.quantity import (
    QuantityText,
    format_duration,
    format_frequency,
    offset_unit,
    printable,
    write_fraction,
)
from benchwatch.register.registered_unit import Unit
from benchwatch.register.visit import (
    TYPED_TABLE,
    Remark,
    Visit,
    VisitCheck,
    tolerance_of,
)
from benchwatch.report.amendment_words import amendment_words
from benchwatch.report.blocks import DocumentPart, Sentence, Table
from benchwatch.report.due_words import due_words, history_cautions
from benchwatch.report.issue_words import issue_blocks
from benchwatch.report.offset_amounts import amount, record_amount, short_limit
from benchwatch.report.side_words import side_words
from benchwatch.report.uncertainty_words import COVERAGE_WORDS, factor_words
from benchwatch.report.unit_standing import UnitStanding
from benchwatch.report.visit_style import NAMELESS, VisitStyle

LONGEST_SENTENCE_CHARS: Final = 2500
ALIKE: Final = 0.05
"""A change expected in a year that differs from the rate by less than this share is the same."""
CHECK_COLUMNS: Final = (
    "difference is read less foretold, ± U (95 %); limit: a quarter of the tolerance (common "
    "practice)"
)


def unit_facts(unit: Unit) -> list[str]:
    """Return what a unit states of itself, one phrase a fact."""
    facts = []
    if unit.nominal_hz is not None:
        facts.append(f"nominal {format_frequency(unit.nominal_hz)}")
    if unit.tolerance is not None:
        facts.append(f"tolerance {short_limit(unit.tolerance)}")
    if unit.settle is not None and unit.settle_horizon_s is not None:
        horizon = format_duration(unit.settle_horizon_s)
        facts.append(f"settled within {short_limit(unit.settle)} in {horizon}")
    if unit.working_hz:
        facts.append(f"used at {', '.join(map(format_frequency, unit.working_hz))}")
    if unit.checks:
        facts.append(f"checked at {', '.join(map(format_frequency, unit.checks))}")
    facts += [f"place {unit.place}"] * bool(unit.place)
    facts += [f"owner {unit.owner}"] * bool(unit.owner)
    return facts


def unit_document(standing: UnitStanding, style: VisitStyle) -> list[DocumentPart]:
    """Return all of one unit: what it is, how it stands, its visits and its ageing."""
    return [_harmless(block) for block in _unit_blocks(standing, style)]


def _unit_blocks(standing: UnitStanding, style: VisitStyle) -> Iterator[DocumentPart]:
    unit, newest = standing.unit, standing.newest
    about = f": {unit.description}" if unit.description else ""
    yield Sentence(f"{unit.ident}{about}", "strong")
    for fact in unit_facts(unit):
        yield Sentence(fact)
    if newest is not None:
        known = newest.u is not None
        limit, verdict = unit.tolerance, ""
        if standing.side is not None and limit is not None:
            verdict = f", {side_words(standing.side, limit, u_known=known)}"
        value = amount(newest.offset, newest.u) + ("" if known else ", u unknown")
        yield Sentence(f"newest record {value}, {style.moment(newest.utc_s)}{verdict}")
        if newest.caution:
            yield Sentence(f"caution (newest record): {newest.caution}", "warning")
    yield _due(standing, style)
    yield from rate_sentences(standing)
    yield from forecast_sentences(standing)
    if standing.visits:
        yield visits_table(standing.visits, style)
    if standing.history.intervals:
        yield from interval_blocks(standing.history.intervals)
    for caution in history_cautions(standing.history):
        yield Sentence(f"caution: {caution}", "warning")


def visits_table(visits: Sequence[Visit], style: VisitStyle) -> Table:
    """Return a table of visits, each with its offsets as found and as left."""
    return Table(
        ("visit", "opened", "as found", "as left", "state"),
        tuple(
            (
                style.label(visit),
                style.day(visit.opened_utc_s),
                record_amount(visit.as_found),
                record_amount(visit.as_left),
                state_words(visit),
            )
            for visit in visits
        ),
    )


def visit_document(
    visit: Visit,
    standing: UnitStanding | None,
    style: VisitStyle,
    run_numbers: Mapping[int, int],
) -> list[DocumentPart]:
    """Return all of one visit.

    Args:
        visit: the visit.
        standing: how its unit stands; None for a nameless visit.
        style: how times are written.
        run_numbers: numbers of its runs in their journals, by key, as far as they are known.
    """
    return [_harmless(block) for block in _visit_blocks(visit, standing, style, run_numbers)]


def _harmless(block: DocumentPart) -> DocumentPart:
    """Escape a sentence; a register may come from elsewhere. Tables escape their cells."""
    if isinstance(block, Sentence):
        return Sentence(printable(block.text, LONGEST_SENTENCE_CHARS), block.tone)
    return block


def _visit_blocks(
    visit: Visit,
    standing: UnitStanding | None,
    style: VisitStyle,
    run_numbers: Mapping[int, int],
) -> Iterator[DocumentPart]:
    of = f" of {visit.unit}" if visit.unit else ", not named yet"
    yield Sentence(f"visit {style.label(visit)}{of}", "strong")
    yield from _visit_facts(visit, style)
    tolerance = tolerance_of(visit, None if standing is None else standing.unit)
    yield from _records(visit, style, tolerance)
    if visit.pulls:
        pulls = ", ".join(amount(size, u) for size, u in visit.pulls)
        yield Sentence(f"the tool pulls {pulls}")
    yield from check_blocks(visit.checks, style)
    yield from _remarks(visit.remarks, style)
    yield from _chain(visit.comparison, style)
    if visit.runs:
        yield Table(
            ("run", "began", "counter", "resource", "journal"),
            tuple(
                (
                    str(run_numbers.get(run.key, NAMELESS)),
                    style.moment(run.at_utc_s),
                    run.counter,
                    printable(run.resource, 60),
                    run.journal,
                )
                for run in visit.runs
            ),
        )
    for one in visit.amendments:
        yield Sentence(amendment_words(one, style.entry), "quiet")
    yield from issue_blocks(visit.issues, style)
    if standing is not None:
        labels = {visit.name, str(visit.number)}
        here = [
            one for one in standing.history.intervals if labels & {one.from_visit, one.to_visit}
        ]
        if here:
            yield from interval_blocks(here)
        yield _due(standing, style)
        for caution in history_cautions(standing.history):
            yield Sentence(f"caution: {caution}", "warning")


def _visit_facts(visit: Visit, style: VisitStyle) -> Iterator[DocumentPart]:
    """Yield when a visit was, and what it was measured against."""
    yield Sentence(f"opened {style.moment(visit.opened_utc_s)}{_source(visit)}")
    if visit.closed_utc_s is None:
        yield Sentence("open")
    else:
        by = f" by {printable(visit.closed_by, 40)}" if visit.closed_by else ""
        yield Sentence(f"closed {style.moment(visit.closed_utc_s)}{by}")
    if visit.nominal_hz is not None:
        yield Sentence(f"nominal {format_frequency(visit.nominal_hz)}")
    if visit.tolerance is not None:
        yield Sentence(f"tolerance {short_limit(visit.tolerance)}")


def interval_blocks(intervals: Sequence[Interval]) -> Iterator[Sentence | Table]:
    """Yield the changes between visits, with the trimmer left alone."""
    yield Sentence("changes from as left of one visit to as found of the next:")
    yield Table(
        ("from visit", "to visit", "days", "change", "a year"),
        tuple(
            (
                one.from_visit,
                one.to_visit,
                f"{one.days:.0f}" if one.days >= 1 else f"{one.days:.2g}",
                amount(one.change, one.u),
                NAMELESS if one.per_year is None else amount(one.per_year, one.u_per_year),
            )
            for one in intervals
        ),
    )


def state_words(visit: Visit) -> str:
    """Return whether a visit is open, and whether it was typed."""
    state = "open" if visit.closed_utc_s is None else "closed"
    return f"{state}, typed" if visit.source == TYPED_TABLE else state


def _due(standing: UnitStanding, style: VisitStyle) -> Sentence:
    words = due_words(standing.due, style.now_utc_s)
    return Sentence(f"due date: {words}" if words.startswith("can't") else words)


def _source(visit: Visit) -> str:
    if visit.source == TYPED_TABLE:
        return "; imported from a table that was typed"
    return f"; counter {visit.counter}" if visit.counter else ""


def rate_sentences(standing: UnitStanding) -> Iterator[Sentence]:
    """Yield the mean ageing between the visits of a unit; nothing where there is no interval."""
    rate = standing.rate
    if rate is not None:
        over = (
            f"over {rate.intervals} intervals between visits (± counts the scatter between them)"
            if rate.counts_scatter
            else "between two visits (± counts the measurement only: one interval has no scatter)"
        )
        yield Sentence(f"ageing {amount(rate.per_year, rate.u)} a year {over}")
    elif any(not one.u_known for one in standing.history.intervals):
        yield Sentence("ageing: no rate is stated, for the uncertainty of a record is unknown")


def forecast_sentences(standing: UnitStanding) -> Iterator[Sentence]:
    """Yield what is expected a year after the newest record; nothing where that is not known."""
    ahead = standing.in_a_year()
    if ahead is not None and ahead.low is not None and ahead.high is not None:
        unit = offset_unit(max(abs(ahead.low), abs(ahead.high)))
        low, middle, high = (
            amount(value, (ahead.high - ahead.low) / 4.0, unit).partition(" ")[0]
            for value in (ahead.low, ahead.offset, ahead.high)
        )
        yield Sentence(
            f"a year after the newest record {middle} {unit.name} is expected, "
            f"{DEFAULT_COVERAGE * 100:g} % between {low} and {high}{_why_another(standing, ahead)}"
        )


def _why_another(standing: UnitStanding, ahead: AgeingForecast) -> str:
    """Return why the change expected in a year is not the rate; empty where it is about that."""
    rate, newest = standing.rate, standing.newest
    if rate is None or newest is None:
        return ""
    change = ahead.offset - newest.offset
    if abs(change - rate.per_year) <= ALIKE * abs(rate.per_year):
        return ""
    u = None if ahead.low is None or ahead.high is None else (ahead.high - ahead.low) / 4.0
    written = write_fraction(change, u, offset_unit(max(abs(change), abs(rate.per_year))))
    text = written.bare
    if abs(change) < abs(rate.per_year):
        why = "less than the rate, for ageing often slows down, and these visits leave that open"
    else:
        why = "another than the rate, for the intervals differ, and the newest ones count more"
    return f"; that is a change of {text}, {why}"


def _records(visit: Visit, style: VisitStyle, tolerance: float | None) -> Iterator[DocumentPart]:
    """Yield a table of the records with u and U, then what is to be said of each."""
    if not visit.records:
        yield Sentence("no record yet")
        return
    rows = []
    for one in visit.records:
        expanded = one.record.expanded(USUAL_COVERAGE)
        unit = offset_unit(max(abs(one.record.offset), one.record.u))
        utc_s = one.record.utc_s if one.record.utc_s is not None else one.at_utc_s
        half = None if expanded is None else write_fraction(0.0, expanded.half_width, unit)
        rows.append(
            (
                one.record.kind,
                amount(one.record.offset, one.record.known_u, unit)
                + (", u unknown" if one.record.known_u is None else ""),
                _half_width_words(one.record, half),
                NAMELESS if expanded is None else factor_words(expanded.k),
                style.moment(utc_s),
                str(one.record.readings),
                style.entry(one.entry),
            )
        )
    yield Table(
        (
            "record",
            "offset, u (k = 1)",
            f"U ({COVERAGE_WORDS})",
            "k",
            "around",
            "readings",
            "entry",
        ),
        tuple(rows),
    )
    for one in visit.records:
        name = f"{one.record.kind}, entry {style.entry(one.entry)}"
        if tolerance is not None:
            side, known = record_side(one.record, tolerance), one.record.known_u is not None
            yield Sentence(f"{name}: {side_words(side, tolerance, u_known=known)}")
        if one.record.caution:
            yield Sentence(f"caution ({name}): {printable(one.record.caution, 500)}", "warning")
        if one.automatic:
            yield Sentence(f"{name}: kept automatically before the first turn")
        if one.amended:
            yield Sentence(f"{name}: amended, {one.amended}")
        if one.record.budget.missing:
            missing = printable("; ".join(one.record.budget.missing), 500)
            what = "u is a lower limit" if one.record.known_u else "u is unknown"
            yield Sentence(f"{name}: {what}, for not known is: {missing}")


def _half_width_words(record: OffsetRecord, half: QuantityText | None) -> str:
    if half is not None:
        return f"{half.u} {half.unit}"
    return "unknown" if record.known_u is None else NAMELESS


def _chain(proven: Remark | None, style: VisitStyle) -> Iterator[DocumentPart]:
    """Yield what the newest comparison of counters says of the measuring chain."""
    if proven is not None:
        yield Sentence(f"measuring chain, {style.moment(proven.at_utc_s)}:", "strong")
        for sentence in proven.sentences or (proven.text,):
            yield Sentence(sentence)


def check_blocks(checks: Sequence[VisitCheck], style: VisitStyle) -> Iterator[Sentence | Table]:
    """Yield a table of the checks at other dial settings, and what its columns are."""
    table = checks_table(checks, style)
    if table is not None:
        yield Sentence(f"checks at other dial settings: {CHECK_COLUMNS}")
        yield table


def checks_table(checks: Sequence[VisitCheck], style: VisitStyle) -> Table | None:
    """Return the checks at other dial settings, a row each; None without any."""
    if not checks:
        return None
    rows = []
    for one in checks:
        check = one.check
        known = [abs(value) for value in (check.difference, check.expanded) if value is not None]
        unit = offset_unit(max(known)) if known else None
        rows.append(
            (
                format_frequency(check.setting_hz),
                _amount_or_none(check.foretold, check.foretold_u),
                _amount_or_none(check.read, check.read_u),
                str(check.readings),
                NAMELESS
                if check.difference is None
                else amount(check.difference, check.expanded, unit),
                NAMELESS if check.limit is None else short_limit(check.limit),
                check.verdict + (f" (amended: {one.amended})" if one.amended else ""),
                style.entry(one.entry),
            )
        )
    headings = ("dialled to", "foretold, u", "read, u", "readings", "difference ± U", "limit")
    return Table((*headings, "verdict", "entry"), tuple(rows))


def _amount_or_none(value: float | None, u: float | None) -> str:
    return NAMELESS if value is None else amount(value, u)


def _remarks(remarks: Sequence[Remark], style: VisitStyle) -> Iterator[DocumentPart]:
    if not remarks:
        return
    yield Table(
        ("time", "entry", "kind", "text"),
        tuple(
            (
                style.moment(one.at_utc_s),
                style.entry(one.entry),
                one.kind,
                " ".join(filter(None, (one.name, one.text)))
                + (f" (amended: {one.amended})" if one.amended else ""),
            )
            for one in remarks
        ),
    )
