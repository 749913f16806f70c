"""Cautions of safety and of measurement: on every customer's page, whatever is chosen."""

from dataclasses import replace
from decimal import Decimal
from itertools import product
from typing import Any

import pytest
from check_kit import dial_check
from contents_kit import blocks_of, page_text, source_of_visit
from register_kit import record

from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import Budget
from benchwatch.measured_visit.measured_visit import MeasuredRun, MeasuredVisit, Span
from benchwatch.register.visit import TYPED_TABLE, Remark, Visit, VisitCheck, VisitRecord, VisitRun
from benchwatch.report.contents.report_cautions import NOTHING_REAL, SAFETY
from benchwatch.report.contents.report_document import report_document
from benchwatch.report.contents.report_source import ReportOptions, ReportSource
from benchwatch.report.laboratory.laboratory import Laboratory

SOUND = (("gate", "1 s"), ("time base", "external"), ("settle", "settled"))
ENDED = MeasuredRun(key=7, number=1, began_utc_s=1.9e9, end_reason="interrupted", readings=40)


def kept(one: OffsetRecord, **more: Any) -> VisitRecord:
    """Return a record as the register has it."""
    return VisitRecord(**({"entry": "bench-0/5", "at_utc_s": 1.9e9, "record": one} | more))


def sound(kind: Any, offset: float = 1e-10) -> OffsetRecord:
    """Return a record of which nothing is to be said."""
    return replace(record(kind, offset), conditions=SOUND)


def visit(**more: Any) -> Visit:
    """Return a closed visit with both records, of which nothing is to be said."""
    fields: dict[str, Any] = {
        "name": "bench-0/1", "opened_utc_s": 1.9e9 - 3600.0, "closed_utc_s": 1.9e9,
        "tolerance": 5e-9, "records": (kept(sound("as found")), kept(sound("as left"))),
    }  # fmt: skip
    return Visit(**(fields | more))


def measurement(source: ReportSource) -> list[str]:
    """Return the cautions of measurement."""
    found: list[str] = report_document(source)["cautions"]["measurement"]
    return found


def with_left(one: OffsetRecord, **more: Any) -> Visit:
    """Return a visit with another record as left."""
    return visit(records=(kept(sound("as found")), kept(one, **more)))


def test_a_sound_visit_has_cautions_of_safety_alone() -> None:
    """Nothing is said of the measurement where nothing is to be said."""
    source = source_of_visit(visit(), measured=MeasuredVisit(runs=(ENDED,)))

    assert measurement(source) == []
    text = page_text(report_document(source), "customer")
    assert all(sentence in text for sentence in SAFETY)


def test_safety_names_each_danger() -> None:
    """Mains, stored charge, the hot oven, the tool, local codes and licensed practice."""
    said = " ".join(SAFETY)

    for word in ("Covers off", "mains", "charge", "oven is hot", "non-metallic tool"):
        assert word in said
    assert "Local codes and licensed practice" in said


LEFT = sound("as left")
CAUTIONED = replace(
    LEFT, conditions=(*SOUND, ("caution", "tool on the trimmer; still moving by more than asked"))
)
INTERNAL = replace(LEFT, conditions=(("time base", "internal"), ("settle", "settled")))
UNTOLD = replace(LEFT, conditions=(("time base", "unknown"), ("settle", "settled")))
NO_LIMIT = replace(LEFT, conditions=SOUND[:2])
PARTIAL = replace(LEFT, budget=Budget(LEFT.budget.lines, ("uncertainty of the time base",)))
WITHOUT_U = replace(
    LEFT, budget=Budget(tuple(replace(row, u=0.0) for row in LEFT.budget.lines), ("all",))
)
DISAGREE = Remark(
    entry="bench-0/8", at_utc_s=1.9e9, kind="comparison", name="", text="main and spare disagree",
    numbers={"agree": False},
)  # fmt: skip
CHECK = VisitCheck(
    entry="bench-0/9", at_utc_s=1.9e9, check=dial_check(1e8, 2e-8, "does not follow"), text=""
)
BY_HAND = VisitRun(
    entry="bench-0/2", at_utc_s=1.9e9, key=7, journal="journal.db", counter="main", resource="typed"
)
CUT_OFF = MeasuredVisit(runs=(replace(ENDED, end_reason=""),))
TOOL_LEFT = MeasuredVisit(runs=(ENDED,), tool_on=(Span(begin_utc_s=1.9e9),))
NOT_AT_HAND = MeasuredVisit(runs=(ENDED,), notes=("Run 7 is in no journal at hand.",))
CASES: list[tuple[str, Visit, MeasuredVisit | None, str]] = [
    (
        "tool on, still warming",
        with_left(CAUTIONED),
        None,
        "wrong: tool on the trimmer; still moving",
    ),
    ("internal time base", with_left(INTERNAL), None, "internal time base"),
    ("unknown time base", with_left(UNTOLD), None, "did not tell which time base"),
    ("another nominal", visit(nominal_hz=Decimal(5_000_000)), None, "against another nominal"),
    ("no settle limit", with_left(NO_LIMIT), None, "As left: whether it had settled is not known"),
    ("u a lower limit", with_left(PARTIAL), None, "U as left may be larger: not counted is unc"),
    ("u unknown", with_left(WITHOUT_U), None, "uncertainty of the record as left is unknown"),
    ("automatic", with_left(LEFT, automatic=True), None, "was kept automatically"),
    ("amended", with_left(LEFT, amended="misread"), None, "was amended: misread"),
    ("no as found", visit(records=(kept(LEFT),)), None, "There is no record as found."),
    ("no as left", visit(records=(kept(sound("as found")),)), None, "There is no record as left."),
    ("open", visit(closed_utc_s=None), None, "The visit is still open."),
    ("cut off", visit(), CUT_OFF, "it was cut off"),
    ("tool left on", visit(), TOOL_LEFT, "still on the trimmer at the end"),
    ("typed readings", visit(runs=(BY_HAND,)), None, "typed by a person"),
    ("typed table", visit(source=TYPED_TABLE), None, "did not measure them"),
    (
        "does not follow",
        visit(checks=(CHECK,)),
        None,
        "does not follow the offset at 10 MHz: at 100 MHz it differs by ",
    ),
    ("counters disagree", visit(remarks=(DISAGREE,)), None, "disagree"),
    ("readings not at hand", visit(), NOT_AT_HAND, "in no journal at hand"),
]


@pytest.mark.parametrize(("made", "measured", "words"), [case[1:] for case in CASES],
                         ids=[case[0] for case in CASES])  # fmt: skip
def test_each_reason_is_said(made: Visit, measured: MeasuredVisit | None, words: str) -> None:
    """One thing is not as it should be: one caution says it, on the customer's page."""
    source = source_of_visit(made, measured=measured or MeasuredVisit(runs=(ENDED,)))

    (caution,) = measurement(source)

    assert words in caution
    texts = [one["text"] for one in blocks_of(report_document(source), "cautions")]
    assert caution in texts


def worst() -> ReportSource:
    """Return a simulated visit with as many cautions as can come together."""
    bad = replace(PARTIAL, conditions=(("time base", "internal"), ("caution", "tool on")))
    made = visit(
        closed_utc_s=None, checks=(CHECK,), remarks=(DISAGREE,), runs=(BY_HAND,),
        records=(kept(bad, automatic=True, amended="misread"),),
    )  # fmt: skip
    measured = replace(CUT_OFF, tool_on=TOOL_LEFT.tool_on, notes=NOT_AT_HAND.notes)
    return source_of_visit(made, measured=measured, simulated=True)


LABORATORIES = [
    Laboratory(),
    *(
        Laboratory(
            name="Workshop",
            method=("m",),
            opinions=("o",),
            remarks=("No caution needed.",),
            accreditation="Accredited.",
            decision_rule=rule,
            forecasts=forecasts,
        )
        for rule, forecasts in product(("simple", "guarded", "three-answers"), (False, True))
    ),
]


@pytest.mark.parametrize("laboratory", LABORATORIES)
@pytest.mark.parametrize("forecast", [False, True])
@pytest.mark.parametrize("pages", ["all", "customer"])
def test_no_choice_leaves_a_caution_out(laboratory: Laboratory, forecast: bool, pages: Any) -> None:
    """With every combination of options and of the laboratory's keys, all of them stand there."""
    options = ReportOptions(pages=pages, forecast=forecast)
    usual = report_document(worst())["cautions"]

    document = report_document(replace(worst(), options=options, laboratory=laboratory))

    text = page_text(document, "customer")
    assert document["cautions"] == usual
    assert len(usual["measurement"]) >= 12
    for sentence in (*usual["safety"], *usual["measurement"]):
        assert sentence in text


def test_a_simulated_bench_comes_first() -> None:
    """Before all else stands that nothing real was measured, and every form is told so."""
    document = report_document(worst())

    assert document["simulated"] is True
    assert document["cautions"]["measurement"][0] == NOTHING_REAL
    assert blocks_of(document, "cautions")[0]["text"] == NOTHING_REAL
