"""Every number of a report stands in every form of it, and no form shows another one."""

import base64
import re
import xml.etree.ElementTree as ET
from typing import Any

import pytest
from made_document_kit import hostile_document, made_document
from report_form_kit import (
    csv_text,
    document_of,
    html_text,
    json_text,
    numbers,
    pdf_text,
    shown_numbers,
    texts,
    xml_text,
)
from report_kit import ageing_visits, bad_visit, empty_visit, good_visit, long_visit

from benchwatch.report.forms.form_list import FORMS

pytestmark = pytest.mark.long

READ_BACK = {
    ".html": html_text,
    ".pdf": pdf_text,
    ".txt": bytes.decode,
    ".json": json_text,
    ".csv": csv_text,
}
"""By ending; XML has a test of its own, as its schema has places for results only."""
MADE = {
    "good": good_visit,
    "bad": bad_visit,
    "empty": empty_visit,
    "ageing": ageing_visits,
    "long": long_visit,
}
LONG_WORD = 30
"""A longer number (a hash) may break over lines."""


@pytest.fixture(scope="module", params=[*MADE, "of texts", "hostile"])
def document(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Return the document of a made visit."""
    if request.param == "of texts":
        return made_document()
    if request.param == "hostile":
        return hostile_document()
    made = MADE[request.param](tmp_path_factory.mktemp(request.param))
    return document_of(made, forecast=True)


def _missing(expected: set[str], text: str) -> set[str]:
    """Return the numbers that a text lacks; a long one may be broken into lines."""
    whole = re.sub(r"\s", "", text)
    return {one for one in expected - numbers([text]) if len(one) < LONG_WORD or one not in whole}


@pytest.mark.parametrize("ending", READ_BACK)
def test_each_number_of_the_pages_stands_in_the_form(document: dict[str, Any], ending: str) -> None:
    """The form, read by another parser, shows all numbers of the pages and of the issue."""
    form = FORMS[ending].write(document)

    assert _missing(shown_numbers(document), READ_BACK[ending](form)) == set()


@pytest.mark.parametrize("ending", READ_BACK)
def test_no_other_number_stands_in_the_form(document: dict[str, Any], ending: str) -> None:
    """What the form shows is in the document, but for the numbers of pages of a PDF."""
    text = READ_BACK[ending](FORMS[ending].write(document))
    if ending == ".pdf":
        text = re.sub(r"page \d+ of \d+", "", text)

    # Words that are broken over lines may be cut within a number.
    parts = "".join(texts(document))
    other = {one for one in numbers([text]) - numbers(texts(document)) if one not in parts}
    assert other == set()


def test_each_number_of_the_results_stands_in_csv_and_xml(document: dict[str, Any]) -> None:
    """Values with u, U and k, time and verdict are cells and elements of their own."""
    keys = ("offset", "hertz", "fraction")
    expected = {
        value
        for result in document["results"]
        for key in keys
        if result[key] is not None
        for name in ("value", "u", "U")
        if (value := result[key][name]) is not None
    }
    rows = csv_text(FORMS[".csv"].write(document)).split("\n")
    elements = xml_text(FORMS[".xml"].write(document))

    assert expected <= set(rows)
    assert expected <= set(re.split(r"[\s]", elements))


def test_the_pages_are_within_the_xml(document: dict[str, Any]) -> None:
    """The element for the human-readable document holds the text form."""
    root = ET.fromstring(FORMS[".xml"].write(document))

    data = root.findtext(".//{https://ptb.de/dcc}document/{https://ptb.de/dcc}dataBase64")
    assert data is not None
    assert base64.b64decode(data) == FORMS[".txt"].write(document)


@pytest.mark.parametrize("ending", FORMS)
def test_the_same_document_gives_the_same_bytes(document: dict[str, Any], ending: str) -> None:
    """A form holds no time of its own and no chance."""
    assert FORMS[ending].write(document) == FORMS[ending].write(document)
