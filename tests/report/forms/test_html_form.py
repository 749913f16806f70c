"""HTML: one file without script, nothing from outside, and no text that becomes markup."""

import re
from typing import Any

import pytest
from made_document_kit import HOSTILE_TEXTS, hostile_document, made_document
from report_form_kit import INLINE, HtmlText

from benchwatch.report.forms.html_form import html_form

REFERENCES = {"href", "src", "srcset", "action", "data", "poster", "formaction", "xlink:href"}
"""Attributes that fetch or lead somewhere (WHATWG HTML, list of attributes with URLs)."""


def _page(document: dict[str, Any]) -> HtmlText:
    return HtmlText(html_form(document).decode())


@pytest.mark.parametrize("document", [made_document(), hostile_document()], ids=["made", "hostile"])
def test_the_page_has_no_script_and_fetches_nothing(document: dict[str, Any]) -> None:
    """No element runs, no attribute refers elsewhere, and the page's own policy forbids both."""
    page = _page(document)

    assert not {"script", "iframe", "object", "embed", "link", "img", "base"} & {*page.elements}
    assert [one for one in page.attributes if one[1] in REFERENCES or one[1].startswith("on")] == []
    assert "url(" not in page.style
    assert "@import" not in page.style
    policy = ("meta", "content", "default-src 'none'; style-src 'unsafe-inline'")
    assert policy in page.attributes


@pytest.mark.parametrize("text", HOSTILE_TEXTS, ids=lambda text: text[:12])
def test_hostile_text_comes_back_as_it_is(text: str) -> None:
    """A parser reads a note, a caution and a fact as the text that was written."""
    paragraphs = _page(hostile_document()).paragraphs

    assert text in paragraphs
    assert f"Caution {text}" in re.sub(r"\n", "", "".join(paragraphs))


def test_hostile_text_makes_no_element() -> None:
    """The page has the same elements as one with plain text in the same places."""
    plain, hostile = hostile_document(), hostile_document()
    plain = _plain(plain)

    without = [one for one in _page(hostile).elements if one not in INLINE]
    assert without == [one for one in _page(plain).elements if one not in INLINE]


def _plain(value: Any) -> Any:
    """Return a document whose hostile texts are words of the same lengths."""
    if isinstance(value, str):
        hostile = value in HOSTILE_TEXTS or "<" in value
        return re.sub(r"\S", "w", value) if hostile else value
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_plain(one) for one in value]
    return value


def test_the_identification_stands_below_each_printed_page() -> None:
    """The style of pages writes it, with every character escaped as CSS Syntax 3, 4.3.7, asks."""
    style = _page(hostile_document()).style

    found = re.search(r'@bottom-left \{ content: "([^"]*)"', style)
    assert found is not None
    text = re.sub(r"\\([0-9a-f]+) ", lambda one: chr(int(one[1], 16)), found[1])
    assert text == hostile_document()["issue"]["identification"]
    assert "counter(page)" in style


def test_right_to_left_text_is_isolated_from_the_number_beside_it() -> None:
    """An Arabic name stands in an element of its own direction; the number after it does not."""
    page = html_form(hostile_document()).decode()

    assert '<bdi dir="rtl">محطة قياس المد</bdi> 12 ppb' in page


def test_a_draft_says_so_on_every_page() -> None:
    """The word stands on the screen, in the margin of each printed page, and behind its text."""
    page = _page(made_document("draft"))

    assert page.paragraphs.count("DRAFT") == 2
    assert '@top-center { content: "DRAFT"' in page.style
    assert "DRAFT" not in html_form(made_document()).decode()


def test_a_simulated_bench_is_said_on_every_page() -> None:
    """The words stand on the screen and in the margin of each printed page."""
    page = _page(made_document() | {"simulated": True})

    assert "SIMULATED BENCH: nothing real was measured" in page.paragraphs
    assert r'@top-center { content: "SIMULATED\20 BENCH\3a \20 nothing' in page.style


def test_another_issue_names_the_one_it_replaces() -> None:
    """What was replaced, why, and what has changed stand at the head of the page."""
    document = made_document()
    document["issue"] |= {
        "replaces": {
            "number": "1",
            "date": "2026-11-01",
            "identification": "0418 / visit 12 / issue 1",
        },
        "reason": "wrong reference",
        "changes": ["as left: was +0.4 ppb, is now +0.5 ppb"],
    }

    paragraphs = _page(document).paragraphs

    assert "This issue replaces 0418 / visit 12 / issue 1 of 2026-11-01." in paragraphs
    assert "Reason: wrong reference" in paragraphs
    assert "as left: was +0.4 ppb, is now +0.5 ppb" in paragraphs


def test_tables_have_headers_and_charts_have_words() -> None:
    """Header cells name their column, and each drawing has a title and a description."""
    page = _page(made_document())

    assert ("th", "scope", "col") in page.attributes
    assert page.elements.count("svg") == page.elements.count("desc") == 3
    assert ("html", "lang", "en") in page.attributes


def test_powers_are_raised_and_nothing_else_is() -> None:
    """A power of a number is raised, and nothing else is; an identification stays as it is."""
    document = made_document()
    document["pages"][0]["sections"][0]["blocks"] = [
        {"kind": "text", "tone": "text", "text": "(+3.6970 ± 0.0037) × 10^-8, a^2 and x^"}
    ]
    document["issue"]["identification"] = "10^4 / visit 1"

    page = _page(document)

    assert page.elements.count("sup") == 1
    assert "<sup>-8</sup>, a^2 and x^" in html_form(document).decode()
    assert "10^4 / visit 1" in page.paragraphs
