"""What ISO/IEC 17025:2017 asks of a report in clause 7.8, each found or with the place left for it.

The items are in our own words, from memory of the standard. What only paper shows (the number of
each page, of how many) is shown by the tests of the forms.
"""

from collections.abc import Callable
from typing import Any

import pytest
import report_kit
from contents_kit import blocks_of, facts_of, leaves, page_text, results_of, source_of

from benchwatch.report.contents.laboratory_words import SIGNATURE_PLACE
from benchwatch.report.contents.report_document import report_document
from benchwatch.report.contents.report_source import NOT_STATED
from benchwatch.report.contents.results import NO_TOLERANCE
from benchwatch.report.laboratory.laboratory import Laboratory

STATED = Laboratory(
    name="Workshop of the gauge station", address=("Harbour wall 3",), place="room 2",
    person="A. Keeper", method=("Procedure 12.",), deviations=("The gate was 1 s.",),
    traceability=("By papers of the standard.",), opinions=("Leave it on.",),
    phone="+00 555 0417",
)  # fmt: skip
Find = Callable[[dict[str, Any]], object]


def fact(section: str, label: str) -> Find:
    """Return what finds a fact; a place without a value says so."""
    return lambda document: facts_of(document, section)[label]


def said(words: str, page: str | None = None) -> Find:
    """Return what finds words on the pages."""
    return lambda document: words in page_text(document, page)


def result_places(document: dict[str, Any]) -> bool:
    """Return whether as found and as left each have a value with its unit, or their place."""
    values = [results_of(document)[kind]["value"] for kind in ("as found", "as left")]
    return all("ppb" in value or value == "not on record" for value in values)


def uncertainties(document: dict[str, Any]) -> bool:
    """Return whether U is in the unit of each result, with its statement."""
    return all(
        one["offset"]["U"] is not None and one["offset"]["unit"] in one["statement"]
        for one in document["results"]
    )


def verdicts(document: dict[str, Any]) -> bool:
    """Return whether each verdict names its tolerance and the rule; without a tolerance, none."""
    texts = [one.get("text", "") for one in blocks_of(document, "results")]
    if NO_TOLERANCE in texts:
        return not any(one["verdict"] for one in document["results"])
    rule = any("Decision rule: " in text for text in texts)
    return rule and all(one["tolerance"] and one["verdict_words"] for one in document["results"])


def conditions(document: dict[str, Any]) -> bool:
    """Return whether conditions were noted, or the place for those of air and supply is left."""
    facts = facts_of(document, "conditions")
    return bool(document["conditions"]) or facts["air, supply"] == NOT_STATED


ITEMS: list[tuple[str, str, Find]] = [
    ("7.8.2.1 a", "a title", lambda document: document["title"]),
    ("7.8.2.1 b", "name and address of the laboratory", lambda d: d["laboratory"]["name"]),
    ("7.8.2.1 c", "where it was done", fact("laboratory", "done at")),
    ("7.8.2.1 d", "an identification of its own", lambda d: d["issue"]["identification"]),
    ("7.8.2.1 d", "a clear end", lambda document: document["end"]),
    ("7.8.2.1 e", "the customer", fact("unit", "customer")),
    ("7.8.2.1 f", "the method", fact("laboratory", "method")),
    ("7.8.2.1 g", "which item it is", fact("unit", "unit")),
    ("7.8.2.1 g", "the state in which it came", fact("unit", "state as it came")),
    ("7.8.2.1 h", "when it was received", fact("unit", "received")),
    ("7.8.2.1 i", "when it was measured", fact("unit", "on the bench")),
    ("7.8.2.1 j", "the date of issue", lambda document: "date" in document["issue"]),
    ("7.8.2.1 l", "that it holds for this item only", said("hold for this unit only", "customer")),
    ("7.8.2.1 m", "results with their units", result_places),
    ("7.8.2.1 n", "deviations from the method", fact("laboratory", "deviations from it")),
    ("7.8.2.1 o", "who authorises it", fact("laboratory", "authorised by")),
    ("7.8.2.1 o", "the place of the signature", said(SIGNATURE_PLACE, "customer")),
    ("7.8.2.1 note", "not to be copied in part", said("in part only with the consent", "customer")),
    ("7.8.4.1 a", "uncertainty in the unit of the result", uncertainties),
    ("7.8.4.1 b", "conditions that act on the result", conditions),
    ("7.8.4.1 c", "how it is traceable", fact("laboratory", "traceability")),
    ("7.8.4.1 d", "before and after adjustment", result_places),
    ("7.8.4.1 e", "conformity, 7.8.6 with its decision rule", verdicts),
    ("7.8.8", "another issue: which one it replaces, what has changed, and why",
     lambda document: {"replaces", "changes", "reason"} <= set(document["issue"])),
]  # fmt: skip


@pytest.fixture(scope="module")
def documents(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """Return the documents of a good visit with a laboratory, and of an empty one without."""
    good = report_kit.good_visit(tmp_path_factory.mktemp("good") / "bench")
    empty = report_kit.empty_visit(tmp_path_factory.mktemp("empty") / "bench")
    return {
        "good": report_document(source_of(good, laboratory=STATED)),
        "empty": report_document(source_of(empty)),
    }


@pytest.mark.parametrize(("clause", "item", "find"), ITEMS, ids=[f"{a}, {b}" for a, b, _ in ITEMS])
@pytest.mark.parametrize("name", ["good", "empty"])
def test_each_item_is_there_or_has_its_place(
    documents: dict[str, dict[str, Any]], name: str, clause: str, item: str, find: Find
) -> None:
    """Clause 7.8 of ISO/IEC 17025:2017 asks for it: it is found, or its place is marked."""
    assert find(documents[name])


def test_what_is_stated_takes_its_place(documents: dict[str, dict[str, Any]]) -> None:
    """In the good visit no place of the laboratory is left empty; in the empty one all are."""
    good, empty = (facts_of(documents[name], "laboratory") for name in ("good", "empty"))

    assert not [label for label, value in good.items() if NOT_STATED in value]
    assert all(NOT_STATED in value for value in empty.values())


def test_opinions_are_marked_as_such(documents: dict[str, dict[str, Any]]) -> None:
    """7.8.7: they are told apart from results, and are the laboratory's own."""
    assert said("Opinions and interpretations: Leave it on.", "customer")(documents["good"])
    assert not said("Opinions")(documents["empty"])


def test_no_interval_is_recommended(documents: dict[str, dict[str, Any]]) -> None:
    """7.8.4.3: nothing is said of a next date unless it was agreed, which nobody did here."""
    texts = [str(value).lower() for _, value in leaves(documents["good"])]

    assert not [text for text in texts if "due date" in text or "recalibrat" in text]


def test_results_from_elsewhere_are_marked() -> None:
    """7.8.2.1 p: a visit that was typed in says that this program did not measure it."""
    from contents_kit import source_of_visit
    from register_kit import record

    from benchwatch.register.visit import TYPED_TABLE, Visit, VisitRecord

    one = VisitRecord(entry="bench-0/2", at_utc_s=1.9e9, record=record("as found", 1e-9))
    visit = Visit(name="bench-0/1", opened_utc_s=1.9e9, source=TYPED_TABLE, records=(one,))

    document = report_document(source_of_visit(visit))

    assert said("this program did not measure them", "customer")(document)


def test_it_does_not_call_itself_what_it_is_not(documents: dict[str, dict[str, Any]]) -> None:
    """No accreditation is claimed, and the word of accredited laboratories is not used."""
    for document in documents.values():
        assert said("This report is not issued under an accreditation.", "customer")(document)
        assert not [v for _, v in leaves(document) if "certificate" in str(v).lower()]
