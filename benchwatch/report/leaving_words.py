"""What a watch says of its visits when it is left: results, what is open, and how to go on."""

from collections.abc import Collection, Sequence
from shlex import quote
from typing import Final

from benchwatch.estimate.uncertainty.limit_side import record_side
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import USUAL_COVERAGE
from benchwatch.pipeline.dial_check_words import check_words
from benchwatch.quantity import (
    format_duration,
    format_frequency,
    how_many,
    listed,
    printable,
    write_fraction,
)
from benchwatch.reading import DEFAULT_COUNTER
from benchwatch.report.side_words import side_words
from benchwatch.report.uncertainty_words import factor_words
from benchwatch.snapshot import CheckRow, Records, Snapshot, VisitNow

MOST_LISTED: Final = 6
"""Names and options that one sentence lists; of more only the number is said."""
REPORTED: Final = frozenset({"record", "check", "comparison", "condition", "power", "mark"})
"""Kinds of entries that a report states."""
NO_NAME: Final = "the unit has no name (:unit IDENT)"


def leaving_words(now: Snapshot) -> list[str]:
    """Return sentences on the visit of the only counter; none where nothing was measured.

    The first states as found, as left with its expanded uncertainty, whether it is inside the
    tolerance, and for how long it has settled; then comes whether the measuring chain is proven,
    what is still open, which command writes the report, and how to go on.
    """
    visit = now.visit
    if visit is None or visit.number is None:
        return []
    report = _how_to_report([now], str(visit.number))
    if visit.closed:
        return [f"{_name(visit)} is closed: {'; '.join(_results(now))}.", *report]
    unit = "" if visit.unit is None else quote(option_value(visit.unit))
    sentences = [f"{_name(visit)}: {'; '.join(_results(now))}."]
    if visit.chain:
        sentences.append(f"{visit.chain}.")
    still_open = _still_open(now)
    if still_open:
        sentences.append(f"still open: {', '.join(still_open)}.")
    sentences += report
    close = f"benchwatch visits close {visit.number}{' --sim' if visit.simulated else ''}"
    sentences.append(f"{_how_to_go_on(now, unit)}; {close} closes it at the hand-over.")
    return sentences


def bench_leaving_words(
    counters: Sequence[Snapshot], *, groups: Sequence[tuple[str, ...]]
) -> list[str]:
    """Return sentences on the visits of a bench: one a counter, then what holds for several.

    Args:
        counters: the state of each counter, in the order of the bench.
        groups: the counters that are on one signal, as stated or typed. Without any, counters of
            one nominal are named as those that could be compared.

    Nothing where nothing was measured.
    """
    known = [now for now in counters if now.visit is not None and now.visit.number is not None]
    still = [now for now in known if now.visit is not None and not now.visit.closed]
    checked = {now.counter: {one.setting_hz for one in _checked(now) if one.check} for now in known}
    sentences = []
    for now in known:
        partners = {one for group in groups if now.counter in group for one in group}
        done = set[float]().union(*(checked.get(one, set()) for one in partners))
        sentences.append(_of_one_counter(now, done))
    sentences += _chains(still, groups)
    nameless = sum(now.visit is not None and now.visit.unit is None for now in still)
    if nameless:
        verb = "has" if nameless == 1 else "have"
        sentences.append(f"{how_many(nameless, 'unit')} {verb} no name (:unit IDENT).")
    sentences += _how_to_report(known, "NUMBER")
    if still:
        sentences.append(_how_the_bench_goes_on(still))
    return sentences


def _of_one_counter(now: Snapshot, checked: Collection[float]) -> str:
    """Write the results of one counter of a bench, and what is still open.

    `checked` are the dial settings, in hertz, at which another counter has checked the unit.
    """
    visit = now.visit
    assert visit is not None
    is_closed = " is closed" if visit.closed else ""
    said = f"{now.counter}: {_name(visit)}{is_closed}: {'; '.join(_results(now))}."
    records = now.records or Records()
    still_open = (
        [] if visit.closed else [one for one in _still_open(now, checked) if one != NO_NAME]
    )
    if records.as_found is None and records.as_left is None:
        still_open = [one for one in still_open if not one.endswith("is not on record")]
    return f"{said} Still open: {', '.join(still_open)}." if still_open else said


def _chains(still: Sequence[Snapshot], groups: Sequence[tuple[str, ...]]) -> list[str]:
    """Write once what is on record of each chain, and which counters were not compared."""
    proven = {now.counter: now.visit.chain for now in still if now.visit and now.visit.chain}
    sentences = [f"{chain}." for chain in dict.fromkeys(proven.values())]
    names = [now.counter for now in still]
    if groups:
        return sentences + [
            f"chain not proven: no comparison of {_listed(group)} is on record."
            for group in groups
            if any(name in names and name not in proven for name in group)
        ]
    nominals: dict[float, list[str]] = {}
    for now in still:
        nominals.setdefault(now.nominal_hz, []).append(now.counter)
    for alike in nominals.values():
        missing = [name for name in alike if name not in proven]
        if len(alike) < 2 or not missing:
            continue
        of_whom = "" if missing == alike else f" of {_listed(missing)}"
        sentences.append(
            f"chain{of_whom} not proven: {_listed(alike)} have one nominal; :prove compares them."
        )
    return sentences


def _listed(names: Sequence[str]) -> str:
    """Write names as a list with ``and``; of many the first ones and how many more there are."""
    if len(names) > MOST_LISTED:
        first = names[: MOST_LISTED - 1]
        return listed([*first, f"{len(names) - len(first)} more"])
    return listed(names)


def _how_the_bench_goes_on(still: Sequence[Snapshot]) -> str:
    """Write which command goes on with the visits of a bench, and which one closes a visit."""
    visits = [(now.counter, now.visit) for now in still if now.visit is not None]
    named = [(counter, visit.unit) for counter, visit in visits if visit.unit is not None]
    simulated = visits[0][1].simulated
    how = []
    if named:
        options = [f"--unit {quote(f'{counter}={printable(unit)}')}" for counter, unit in named]
        if len(options) > MOST_LISTED:
            options = ["--unit COUNTER=IDENT for each"]
        of = "them" if len(named) == len(visits) else "those of named units"
        how.append(f"the same command with {' '.join(options)} goes on with {of}")
    if len(named) < len(visits):
        how.append(
            "a visit of a simulated bench goes on only under the name of its unit"
            if simulated
            else "the same command goes on with a visit without a unit within 12 hours"
        )
    close = f"benchwatch visits close NUMBER{' --sim' if simulated else ''}"
    return f"{'; '.join(how)}; {close} closes one at the hand-over."


def _how_to_report(counters: Sequence[Snapshot], number: str) -> list[str]:
    """Write where each report is that the watch issued, and which command writes one.

    The command is left out where every visit with a record has its report.

    Args:
        counters: with their visits.
        number: of the visit, as the command takes it.
    """
    sentences, missing, is_next = [], [], True
    for now in counters:
        visit = now.visit
        if visit is None:
            continue
        if visit.report:
            sentences.append(f"{visit.report}.")
        if _changed_since(now, visit.report_s) if visit.report else _is_recorded(now):
            missing.append(visit)
            is_next = is_next and bool(visit.report)
    if missing:
        sim = " --sim" if missing[0].simulated else ""
        command = f"benchwatch report {number}{sim} --out ."
        sentences.append(
            f"the visit has changed since then: {command} writes the next issue."
            if is_next
            else f"{command} writes the report into this folder."
        )
    return sentences


def _changed_since(now: Snapshot, at_s: float | None) -> bool:
    """Return whether something that a report states was put on record after `at_s` of the run."""
    return at_s is not None and any(
        one.kind in REPORTED and one.elapsed_s > at_s for one in now.logged_events or ()
    )


def _is_recorded(now: Snapshot) -> bool:
    records = now.records or Records()
    return records.as_found is not None or records.as_left is not None


def _how_to_go_on(now: Snapshot, unit: str) -> str:
    """Write which command goes on with the visit; `unit` is empty without a name."""
    simulated = now.visit is not None and now.visit.simulated
    if simulated and unit:
        return f"the same command with --unit {unit} goes on with it"
    if simulated:
        return "a visit of a simulated bench goes on only under the name of its unit"
    if unit:
        resource = quote(printable(now.resource, 200))
        return f"benchwatch watch {resource} --unit {unit} goes on with it"
    return "the same command, without --unit, goes on with it within 12 hours"


def option_value(ident: str) -> str:
    """Return an ident as the option ``--unit`` takes it: with ``=`` in it, the counter goes before.

    The counter of a command with one resource and no name is `DEFAULT_COUNTER`.
    """
    shown = printable(ident)
    return f"{DEFAULT_COUNTER}={shown}" if "=" in shown else shown


def expanded_words(record: OffsetRecord) -> str:
    """Write an offset with its expanded uncertainty: ``+0.31 ± 0.05 ppb (U, k = 2.13)``.

    Without enough degrees of freedom for an interval it is the standard uncertainty.
    """
    if record.known_u is None:
        return f"{write_fraction(record.offset).bare} (u unknown)"
    expanded = record.expanded(USUAL_COVERAGE)
    if expanded is None:
        return f"{write_fraction(record.offset, record.u)} (u, k = 1)"
    amount = write_fraction(record.offset, expanded.half_width)
    return f"{amount} (U, k = {factor_words(expanded.k)})"


def _name(visit: VisitNow) -> str:
    of = "without a unit" if visit.unit is None else f"of {printable(visit.unit)}"
    return f"visit {visit.number} {of}"


def _results(now: Snapshot) -> list[str]:
    records = now.records or Records()
    results = [
        f"{one.kind} {expanded_words(one)}" + (f" (! {one.caution})" if one.caution else "")
        for one in (records.as_found, records.as_left)
        if one is not None
    ] or ["nothing on record"]
    tolerance = now.numbers.tolerance
    if records.as_left is not None and tolerance is not None:
        side = record_side(records.as_left, tolerance.limit)
        known = records.as_left.known_u is not None
        results[-1] += f", {side_words(side, tolerance.limit, u_known=known)}"
    results += [check_words(row.check) for row in _checked(now) if row.check is not None]
    settle = now.numbers.settle
    if settle is not None and settle.state == "settled" and now.reading is not None:
        since_s = now.reading.elapsed_s if settle.since_s is None else settle.since_s
        results.append(f"settled for {format_duration(now.reading.elapsed_s - since_s)}")
    elif settle is not None:
        results.append("not settled" if settle.state == "warming" else "not known to have settled")
    return results


def _checked(now: Snapshot) -> tuple[CheckRow, ...]:
    return () if now.checks is None else now.checks.rows


def _still_open(now: Snapshot, checked: Collection[float] = ()) -> list[str]:
    records, trim = now.records or Records(), now.trim
    found = []
    if records.as_found is None:
        found.append("as found is not on record")
    if records.as_left is None:
        found.append("as left is not on record")
    if now.dialled_hz is not None:
        found.append(
            f"the unit is dialled to {format_frequency(now.dialled_hz)}, and not to "
            f"{format_frequency(now.nominal_hz)}"
        )
    unchecked = [
        row.setting_hz
        for row in _checked(now)
        if row.check is None and row.setting_hz not in checked
    ]
    if unchecked:
        found.append(f"not checked at {', '.join(map(format_frequency, unchecked))}")
    if trim is not None and trim.tool is not None and trim.tool.on:
        found.append("the tool is on the trimmer")
    if now.visit is not None and now.visit.unit is None:
        found.append(NO_NAME)
    if now.visit is not None and now.visit.trouble is not None:
        found.append("entries wait for the register")
    return found
