"""CSV: a row a stated value, read by Python's parser; a formula stays text."""

from made_document_kit import HOSTILE_TEXTS, hostile_document, made_document
from report_form_kit import csv_rows

from benchwatch.report.forms.csv_form import HEADER, csv_form


def test_a_result_is_a_row_with_its_uncertainty() -> None:
    """Value, unit, u, U, k, coverage and time have columns of their own."""
    rows = csv_rows(csv_form(made_document()))

    assert {
        "part": "as found",
        "name": "offset",
        "value": "+36.970",
        "unit": "ppb",
        "u": "0.024",
        "U": "0.049",
        "k": "2.02",
        "coverage": "about 95 %",
        "time": "2026-11-29 13:55 UTC",
        "text": "",
    } in rows


def test_the_file_is_as_rfc_4180_asks() -> None:
    """Lines end with CR LF, the header comes first, and the byte order mark says UTF-8."""
    form = csv_form(made_document())

    assert form.startswith(b"\xef\xbb\xbf" + ",".join(HEADER).encode() + b"\r\n")
    assert form.endswith(b"\r\n")
    assert b"\n" not in form.replace(b"\r\n", b"")


def test_a_formula_gets_an_apostrophe_and_a_number_does_not() -> None:
    """No cell begins with = + - @ but numbers (OWASP, CSV injection); nothing is lost."""
    cells = {cell for row in csv_rows(csv_form(hostile_document())) for cell in row.values()}

    begin = {cell for cell in cells if cell[:1] in set("=+-@\t\r")}
    assert begin == {"+36.970", "+0.412", "+0.36970"}
    for text in HOSTILE_TEXTS:
        assert text in cells or f"'{text}" in cells


def test_a_value_that_is_not_known_is_an_empty_cell() -> None:
    """Without an uncertainty the columns of u, U and k are empty."""
    document = made_document()
    document["results"][0]["offset"] |= {"u": None, "U": None, "k": None, "coverage": None}
    document["results"][0]["hertz"] = None

    rows = [row for row in csv_rows(csv_form(document)) if row["part"] == "as found"]

    assert rows[0]["u"] == rows[0]["U"] == rows[0]["k"] == ""
    assert [row["name"] for row in rows][:2] == ["offset", "fractional offset"]
