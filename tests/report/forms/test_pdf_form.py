"""PDF: two pages, tagged, archivable, with the document attached; no text becomes typst code."""

import io
import re
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pypdf
import pytest
from made_document_kit import HOSTILE_TEXTS, hostile_document, made_document
from report_form_kit import document_of, pdf_text
from report_kit import good_visit, long_visit

from benchwatch.errors import UsageError
from benchwatch.report.forms import pdf_form as form
from benchwatch.report.forms import typst_compiler
from benchwatch.report.forms.json_form import json_form
from benchwatch.system.installation import extra_words


def _read(document: dict[str, Any]) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(form.pdf_form(document)))


def test_a_pdf_is_tagged_and_says_title_and_language() -> None:
    """PDF/UA-1 asks for these (ISO 14289-1, clause 7.1); its metadata names both standards."""
    reader = _read(made_document())

    catalog = reader.trailer["/Root"]
    assert catalog["/MarkInfo"]["/Marked"] == True  # noqa: E712 - an object of the parser
    assert catalog["/Lang"] == "en"
    assert catalog["/ViewerPreferences"]["/DisplayDocTitle"] == True  # noqa: E712 - likewise
    assert reader.metadata is not None
    assert reader.metadata.title == "Report on a frequency source, 0418 / visit 12 / issue 1"
    metadata = catalog["/Metadata"].get_data().decode()
    assert "<pdfaid:part>3</pdfaid:part>" in metadata
    assert "<pdfaid:conformance>A</pdfaid:conformance>" in metadata
    assert "<pdfuaid:part>1</pdfuaid:part>" in metadata


def test_the_document_is_attached() -> None:
    """Its JSON form is an embedded file of the PDF, byte by byte."""
    reader = _read(made_document())

    assert list(reader.attachments) == ["report.json"]
    assert reader.attachments["report.json"] == [json_form(made_document())]


def test_each_chart_has_an_alternative_text() -> None:
    """The tags of figures carry the sentence of the chart."""
    document = made_document()
    reader = _read(document)

    assert {chart["alternative"] for chart in document["charts"].values()} <= _alternatives(reader)


def _alternatives(reader: pypdf.PdfReader) -> set[str]:
    """Return alternative texts by walking the tree of tags."""
    found: set[str] = set()
    waiting = [reader.trailer["/Root"]["/StructTreeRoot"]]
    while waiting:
        one = waiting.pop().get_object()
        if isinstance(one, list):
            waiting += one
        elif isinstance(one, dict):
            if "/Alt" in one:
                found.add(str(one["/Alt"]))
            waiting += [one["/K"]] * ("/K" in one)
    return found


def test_each_page_says_which_report_it_is_of_and_its_number() -> None:
    """Identification and page of pages stand on each, and the last one says that it ends."""
    pages = [page.extract_text() for page in _read(made_document()).pages]

    assert len(pages) == 2
    for number, page in enumerate(pages, start=1):
        assert "0418 / visit 12 / issue 1" in page
        assert f"page {number} of 2" in page
    assert "End of the report" in pages[-1]


def test_a_usual_visit_is_two_pages(tmp_path: Path) -> None:
    """One for whoever brought the unit, one for the bench, with all a laboratory has to say."""
    reader = _read(document_of(good_visit(tmp_path)))

    assert len(reader.pages) == 2
    customer, bench = (page.extract_text() for page in reader.pages)
    assert "as found" in customer
    assert "Keep this report with the unit." in customer
    assert bench.startswith("Bench pages")


def test_the_page_for_the_customer_stands_alone(tmp_path: Path) -> None:
    """Without pages for the bench there is one page, with its own end."""
    reader = _read(document_of(good_visit(tmp_path), pages="customer"))

    assert len(reader.pages) == 1
    assert "End of the report" in reader.pages[0].extract_text()


def test_a_long_table_repeats_its_header(tmp_path: Path) -> None:
    """Each page of four hundred notes begins with the header of the table."""
    pages = [page.extract_text() for page in _read(document_of(long_visit(tmp_path))).pages]

    within = [page for page in pages[2:-1] if "UTC" in page]
    assert len(within) > 2
    assert all(re.match(r"time\s+note\b", page.lstrip()) for page in within)


@pytest.mark.parametrize(
    ("change", "words"),
    [({"simulated": True}, "SIMULATED BENCH"), ({"issue": None}, "DRAFT")],
    ids=["simulated", "draft"],
)
def test_a_mark_stands_on_every_page(change: dict[str, Any], words: str) -> None:
    """A draft and a simulated bench are said above the text of each page."""
    document = made_document() | change
    document["issue"] = document["issue"] or made_document("draft")["issue"]

    pages = [page.extract_text() for page in _read(document).pages]

    assert all(words in page for page in pages)


def test_hostile_text_comes_back_as_it_is() -> None:
    """Nothing is evaluated; what was written stands on the pages, long words over lines."""
    text = re.sub(r"\s", "", pdf_text(form.pdf_form(hostile_document())))

    for one in HOSTILE_TEXTS:
        if "محطة" not in one:  # read back in the order of the glyphs
            assert re.sub(r"\s", "", one) in text, one


def test_text_from_right_to_left_keeps_the_number_after_it_in_its_place() -> None:
    """The number and its unit stand to the right of an Arabic name, in a line from the left."""
    text = pdf_text(form.pdf_form(hostile_document()))

    assert re.search(r"[\u0600-\u06ff] 12 ppb", text)


def test_a_character_that_no_font_has_is_replaced() -> None:
    """Private and unassigned characters never keep a report from being written."""
    document = made_document()
    document["laboratory"]["name"] = "bench \ue000 \U0003fffd \U00012000 \u0378 end"

    text = pdf_text(form.pdf_form(document))

    assert re.search(r"bench \? \? . \? end", text)


def test_a_draft_without_a_date_is_written() -> None:
    """It has the time of the newest that is on record of the visit; two of them are one file."""
    document = made_document("draft")
    document["issue"] |= {"date": "", "at": "", "utc": ""}

    written = form.pdf_form(document)

    assert written == form.pdf_form(document)
    metadata = pypdf.PdfReader(io.BytesIO(written)).metadata
    assert metadata is not None
    assert metadata.creation_date == datetime(2026, 11, 29, 13, 40, tzinfo=UTC)


def test_without_typst_the_sentence_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever lacks the library reads what to install, and which forms need none."""
    monkeypatch.setitem(sys.modules, "typst", None)
    typst_compiler._compiler.cache_clear()

    with pytest.raises(UsageError, match=re.escape(extra_words("report")) + r".*\.html"):
        form.pdf_form(made_document())
