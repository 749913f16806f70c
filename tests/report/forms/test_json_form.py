"""JSON: the document itself, readable, the same bytes each time."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as some
from made_document_kit import hostile_document

from benchwatch.report.forms.json_form import json_form

VALUES = some.recursive(
    some.none()
    | some.booleans()
    | some.text()
    | some.floats(allow_nan=False, allow_infinity=False),
    lambda inner: some.lists(inner) | some.dictionaries(some.text(), inner),
    max_leaves=12,
)


def test_the_document_comes_back() -> None:
    """Another parser reads what was written."""
    assert json.loads(json_form(hostile_document())) == hostile_document()


def test_coordinates_of_a_chart_stand_on_one_line() -> None:
    """A list of numbers does not take a line a number; a text that looks like one stays."""
    written = json_form({"x": [1.5, -2e-9, None], "text": "[\n  1,\n  2\n]"}).decode()

    assert '"x": [1.5, -2e-09, null]' in written
    assert json.loads(written)["text"] == "[\n  1,\n  2\n]"


@given(some.dictionaries(some.text(), VALUES))
def test_any_document_comes_back(document: dict[str, object]) -> None:
    """Whatever the texts and numbers."""
    assert json.loads(json_form(document)) == document


def test_a_lone_surrogate_is_written_as_its_escape() -> None:
    r"""A text from a damaged file is valid UTF-8 as JSON, by RFC 8259, 8.2."""
    assert b"\\udc80" in json_form({"text": "\udc80"})


def test_a_number_that_is_not_finite_is_refused() -> None:
    """JSON has no such number."""
    with pytest.raises(ValueError, match="not JSON compliant"):
        json_form({"x": float("nan")})
