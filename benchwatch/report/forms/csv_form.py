"""The report as CSV: a row a stated value, for spreadsheets and scripts."""

import csv
import io
import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

from benchwatch.report.forms.harmless_text import harmless_document
from benchwatch.report.forms.page_view import page_marks, replacement_words

HEADER: Final = ("part", "name", "value", "unit", "u", "U", "k", "coverage", "time", "text")
ENCODING: Final = "utf-8-sig"
"""With a byte order mark: without it, common spreadsheets take ± and µ for something else."""
_FORMULA: Final = re.compile(r"\s*[=+\-@]")
_NUMBER: Final = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?")

Row = dict[str, str]


def csv_form(document: Mapping[str, Any]) -> bytes:
    """Return a document as CSV by RFC 4180: results first, then all that the pages say.

    A cell that a spreadsheet would take for a formula gets an apostrophe before it, which a
    spreadsheet does not show; numbers stay as they are.
    """
    shown = harmless_document(document)
    written = io.StringIO(newline="")
    writer = csv.writer(written)
    writer.writerow(HEADER)
    for row in _rows(shown):
        writer.writerow([_no_formula(row.get(name, "")) for name in HEADER])
    return written.getvalue().encode(ENCODING)


def _rows(document: Mapping[str, Any]) -> Iterator[Row]:
    yield from _issue(document)
    for result in document["results"]:
        yield from _result(result)
    for page in document["pages"]:
        for section in page["sections"]:
            part = section["title"] or section["name"]
            for block in section["blocks"]:
                for row in _block(block, document["charts"]):
                    yield {"part": part, **row}


def _issue(document: Mapping[str, Any]) -> Iterator[Row]:
    """Yield which report it is, of whom; what stands on every page."""
    issue, laboratory = document["issue"], document["laboratory"]
    facts = [
        ("title", document["title"]),
        ("identification", issue["identification"]),
        ("date", issue["date"]),
        ("laboratory", laboratory["name"]),
        *(("address", line) for line in laboratory["address"]),
    ]
    for name, text in facts:
        yield {"part": "report", "name": name, "text": text}
    for mark in page_marks(document):
        yield {"part": "report", "name": "mark", "text": mark}
    for sentence in replacement_words(document):
        yield {"part": "report", "name": "replaces", "text": sentence}


def _result(result: Mapping[str, Any]) -> Iterator[Row]:
    """Yield a result in each of its units, then what is said of it."""
    part, time = result["name"], result["time"]
    offset = result["offset"]
    certainty = {name: offset[name] or "" for name in ("k", "coverage")}
    for name, one in (
        ("offset", offset),
        ("offset in hertz", result["hertz"]),
        ("fractional offset", {"unit": "", **result["fraction"]}),
    ):
        if one is not None:
            yield {
                "part": part,
                "name": name,
                **{key: one[key] or "" for key in ("value", "unit", "u", "U")},
                **certainty,
                "time": time,
            }
    nominal_hz = result["nominal_hz"]
    if nominal_hz is not None:
        yield {"part": part, "name": "nominal", "value": nominal_hz, "unit": "Hz"}
    yield {"part": part, "name": "readings", "value": result["readings"], "time": time}
    for name, key in (("tolerance", "tolerance"), ("verdict", "verdict_words")):
        if result[key]:
            yield {"part": part, "name": name, "text": result[key]}
    yield {"part": part, "name": "statement", "text": result["statement"]}


def _block(block: Mapping[str, Any], charts: Mapping[str, Any]) -> Iterator[Row]:
    kind = block["kind"]
    if kind == "text":
        yield {"name": "caution" if block["tone"] == "warning" else "", "text": block["text"]}
    elif kind == "facts":
        for label, value in block["rows"]:
            yield {"name": label, "text": value}
    elif kind == "table":
        for row in block["rows"]:
            for name, cell in zip(block["header"], row, strict=True):
                yield {"name": name, "value": cell}
    elif kind == "result":
        for key in ("value", "also", "verdict", "detail"):
            yield {"name": block["label"], "text": block[key]}
    elif kind == "figure":
        yield {"name": "chart", "text": charts[block["chart"]]["alternative"]}


def _no_formula(cell: str) -> str:
    return f"'{cell}" if _FORMULA.match(cell) and not _NUMBER.fullmatch(cell) else cell
