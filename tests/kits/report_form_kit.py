"""Reads the forms of a report back with parsers that are not the program's."""

import csv
import io
import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from html.parser import HTMLParser
from typing import Any

import pypdf
from report_kit import MadeVisit

from benchwatch.measured_visit.visit_reader import read_measured_visit
from benchwatch.register.register_reader import read_register
from benchwatch.report.contents.report_document import report_document
from benchwatch.report.contents.report_source import ReportOptions, ReportSource
from benchwatch.report.laboratory.laboratory import Laboratory
from benchwatch.report.unit_standing import unit_standing
from benchwatch.report.visit_style import VisitStyle

NUMBER = re.compile(r"(?<!\d)[+\-−]?\d+(?:[.,:]\d+)*(?:e[+\-]?\d+)?")
"""A number as it is printed, with its sign; parts of a date and of a word count as well."""
RAISED, LOWERED = "⁻⁰¹²³⁴⁵⁶⁷⁸⁹", str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")
"""Raised digits of Unicode (blocks Latin-1, Superscripts and Subscripts)."""
INLINE = {"bdi", "span", "sup"}
VOID = {"meta", "br", "img", "hr", "link", "input"}


LABORATORY = Laboratory(
    name="Workshop of the gauge station",
    address=("Harbour wall 3", "Northern pier"),
    phone="+00 555 0417",
    email="workshop@gauge.example",
    person="A. Keeper, head of the workshop",
    method=("Our procedure 12: offset of an oscillator against the house standard.",),
    deviations=("None.",),
    traceability=("The house standard is compared every year with the national standard.",),
    opinions=("Let it run all year: it ages less than when switched.",),
    remarks=("Keep this report with the unit.",),
)


def document_of(
    made: MadeVisit,
    *,
    simulated: bool = False,
    laboratory: Laboratory = LABORATORY,
    **options: Any,
) -> dict[str, Any]:
    """Return the document of a made visit, issued for the first time.

    Args:
        made: the visit.
        simulated: whether it is said to be one of a simulated bench.
        laboratory: who issues it.
        options: those of the report.
    """
    with read_register(made.register) as register:
        visit = register.visit(made.name)
        assert visit is not None
        assert visit.unit is not None
        unit = register.unit(visit.unit)
        assert unit is not None
        standing = unit_standing(unit, register.visits_of(unit.ident))
        own_chain = register.own_chain

    def second(utc_s: float) -> str:
        return f"{datetime.fromtimestamp(utc_s, UTC):%Y-%m-%d %H:%M:%S} UTC"

    def moment(utc_s: float) -> str:
        return f"{datetime.fromtimestamp(utc_s, UTC):%Y-%m-%d %H:%M} UTC"

    document = report_document(
        ReportSource(
            visit=visit,
            standing=standing,
            style=VisitStyle(
                moment=moment,
                second=second,
                day=lambda utc_s: moment(utc_s)[:10],
                now_utc_s=0.0,
                own_chain=own_chain,
            ),
            measured=read_measured_visit(visit, made.folder),
            options=ReportOptions(**options),
            laboratory=laboratory,
            simulated=simulated,
        )
    )
    document["issue"] |= {
        "state": "issued",
        "number": "1",
        "identification": f"{visit.unit} / visit {visit.number} / issue 1",
        "date": "2031-05-05",
        "at": "2031-05-05 09:00 UTC",
        "utc": "2031-05-05T09:00:00Z",
    }
    return document


def texts(value: Any) -> Iterator[str]:
    """Yield every text within a value for JSON."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for one in value.values():
            yield from texts(one)
    elif isinstance(value, list):
        for one in value:
            yield from texts(one)


def numbers(some: Iterable[str]) -> set[str]:
    """Return the numbers within texts; raised digits are those of ASCII after ``^``."""
    plain = (
        re.sub(f"[{RAISED}]+", lambda one: f"^{one[0].translate(LOWERED)}", text) for text in some
    )
    return {found for text in plain for found in NUMBER.findall(text)}


def shown_numbers(document: dict[str, Any]) -> set[str]:
    """Return the numbers that every form has to show: of the pages, and which report it is."""
    issue, laboratory = document["issue"], document["laboratory"]
    return numbers(
        [
            *texts([page["sections"] for page in document["pages"]]),
            document["title"],
            *(issue[key] for key in ("identification", "date", "reason")),
            *issue["changes"],
            laboratory["name"],
            *laboratory["address"],
        ]
    )


class HtmlText(HTMLParser):
    """Collects the text, the elements and the attributes of a page."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.texts: list[str] = []
        self.elements: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.style = ""
        self.paragraphs = [""]
        """Text of each innermost element, the parts of a line joined, ``^`` before raised text."""
        self._open: list[str] = []
        self.feed(page)
        self.close()
        assert not self._open, f"not closed: {self._open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        self.elements.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self._open.append(tag)
        if tag not in INLINE:
            self.paragraphs.append("")
        if tag == "sup":
            self.paragraphs[-1] += "^"

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element of SVG without content."""
        self.elements.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        """Note that an element ends."""
        assert self._open.pop() == tag
        if tag not in INLINE:
            self.paragraphs.append("")

    def handle_data(self, data: str) -> None:
        """Note text."""
        if self._open and self._open[-1] == "style":
            self.style += data
        else:
            self.texts.append(data)
            self.paragraphs[-1] += data


def html_text(form: bytes) -> str:
    """Return the text of a page of HTML, an element a line."""
    return "\n".join(HtmlText(form.decode()).paragraphs)


def pdf_text(form: bytes) -> str:
    """Return the text of a PDF."""
    reader = pypdf.PdfReader(io.BytesIO(form))
    return "\n".join(page.extract_text() for page in reader.pages)


def csv_rows(form: bytes) -> list[dict[str, str]]:
    """Return the rows of a CSV by its header."""
    return list(csv.DictReader(io.StringIO(form.decode("utf-8-sig"), newline="")))


def csv_text(form: bytes) -> str:
    """Return the cells of a CSV, one a line."""
    return "\n".join(cell for row in csv_rows(form) for cell in row.values())


def json_text(form: bytes) -> str:
    """Return the texts of a JSON, one a line."""
    return "\n".join(texts(json.loads(form)))


def xml_text(form: bytes) -> str:
    """Return the texts of an XML, an element a line; base64 is left out."""
    root = ET.fromstring(form)
    return "\n".join(one.text or "" for one in root.iter() if not one.tag.endswith("}dataBase64"))
