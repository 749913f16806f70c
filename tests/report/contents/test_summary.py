"""The sentences that begin a report: what was wrong, what was done, how good it is, how sure."""

import math
import re
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import report_kit
from contents_kit import blocks_of, page_text, results_of, source_of, source_of_visit
from register_kit import record

from benchwatch.estimate.uncertainty.offset_record import CAUTION, OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import Budget, BudgetRow
from benchwatch.measured_visit.measured_visit import SettleMark
from benchwatch.reading import AS_FOUND, AS_LEFT, RecordKind
from benchwatch.register.visit import Visit, VisitRecord
from benchwatch.report.contents.report_document import report_document
from benchwatch.report.contents.summary import _settled_words

LEFT = "How the unit ran as found is not on record. As left, it runs"
FOUND = "As found, the unit ran"
NOT_IN_FULL = "How sure the value as left is can't be said in full: see the cautions."
INSIDE = "inside the tolerance of ±5 ppb"


def one_record(
    kind: RecordKind, offset: float, *, dof: float = math.inf, missing: tuple[str, ...] = ()
) -> OffsetRecord:
    """Return a record with u = 0.1 ppb."""
    row = BudgetRow(
        name="all", source="made", u=1e-10, distribution="normal", dof=dof, estimate=offset
    )
    return replace(record(kind, offset), budget=Budget((row,), missing))


def summary_of(*records: OffsetRecord) -> str:
    """Return the summary of the report on a visit with these records and a tolerance of 5 ppb."""
    kept = tuple(VisitRecord(entry=f"bench-0/{k}", at_utc_s=1.9e9, record=one)
                 for k, one in enumerate(records, 10))  # fmt: skip
    visit = Visit(
        name="bench-0/9", opened_utc_s=1.9e9 - 3600.0, closed_utc_s=1.9e9,
        nominal_hz=Decimal(10_000_000), tolerance=5e-9, records=kept,
    )  # fmt: skip
    return summary_in(report_document(source_of_visit(visit)))


def summary_in(document: dict[str, Any]) -> str:
    """Return the summary of a document, which is its first section."""
    assert document["pages"][0]["sections"][0]["name"] == "summary"
    (block,) = blocks_of(document, "summary")
    return str(block["text"])


def lies(kind: RecordKind, low: str, high: str) -> str:
    """Return the sentence on the true offset."""
    return (
        f"The true offset {kind} lies between {low} ppb and {high} ppb, with a confidence of "
        "about 95 %."
    )


DOUBTFUL = replace(one_record(AS_FOUND, 9e-9), conditions=((CAUTION, "still warming"),))
CASES: list[tuple[str, OffsetRecord, list[str]]] = [
    ("outside", one_record(AS_LEFT, 36.97e-9), [
        f"{LEFT} fast by 36.97 ppb (0.3697 Hz at 10 MHz), outside the tolerance of ±5 ppb.",
        lies(AS_LEFT, "+36.77", "+37.17"),
    ]),
    ("something not counted", one_record(AS_LEFT, -2e-9, missing=("time base",)), [
        f"{LEFT} slow by 2.00 ppb (0.0200 Hz at 10 MHz), {INSIDE}, as far as its uncertainty is",
        f"known. {NOT_IN_FULL}",
    ]),
    ("at its nominal", one_record(AS_LEFT, 0.1e-9), [
        f"{LEFT} at its nominal as closely as could be measured, {INSIDE}.",
        lies(AS_LEFT, "-0.10", "+0.30"),
    ]),
    ("no U", one_record(AS_LEFT, 4.9e-9, dof=0.5), [
        f"{LEFT} fast by 4.90 ppb (0.0490 Hz at 10 MHz); whether it is inside the tolerance",
        f"can't be stated: too few degrees of freedom to state U. {NOT_IN_FULL}",
    ]),
    ("too near the limit", one_record(AS_FOUND, 4.9e-9), [
        f"{FOUND} fast by 4.90 ppb (0.0490 Hz at 10 MHz); whether it is inside the tolerance",
        "can't be stated: too near the limit of ±5 ppb. How it runs as left is not on record.",
        lies(AS_FOUND, "+4.70", "+5.10"),
    ]),
    ("doubtful", DOUBTFUL, [
        f"{FOUND} fast by 9.00 ppb (0.0900 Hz at 10 MHz), outside the tolerance of ±5 ppb;",
        "this value is doubtful. How it runs as left is not on record.",
        NOT_IN_FULL.replace("as left", "as found"),
    ]),
]  # fmt: skip


@pytest.mark.parametrize(("one", "said"), [case[1:] for case in CASES], ids=[c[0] for c in CASES])
def test_it_says_which_way_how_far_and_how_sure(one: OffsetRecord, said: list[str]) -> None:
    """U is 0.20 ppb: u = 0.10 ppb, k = 2.00 for 95.45 % of a normal distribution (GUM, G.1.3)."""
    summary = summary_of(one)

    assert summary.removesuffix(" Read the cautions below as well.") == " ".join(said)


def test_without_a_record_there_is_no_result() -> None:
    """Nothing is made up."""
    summary = summary_of()

    assert summary.startswith("There is no result: neither as found nor as left is on record.")
    assert not re.search(r"\d", summary)


def test_an_unknown_uncertainty_is_said() -> None:
    """A value without u is never said to be sure."""
    bare = replace(record(AS_LEFT, 1e-9), budget=Budget((), ("everything",)))

    assert "How sure the value as left is, is not known: see the cautions." in summary_of(bare)


def test_the_summary_of_a_whole_visit(tmp_path: Path) -> None:
    """As found, the turns with their time, the landing and as left stand in the order of events."""
    made = report_kit.good_visit(tmp_path / "bench")

    document = report_document(source_of(made))

    summary = summary_in(document)
    parts = [
        "As found, unit 0418 ran fast by ", "outside the tolerance of ±5 ppb.",
        f"The trimmer was turned {len(made.turns)} times, from ", "It settled ",
        "As left, it runs ", "inside the tolerance of ±5 ppb.", "lies between ",
        "Read the cautions below as well.",
    ]  # fmt: skip
    places = [summary.find(part) for part in parts]
    assert -1 not in places
    assert places == sorted(places)
    assert page_text(document, "customer").count("was turned") == 1


def test_its_numbers_are_those_of_the_results(tmp_path: Path) -> None:
    """Sizes are the values of the boxes, and the ends are exactly value - U and value + U."""
    document = report_document(source_of(report_kit.good_visit(tmp_path / "bench")))

    summary = summary_in(document)
    boxes = results_of(document)
    for kind in ("as found", "as left"):
        value = boxes[kind]["value"].split()[0].lstrip("(+-")
        assert f" by {value} ppb" in summary
    left = next(one["offset"] for one in document["results"] if one["name"] == "as left")
    ends = re.findall(r"([+-][\d.]+) ppb", summary)
    low, high = (Decimal(end) for end in ends)
    assert (low + high) / 2 == Decimal(left["value"])
    assert (high - low) / 2 == Decimal(left["U"])


@pytest.mark.parametrize(
    ("marks", "said"),
    [
        ([("settled", -60.0)], "It had settled before the last turn, and stayed so."),
        ([("settled", -60.0), ("settled", 30.0)], "It settled 30 s after the last turn."),
        ([("settled", -60.0), ("warming", 5.0)], "It was not seen to settle after that."),
        ([("settled", -60.0), ("unsure", -20.0)], "It was not seen to settle after that."),
        ([], "It was not seen to settle after that."),
    ],
)
def test_whether_it_has_settled_is_said_in_view_of_the_last_turn(
    marks: list[tuple[str, float]], said: str
):
    """A turn within the settle limit does not end that it is settled, as on the screen."""
    made = [SettleMark(utc_s=1.9e9 + at_s, state=state, text="") for state, at_s in marks]

    assert _settled_words(made, 1.9e9) == said
