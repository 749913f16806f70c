"""The document of a report: its form for programs, equal when made twice, and always harmless."""

import json
import os
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
import report_kit
from contents_kit import blocks_of, facts_of, leaves, page_text, source_of

from benchwatch.clock import local
from benchwatch.measured_visit.measured_visit import Turn
from benchwatch.register.issued_report import ChainHead
from benchwatch.report.contents.report_document import FORMAT, SECTIONS, report_document
from benchwatch.report.contents.report_source import (
    ReportOptions,
    ReportSource,
)
from benchwatch.report.laboratory.laboratory import Laboratory

CHART_NUMBER = re.compile(r"\.charts\.")
TIME = re.compile(
    r"\d{4}-\d\d-\d\d( \d\d:\d\d(:\d\d)?)?|\b\d\d:\d\d(:\d\d)?\b|\b\d{1,2} [A-Z][a-z]{2}\b"
)


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> ReportSource:
    """A visit with all that a report can show, on a bench of its own."""
    made = report_kit.good_visit(tmp_path_factory.mktemp("good") / "bench")
    head = ChainHead(chain="bench-0", entry="bench-0/40", hash="5e" * 32)
    return source_of(made, head=head)


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> ReportSource:
    """A visit without a reading."""
    return source_of(report_kit.empty_visit(tmp_path_factory.mktemp("empty") / "bench"))


@pytest.fixture
def far_away(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Put this computer into another time zone."""
    monkeypatch.setenv("TZ", "Pacific/Chatham")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_it_is_json_with_texts_alone(good: ReportSource, empty: ReportSource) -> None:
    """Only coordinates of charts are numbers, none of them nan; all else is text, true or null."""
    for source in (good, empty):
        document = report_document(source)

        text = json.dumps(document, allow_nan=False)
        assert json.loads(text) == document
        numbers = [path for path, value in leaves(document) if type(value) in {int, float}]
        assert all(CHART_NUMBER.search(path) for path in numbers)
        assert document["format"] == FORMAT


def test_the_same_source_gives_the_same_document(good: ReportSource) -> None:
    """Made twice it is equal, and the present time of the style is not used."""
    first, second = (json.dumps(report_document(good)) for _ in range(2))

    assert first == second


def test_another_time_zone_changes_only_times(good: ReportSource, far_away: None) -> None:
    """Of two documents, one made 13 h further east, only local times differ."""
    there = without_charts(good)
    os.environ["TZ"] = "UTC"
    time.tzset()
    here = without_charts(good)

    without = [[(path, TIME.sub("#", str(value))) for path, value in one] for one in (there, here)]
    assert there != here
    assert without[0] == without[1]


def test_every_section_is_on_its_page(good: ReportSource) -> None:
    """Sections come in their declared order; the customer's page comes first."""
    document = report_document(good)

    assert [page["name"] for page in document["pages"]] == ["customer", "bench"]
    for page in document["pages"]:
        there = [section["name"] for section in page["sections"]]
        declared = [one.name for one in SECTIONS if one.page == page["name"]]
        assert there == [name for name in declared if name in there]
        assert all(section["blocks"] for section in page["sections"])


def test_the_customers_page_alone(good: ReportSource) -> None:
    """It is the same page, with the charts that it shows and no other."""
    whole = report_document(good)
    source = source_with(good, options=ReportOptions(pages="customer"))

    alone = report_document(source)

    assert alone["pages"] == whole["pages"][:1]
    assert set(alone["charts"]) == {"visit", "landing"}
    assert alone["results"] == whole["results"]


def test_figures_and_charts_belong_together(good: ReportSource, empty: ReportSource) -> None:
    """Each place of a chart has its chart, and each chart a place; nothing to draw has neither."""
    for source in (good, empty):
        document = report_document(source)

        placed = [value for path, value in leaves(document["pages"]) if path.endswith(".chart")]
        assert sorted(placed) == sorted(document["charts"])
    assert report_document(empty)["charts"] == {}
    assert "visit" in report_document(good)["charts"]


def test_a_figure_at_an_axis_keeps_its_two_lines(good: ReportSource) -> None:
    """Below the time since power-on stands the local time, on a line of its own."""
    ticks = report_document(good)["charts"]["warm-up"]["x"]["ticks"]

    assert all(tick["text"].count("\n") == 1 for tick in ticks)


def test_a_forecast_only_where_it_is_asked_for_and_allowed(tmp_path: Path) -> None:
    """Nothing of a due date or of the year ahead stands in it otherwise, nor in its chart."""
    made = report_kit.ageing_visits(tmp_path / "bench")
    asked = ReportOptions(forecast=True)
    allowed, forbidden = Laboratory(), Laboratory(forecasts=False)

    shown = report_document(source_of(made, options=asked, laboratory=allowed))
    plain = [
        report_document(source_of(made)),
        report_document(source_of(made, options=asked, laboratory=forbidden)),
    ]

    word = re.compile(r"due|expected|forecast", re.IGNORECASE)
    assert "is expected" in page_text(shown)
    assert "Forecast, asked for: " in page_text(shown)
    for document in plain:
        said = [value for _, value in leaves(document) if word.search(str(value))]
        assert said == []
        assert "ageing" in page_text(document)


def test_hostile_text_comes_out_harmless(tmp_path: Path) -> None:
    """No control, format or escape character is left; markup and formulas stay text."""
    source = source_of(report_kit.hostile_visit(tmp_path / "bench"))

    document = report_document(source)

    texts = [value for path, value in leaves(document) if isinstance(value, str)]
    assert all(text.isprintable() for text in texts if "\n" not in text)
    assert "alert(1)" in page_text(document)
    assert "Θερμοκρασία φούρνου" in page_text(document)
    assert "فرن المذبذب" in page_text(document)


def test_a_page_of_400_notes(tmp_path: Path) -> None:
    """Every note is there, in its order."""
    source = source_of(report_kit.long_visit(tmp_path / "bench"))

    document = report_document(source)

    (table,) = blocks_of(document, "notes")
    assert len(table["rows"]) >= 400
    assert [[row[0], row[1]] for row in table["rows"]] == document["notes"]


def test_what_was_done_is_what_happened(tmp_path: Path) -> None:
    """The turns that were made are counted and sized; readings and runs are all there."""
    made = report_kit.good_visit(tmp_path / "bench")

    document = report_document(source_of(made))

    customer = page_text(document, "customer")
    assert f"{made.readings} readings in 2 runs" in customer
    assert f"The trimmer was turned {len(made.turns)} times" in customer
    (turns,) = (one["text"] for one in blocks_of(document, "trim") if "turns" in one["text"])
    sizes = [float(size) for size in re.findall(r"([+-]\d+\.\d+) ± \d", turns)]
    assert sizes == pytest.approx([1e9 * size for _, size in made.turns], abs=0.1)
    seconds = [f"{local(at):%H:%M:%S}" for at, _ in made.turns]
    assert re.findall(r"(\d+): (?:[\d-]{10} )?([\d:]{8}) ", turns) == [
        (str(number), at) for number, at in enumerate(seconds, 1)
    ]


def test_without_readings_that_is_said(empty: ReportSource) -> None:
    """Neither a turn nor a verdict is made up."""
    document = report_document(empty)

    texts = [one["text"] for one in blocks_of(document, "work")]
    assert texts == ["No readings of this visit are at hand."]
    assert blocks_of(document, "trim") == []


def test_the_head_and_the_fingerprint_are_on_the_last_section(good: ReportSource) -> None:
    """They are whole, for somebody who compares them by eye; a draft has no head."""
    issued = facts_of(report_document(good), "proof")
    draft = facts_of(report_document(source_with(good, head=None)), "proof")

    assert issued["head of the register"] == f"{'5e' * 32} (chain bench-0, entry bench-0/40)"
    assert draft["head of the register"] == "none: this is a draft"


def test_amendments_are_told_with_their_reason(tmp_path: Path) -> None:
    """What was amended, to what, and why; the results say it too."""
    made = amended_visit(tmp_path)

    document = report_document(source_of(made))

    (sentence,) = blocks_of(document, "amendments")
    assert "as left" in sentence["text"]
    assert "misread the dial" in sentence["text"]
    (left,) = (one for one in document["results"] if one["name"] == "as left")
    assert left["amended"] == "misread the dial"
    assert "was amended: misread the dial" in page_text(document, "customer")


def without_charts(source: ReportSource) -> list[tuple[str, Any]]:
    """Return all values of a document but those of its charts."""
    found = leaves(report_document(source))
    return [(path, value) for path, value in found if not path.startswith(".charts")]


def source_with(source: ReportSource, **more: Any) -> ReportSource:
    """Return a source with other fields."""
    from dataclasses import replace

    return replace(source, **more)


def amended_visit(folder: Path) -> report_kit.MadeVisit:
    """Return a good visit whose record as left was amended."""
    from register_kit import read_all, record

    from benchwatch.register.register_entry import Draft
    from benchwatch.register.register_file import RegisterFile

    made = report_kit.good_visit(folder / "bench")
    register = RegisterFile(made.register)
    (left,) = (
        entry for entry in read_all(register)
        if entry.kind == "record" and '"kind":"as left"' in entry.document
    )  # fmt: skip
    changed = {"record": record("as left", 0.31e-9).as_dict(), "automatic": False}
    register.add([
        Draft(kind="amendment", unit=left.unit, visit=left.visit, amends=left.name,
              document={"reason": "misread the dial", "document": changed})
    ])  # fmt: skip
    return made


def test_many_turns_are_dated_where_their_list_goes_on(tmp_path: Path) -> None:
    """Of twenty turns over midnight the first has its date, and the first after those left out."""
    source = source_of(report_kit.good_visit(tmp_path / "bench"))
    begin_s = datetime(2031, 5, 4, 23, 56, 50).astimezone().timestamp()
    turns = tuple(Turn(utc_s=begin_s + 20.0 * n, size=1e-9, u=1e-10) for n in range(20))
    source = replace(source, measured=replace(source.measured, turns=turns))

    (said,) = (
        one["text"] for one in blocks_of(report_document(source), "trim") if "turns" in one["text"]
    )

    assert said.startswith("20 turns, ± u (k = 1): 1: 2031-05-04 23:56:50 +1.00 ± 0.10 ppb, 2: 23:")
    assert "6: 23:58:30 +1.00 ± 0.10 ppb, then 8 more, 15: 2031-05-05 00:01:30 +1.00" in said
    assert said.endswith("20: 00:03:10 +1.00 ± 0.10 ppb.")
