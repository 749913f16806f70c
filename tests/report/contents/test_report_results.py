"""Results of a report: GUM 7.2 as it asks, verdicts by the rule, and the very table of a budget."""

import json
import math
import re
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import report_kit
from check_kit import dial_check
from contents_kit import blocks_of, leaves, results_of, source_of, source_of_visit
from hypothesis import given
from hypothesis import strategies as st
from register_kit import record
from scipy import stats

from benchwatch.errors import RegisterError
from benchwatch.estimate.uncertainty.offset_record import (
    Noise,
    OffsetRecord,
    Reference,
    offset_budget,
)
from benchwatch.estimate.uncertainty.uncertainty_budget import Budget, BudgetRow
from benchwatch.quantity.stated_result import state_result
from benchwatch.register.registered_unit import Unit
from benchwatch.register.visit import Visit, VisitCheck, VisitRecord
from benchwatch.register.visit_import import typed_record
from benchwatch.report.contents.report_document import report_document
from benchwatch.report.contents.result_values import result_values
from benchwatch.report.laboratory.laboratory import Laboratory
from benchwatch.report.record_document import record_text
from benchwatch.report.uncertainty_words import result_statement
from benchwatch.report.unit_standing import unit_standing

NOMINAL = Decimal(10_000_000)


def visit_of(*records: OffsetRecord, tolerance: float | None = 5e-9, **more: Any) -> Visit:
    """Return a closed visit with these records."""
    kept = tuple(
        VisitRecord(entry=f"bench-0/{10 + place}", at_utc_s=1.9e9, record=one)
        for place, one in enumerate(records)
    )
    fields: dict[str, Any] = {
        "name": "bench-0/9", "opened_utc_s": 1.9e9 - 3600.0, "closed_utc_s": 1.9e9,
        "nominal_hz": NOMINAL, "tolerance": tolerance, "records": kept,
    }  # fmt: skip
    return Visit(**(fields | more))


def of_one(one: OffsetRecord, **more: Any) -> dict[str, Any]:
    """Return the values of the only record of a visit."""
    source = source_of_visit(visit_of(one), **more)
    return result_values(source, source.results[0])


def with_u(offset: float, u: float, dof: float = math.inf) -> OffsetRecord:
    """Return a record as left of which u and its degrees of freedom are known."""
    row = BudgetRow(name="all", source="made", u=u, distribution="normal", dof=dof, estimate=offset)
    return replace(record("as left", offset), budget=Budget((row,)))


def test_the_mass_standard_of_the_gum_in_our_sentence() -> None:
    """GUM 7.2.4: (100.021 47 ± 0.000 79) g, u_c = 0.35 mg, k = 2.26, 9 degrees of freedom, 95 %."""
    k = float(stats.t.ppf(0.975, 9))
    stated = state_result(100.02147, 0.35e-3, k * 0.35e-3, unit="g")

    sentence = result_statement("m", stated, k=k, dof=9, coverage="95 percent")

    assert sentence == (
        "m = (+100.02147 ± 0.00079) g, where the number after ± is the expanded uncertainty "
        "U = k u, with u = 0.00035 g and k = 2.26 (t-distribution, 9 degrees of freedom): a level "
        "of confidence of 95 percent."
    )


@given(
    st.floats(-1e-6, 1e-6),
    st.floats(1e-13, 1e-8),
    st.one_of(st.just(math.inf), st.integers(1, 400).map(float)),
)
def test_a_result_is_stated_as_the_gum_asks(offset: float, u: float, dof: float) -> None:
    """GUM 7.2.3: U, k from t at 95.45 % (G.3, by scipy), and its ν; 7.2.6: digits agree."""
    values = of_one(with_u(offset, u, dof))

    k = float(stats.t.ppf(0.97725, dof)) if math.isfinite(dof) else 2.0000
    stated = values["offset"]
    assert float(stated["k"]) == pytest.approx(k, abs=0.0051)
    assert stated["dof"] == ("unlimited" if dof == math.inf else f"{dof:.0f}")
    size = {"ppm": 1e-6, "ppb": 1e-9, "parts in 10^12": 1e-12}[stated["unit"]]
    for one, scale in ((stated, size), (values["hertz"], 1e-7), (values["fraction"], 1.0)):
        value, expanded, alone = (float(one[key]) * scale for key in ("value", "U", "u"))
        assert expanded == pytest.approx(k * u, rel=0.06)
        assert alone == pytest.approx(u, rel=0.06)
        assert value == pytest.approx(offset, abs=0.06 * k * u)
        digits = [len(one[key].partition("e")[0].partition(".")[2]) for key in ("value", "U")]
        assert digits[0] == digits[1]
    assert f"k = {stated['k']} (t-distribution, {stated['dof']} degree" in values["statement"]


def test_hertz_fraction_and_working_frequency_are_one_result() -> None:
    """+36.97 ppb of 10 MHz is 0.3697 Hz, and 3.697 Hz at 100 MHz (times N, IEEE 1139-2008)."""
    unit = Unit(ident="0417", nominal_hz=NOMINAL, working_hz=(1e8,))
    visit = visit_of(with_u(36.97e-9, 0.024e-9, 46.0), unit="0417")
    source = replace(source_of_visit(visit), standing=unit_standing(unit, [visit]))

    values = result_values(source, source.results[0])

    assert values["offset"]["text"] == "(+36.970 ± 0.049) ppb"
    assert values["hertz"]["text"] == "(+0.36970 ± 0.00049) Hz"
    assert values["fraction"]["text"] == "(+3.6970 ± 0.0049) × 10^-8"
    assert (values["fraction"]["value"], values["fraction"]["U"]) == ("+3.6970e-8", "0.0049e-8")
    (there,) = values["elsewhere"]
    assert (there["frequency"], there["text"]) == ("100 MHz", "(+3.6970 ± 0.0049) Hz")
    assert values["offset"]["u"] == "0.024"
    assert values["offset"]["k"] == f"{stats.t.ppf(0.97725, 46):.2f}"


def test_an_unknown_uncertainty_is_said() -> None:
    """A typed offset without u has neither u nor U nor k anywhere, and no verdict."""
    from benchwatch.recording.typed_visits import TypedOffset

    typed = typed_record("as left", TypedOffset(offset=1.2e-9, u=None), utc_s=1.9e9, nominal_hz=1e7)
    source = source_of_visit(visit_of(typed))

    document = report_document(source)

    (values,) = document["results"]
    for form in ("offset", "hertz", "fraction"):
        assert values[form]["u"] is None
        assert values[form]["U"] is None
    assert (values["offset"]["k"], values["offset"]["dof"]) == (None, None)
    assert values["verdict"] == "not stated"
    assert results_of(document)["as left"]["value"] == "+1.200 ppb, u unknown"
    assert "its uncertainty is unknown" in values["verdict_words"]
    assert "uncertainty is unknown" in values["statement"]
    assert [one for one in blocks_of(document, "uncertainty") if one["kind"] == "table"] == []


def test_too_few_degrees_of_freedom_state_no_expanded_uncertainty() -> None:
    """With less than one degree of freedom u stands alone, and nothing is said of the tolerance."""
    values = of_one(with_u(1e-9, 1e-10, 0.7))

    assert values["offset"]["u"] == "0.10"
    assert values["offset"]["U"] is None
    assert values["verdict"] == "not stated"
    assert "too few degrees of freedom" in values["verdict_words"]


@pytest.mark.parametrize(
    ("rule", "offset", "words"),
    [
        ("three-answers", 1e-9, "inside the tolerance of ±5 ppb"),
        ("three-answers", 9e-9, "outside the tolerance of ±5 ppb"),
        ("three-answers", 5e-9, "can't be stated: too near the limit of ±5 ppb"),
        ("guarded", 1e-9, "inside the tolerance of ±5 ppb"),
        ("guarded", 9e-9, "not shown to be inside the tolerance of ±5 ppb"),
        ("simple", 4.999e-9, "inside the tolerance of ±5 ppb"),
        ("simple", 5.001e-9, "outside the tolerance of ±5 ppb"),
    ],
)
def test_the_verdict_names_rule_and_tolerance(rule: Any, offset: float, words: str) -> None:
    """ISO/IEC 17025:2017, 7.8.6: a statement of conformity comes with its decision rule."""
    source = source_of_visit(
        visit_of(with_u(offset, 1e-10)), laboratory=Laboratory(decision_rule=rule)
    )

    document = report_document(source)

    assert results_of(document)["as left"]["verdict"] == words
    assert document["results"][0]["rule"] == rule
    asked = blocks_of(document, "results")[0]["text"]
    assert asked.startswith("Asked: within ±5 ppb of 10 MHz, which is ±0.05 Hz. Decision rule: ")
    assert ("JCGM 106:2012, 8.2" in asked) == (rule == "simple")


def test_a_verdict_by_a_lower_limit_of_u_says_so() -> None:
    """Where something is not counted, the verdict that a reader sees first is not a bare one."""
    whole = with_u(1e-9, 1e-10)
    partial = replace(whole, budget=Budget(whole.budget.lines, ("time base",)))

    words = [
        of_one(one, laboratory=Laboratory(decision_rule=rule))["verdict_words"]
        for one in (whole, partial)
        for rule in ("three-answers", "guarded", "simple")
    ]

    inside = "inside the tolerance of ±5 ppb"
    limited = f"{inside}, as far as its uncertainty is known"
    assert words == [inside, inside, inside, limited, limited, inside]


def test_without_a_tolerance_nothing_is_said_of_inside() -> None:
    """There is no verdict, and that is said."""
    document = report_document(source_of_visit(visit_of(with_u(1e-9, 1e-10), tolerance=None)))

    assert document["results"][0]["verdict"] is None
    assert results_of(document)["as left"]["verdict"] == ""
    assert "No tolerance is stated" in blocks_of(document, "results")[0]["text"]


def test_the_budget_is_the_table_that_budget_prints() -> None:
    """Each row of the printed budget stands in the report, cell for cell."""
    budget = offset_budget(
        0.41e-9, noise=Noise(u=1.1e-11, dof=8.0, averaging_s=620.0), resolution=1e-11,
        drift_per_s=2e-15, span_s=620.0,
        reference=Reference(name="station reference", u=1e-11, dof=50.0, source="its papers"),
    )  # fmt: skip
    one = replace(record("as left", 0.0), budget=budget)

    document = report_document(source_of_visit(visit_of(one)))

    printed = record_text(one).splitlines()
    (table,) = (one for one in blocks_of(document, "uncertainty") if one["kind"] == "table")
    assert {"header": table["header"], "rows": table["rows"]} == document["results"][0]["budget"]
    for cells in (table["header"], *table["rows"]):
        pattern = r"\s+".join(map(re.escape, cells))
        assert any(re.fullmatch(pattern, line.strip()) for line in printed), cells


def test_as_found_comes_from_the_record_alone(tmp_path: Path) -> None:
    """Without a record as found its place says so, though readings came before the first turn."""
    made = report_kit.bad_visit(tmp_path / "bench")
    source = source_of(made)
    only_left = replace(source.visit, records=tuple(
        one for one in source.visit.records if one.record.kind == "as left"
    ))  # fmt: skip

    document = report_document(replace(source, visit=only_left))

    assert results_of(document)["as found"]["value"] == "not on record"
    assert [one["name"] for one in document["results"]] == ["as left"]
    assert "There is no record as found." in document["cautions"]["measurement"]


def test_a_plain_measurement_is_the_result_of_a_visit_without_others() -> None:
    """Where nothing is found or left, the newest plain record is stated, and what is missing."""
    plain = [replace(with_u(value, 1e-11), kind="measured") for value in (1e-9, 2e-9)]

    document = report_document(source_of_visit(visit_of(*plain)))

    assert [one["name"] for one in document["results"]] == ["measured"]
    assert results_of(document)["measured"]["value"] == "(+2.000 ± 0.020) ppb"
    missing = [f"There is no record {kind}." for kind in ("as found", "as left")]
    assert document["cautions"]["measurement"][:2] == missing


def test_other_records_are_listed_for_the_bench() -> None:
    """The newest as found and as left are the results; what came before them is in a table."""
    made = [replace(with_u(value, 1e-11), kind=kind) for kind, value in (
        ("as found", 1e-9), ("measured", 2e-9), ("as found", 3e-9), ("as left", 4e-9))]  # fmt: skip

    document = report_document(source_of_visit(visit_of(*made)))

    assert [one["offset"]["value"] for one in document["results"]] == ["+3.000", "+4.000"]
    (table,) = blocks_of(document, "records")
    offsets = [(row[0], row[1]) for row in table["rows"]]
    assert offsets == [
        ("as found", "(+1.000 ± 0.020) ppb"),
        ("measured", "(+2.000 ± 0.020) ppb"),
    ]


def test_a_probability_is_stated_beside_a_whole_budget() -> None:
    """It is that of scipy's normal distribution; beside a lower limit of u none is stated."""
    whole = with_u(4.9e-9, 1e-10)
    partial = replace(whole, budget=Budget(whole.budget.lines, ("resolution of the counter",)))

    texts = [
        plain_text_of(report_document(source_of_visit(visit_of(one)))) for one in (whole, partial)
    ]

    normal = stats.norm(4.9e-9, 1e-10)
    inside = normal.cdf(5e-9) - normal.cdf(-5e-9)
    assert f"Probability that it is inside the tolerance: {inside * 100:.2f} %" in texts[0]
    assert "Probability" not in texts[1]
    assert "u and U are lower limits" in texts[1]


def plain_text_of(document: dict[str, Any]) -> str:
    """Return the texts of the section on uncertainty."""
    return " ".join(one.get("text", "") for one in blocks_of(document, "uncertainty"))


@pytest.mark.parametrize(
    ("offset", "u", "tolerance", "text"),
    [
        (-4e-12, 18e-12, 5e-9, "(-0.004 ± 0.036) ppb"),
        (-4e-12, 18e-12, None, "(-4 ± 36) parts in 10^12"),
        (-4e-12, 8e-12, 5e-9, "(-4 ± 16) parts in 10^12"),
        (36.97e-6, 18e-9, 5e-9, "(+36.970 ± 0.036) ppm"),
        (1e-10, 3e-11, 1e-6, "(+0.100 ± 0.060) ppb"),
    ],
)
def test_a_result_is_in_the_unit_of_its_tolerance_where_that_fits(
    offset: float, u: float, tolerance: float | None, text: str
) -> None:
    """As left can be compared with as found and the tolerance; a U too small for it is not lost."""
    source = source_of_visit(visit_of(with_u(offset, u), tolerance=tolerance))

    values = result_values(source, source.results[0])

    assert values["offset"]["text"] == text


@given(
    st.floats(-9e5, 9e5),
    st.floats(0.0, 9e4),
    st.one_of(st.just(math.inf), st.floats(0.01, 1e6)),
    st.one_of(st.none(), st.floats(1e-3, 1e37)),
    st.one_of(st.none(), st.floats(1e-15, 1e3)),
)
def test_any_record_of_the_register_is_stated(
    offset: float, u: float, dof: float, nominal_hz: float | None, tolerance: float | None
) -> None:
    """Whatever numbers a register holds, the document is JSON, without nan and infinity."""
    unit = Unit(ident="0417", nominal_hz=NOMINAL, working_hz=(1e8, 1.0))
    made = replace(with_u(offset, u, dof), nominal_hz=nominal_hz)
    found = replace(with_u(1e-9, 1e-11), kind="as found")
    visit = visit_of(found, made, tolerance=tolerance, unit="0417")
    source = replace(source_of_visit(visit), standing=unit_standing(unit, [visit]))

    document = report_document(source)

    json.dumps(document, allow_nan=False)
    texts = [str(value) for path, value in leaves(document) if not path.startswith(".charts")]
    assert not [text for text in texts if re.search(r"\b(nan|inf)\b", text)]


@pytest.mark.parametrize(("offset", "u"), [(1e300, 1e-9), (-1e7, 1e-9), (0.0, 1.7e308)])
def test_a_number_that_no_measurement_gives_is_refused(offset: float, u: float) -> None:
    """A record or a check that was changed by hand gets a sentence that names its entry."""
    check = replace(dial_check(1e8, 1e-10), difference=offset, expanded=u)
    checked = VisitCheck(entry="bench-0/10", at_utc_s=1.9e9, check=check, text="")
    visits = visit_of(with_u(offset, u)), visit_of(checks=(checked,))

    for visit in visits:
        with pytest.raises(RegisterError, match=r"10, an entry of visit 9, holds a number .* am"):
            report_document(source_of_visit(visit))


def test_a_time_in_no_calendar_is_refused() -> None:
    """A visit whose time was changed by hand gets a sentence, and no made-up date."""
    visit = replace(visit_of(with_u(1e-9, 1e-10)), closed_utc_s=1e300)

    with pytest.raises(RegisterError, match="visit 9 holds a time that no clock gives"):
        report_document(source_of_visit(visit))


def test_a_computed_offset_is_marked_where_it_was_measured_otherwise(tmp_path: Path) -> None:
    """At 100 MHz the output was found not to follow; the table says so beside what is computed."""
    document = report_document(source_of(report_kit.good_visit(tmp_path / "bench")))

    (table,) = (one for one in blocks_of(document, "results") if one["kind"] == "table")
    assert [row[0] for row in table["rows"]] == ["100 MHz, see cautions"]
    (caution,) = (one for one in document["cautions"]["measurement"] if "100 MHz" in one)
    assert "the output does not follow the offset at 10 MHz" in caution


@pytest.mark.parametrize(
    ("tolerance", "nominal", "words"),
    [(5e-9, "10000000", "±0.05 Hz"), (1e-11, "5000000", "±0.00005 Hz"), (1e-6, "1e9", "±1000 Hz")],
)
def test_what_was_asked_is_said_in_hertz(tolerance: float, nominal: str, words: str) -> None:
    """The tolerance times the nominal, by hand."""
    visit = visit_of(with_u(1e-12, 1e-13), tolerance=tolerance, nominal_hz=Decimal(nominal))

    asked = blocks_of(report_document(source_of_visit(visit)), "results")[0]["text"]

    assert f", which is {words}. Decision rule" in asked
