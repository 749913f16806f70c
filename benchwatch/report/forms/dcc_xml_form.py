"""The report as XML by the open schema of the digital calibration certificate, version 3.1.2.

Quantities follow the open schema D-SI, version 2.1.0. The standard library writes it; neither
schema is shipped. The order of the elements is that of the schemas' sequences. What the schema
requires and a laboratory may not know is written as `UNKNOWN`. All that the pages say is within it,
as text, in the element for the human-readable document.
"""

import base64
import importlib.metadata
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from benchwatch.estimate.uncertainty.uncertainty_budget import USUAL_COVERAGE
from benchwatch.report.forms.harmless_text import harmless_document
from benchwatch.report.forms.page_view import page_marks, replacement_words
from benchwatch.report.forms.text_form import text_form

SCHEMA_VERSION: Final = "3.1.2"
DCC: Final = "https://ptb.de/dcc"
SI: Final = "https://ptb.de/si"
UNKNOWN: Final = "not stated"
LANGUAGE: Final = "en"
STATUS: Final = {"as found": "beforeAdjustment", "as left": "afterAdjustment"}
"""What the schema calls the time of a condition."""
NO_COUNTRY: Final = "ZZ"
"""Instead of a country's code; ISO 3166-1 leaves it to users."""
CONFORMITY: Final = {"inside": "pass", "outside": "fail", "not shown to be inside": "noPass"}
"""What the schema calls a verdict; one that can't be stated has words only."""

_DAY: Final = re.compile(r"\d{4}-\d{2}-\d{2}")
_D_SI_FACTOR: Final = re.compile(r"[1-9]\d*(\.\d*)?")


def dcc_xml_form(document: Mapping[str, Any]) -> bytes:
    """Return a document as XML in UTF-8; the same document gives the same bytes."""
    shown = harmless_document(document)
    for prefix, namespace in (("dcc", DCC), ("si", SI)):
        ET.register_namespace(prefix, namespace)
    root = ET.Element(f"{{{DCC}}}digitalCalibrationCertificate", schemaVersion=SCHEMA_VERSION)
    _administrative_data(_add(root, "administrativeData"), shown)
    _measurement_results(_add(root, "measurementResults"), shown)
    pages = _add(root, "document")
    _add(pages, "fileName", "report.txt")
    _add(pages, "mimeType", "text/plain; charset=utf-8")
    _add(pages, "dataBase64", base64.b64encode(text_form(document)).decode())
    ET.indent(root)
    written: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return written + b"\n"


def _administrative_data(into: ET.Element, document: Mapping[str, Any]) -> None:
    laboratory = document["laboratory"]
    software = _add(_add(into, "dccSoftware"), "software")
    _text(software, "name", "Benchwatch")
    _add(software, "release", importlib.metadata.version("benchwatch"))
    _core_data(_add(into, "coreData"), document)
    _items(_add(into, "items"), document["unit"])
    address = (*laboratory["address"], laboratory["place"])
    _contact(_add(into, "calibrationLaboratory"), "contact", laboratory, address)
    person = _add(_add(into, "respPersons"), "respPerson")
    _text(_add(person, "person"), "name", laboratory["person"] or UNKNOWN)
    _contact(into, "customer", document["customer"], ())
    statements = _add(into, "statements")
    for sentence in _statements(document):
        _text(_add(statements, "statement"), "declaration", sentence)


def _core_data(into: ET.Element, document: Mapping[str, Any]) -> None:
    began, until = (document["visit"][name][:10] for name in ("began", "until"))
    _add(into, "countryCodeISO3166_1", NO_COUNTRY)
    _add(into, "usedLangCodeISO639_1", document["language"])
    _add(into, "mandatoryLangCodeISO639_1", document["language"])
    _add(into, "uniqueIdentifier", document["issue"]["identification"])
    received = document["customer"]["received"]
    if _DAY.fullmatch(received):
        _add(into, "receiptDate", received)
    _add(into, "beginPerformanceDate", began)
    _add(into, "endPerformanceDate", until)
    _add(into, "performanceLocation", "laboratory")


def _items(into: ET.Element, unit: Mapping[str, Any]) -> None:
    item = _add(into, "item")
    _text(item, "name", unit["description"] or unit["ident"] or UNKNOWN)
    _text(_add(item, "manufacturer"), "name", UNKNOWN)
    identification = _add(_add(item, "identifications"), "identification")
    _add(identification, "issuer", "owner")
    _add(identification, "value", unit["ident"] or UNKNOWN)


def _contact(into: ET.Element, name: str, who: Mapping[str, Any], address: Sequence[str]) -> None:
    contact = _add(into, name)
    _text(contact, "name", who.get("name") or UNKNOWN)
    _add(contact, "eMail", who.get("email") or UNKNOWN)
    if who.get("phone"):
        _add(contact, "phone", who["phone"])
    lines = [line for line in address if line] or [UNKNOWN]
    _text(_add(contact, "location"), "further", *lines)


def _statements(document: Mapping[str, Any]) -> Iterator[str]:
    """Yield what holds for the whole report."""
    yield from (f"{mark}." for mark in page_marks(document))
    if document["issue"]["date"]:
        yield f"Issued {document['issue']['date']}."
    yield from replacement_words(document)
    yield document["laboratory"]["accreditation"]
    for sentences in document["cautions"].values():
        yield from (f"Caution: {sentence}" for sentence in sentences)


def _measurement_results(into: ET.Element, document: Mapping[str, Any]) -> None:
    for result in document["results"]:
        measured = _add(into, "measurementResult")
        _text(measured, "name", result["name"])
        _method(measured, document["laboratory"])
        if result["counter"]:
            counter = _add(_add(measured, "measuringEquipments"), "measuringEquipment")
            _text(counter, "name", result["counter"])
        _influence_conditions(measured, result)
        _result(_add(_add(measured, "results"), "result"), result)
    if not document["results"]:
        measured = _add(into, "measurementResult")
        _text(measured, "name", "offset")
        result = _add(_add(measured, "results"), "result")
        _text(result, "name", "offset")
        _text(_add(result, "data"), "text", "There is no result.")


def _method(into: ET.Element, laboratory: Mapping[str, Any]) -> None:
    """Write the laboratory's method, what was done otherwise, and how it is traceable."""
    sentences = [*laboratory["method"], *laboratory["deviations"], *laboratory["traceability"]]
    if sentences:
        method = _add(_add(into, "usedMethods"), "usedMethod")
        _text(method, "name", "method of the laboratory")
        _text(method, "description", *sentences)


def _influence_conditions(into: ET.Element, result: Mapping[str, Any]) -> None:
    if not result["conditions"]:
        return
    conditions = _add(into, "influenceConditions")
    for name, text in result["conditions"]:
        condition = _add(conditions, "influenceCondition")
        _text(condition, "name", name)
        if result["name"] in STATUS:
            _add(condition, "status", STATUS[result["name"]])
        _text(_add(condition, "data"), "text", text)


def _result(into: ET.Element, result: Mapping[str, Any]) -> None:
    """Write a result: the nominal, the offset in its units with U, and what is said of it."""
    _text(into, "name", result["name"])
    cautions = [result["caution"]] if result["caution"] else []
    _text(into, "description", result["statement"], *cautions, *result["missing"])
    data = _add(into, "data")
    if result["nominal_hz"] is not None:
        nominal = _add(data, "quantity")
        _text(nominal, "name", "nominal frequency")
        _real(nominal, {"value": result["nominal_hz"]}, "\\hertz", result)
    for name, units in (
        ("fractional offset", ((result["fraction"], "\\one"), (result["offset"], ""))),
        ("offset", ((result["hertz"], "\\hertz"),)),
    ):
        stated = [(one, unit or one["unit"]) for one, unit in units if one is not None]
        if not stated:
            continue
        quantity = _add(data, "quantity")
        _text(quantity, "name", name)
        _text(quantity, "description", *_uncertainty_words(result["offset"], stated))
        holder = _add(quantity, "hybrid", namespace=SI) if len(stated) > 1 else quantity
        for one, unit in stated:
            _real(holder, one, unit, result)
        _conformity(quantity, result)


def _uncertainty_words(
    offset: Mapping[str, Any], stated: Sequence[tuple[Mapping[str, Any], str]]
) -> Iterator[str]:
    """Yield the standard uncertainties; the schema has a place for U only."""
    for one, unit in stated:
        if one["u"] is not None:
            yield f"u (k = 1): {one['u']} {unit}"
    if offset["dof"] is not None:
        yield f"degrees of freedom: {offset['dof']}"
    yield f"coverage: {offset['coverage'] or UNKNOWN}"


def _real(into: ET.Element, one: Mapping[str, Any], unit: str, result: Mapping[str, Any]) -> None:
    """Write a number with its unit, its time and, where it is known, U with k and probability."""
    real = _add(into, "real", namespace=SI)
    _add(real, "value", _d_si(one["value"]), SI)
    _add(real, "unit", unit, SI)
    _add(real, "dateTime", result["utc"], SI)
    half_width, k = one.get("U"), result["offset"]["k"]
    if half_width is not None and k is not None and _D_SI_FACTOR.fullmatch(k):
        expanded = _add(real, "expandedUnc", namespace=SI)
        _add(expanded, "uncertainty", _d_si(half_width), SI)
        _add(expanded, "coverageFactor", k, SI)
        _add(expanded, "coverageProbability", f"{USUAL_COVERAGE:g}", SI)


def _conformity(into: ET.Element, result: Mapping[str, Any]) -> None:
    if not result["verdict_words"]:
        return
    said = _add(_add(into, "measurementMetaData"), "metaData")
    _text(said, "declaration", result["verdict_words"], f"decision rule: {result['rule']}")
    if result["verdict"] in CONFORMITY:
        _add(said, "conformity", CONFORMITY[result["verdict"]])


def _d_si(number: str) -> str:
    """Return a number as D-SI writes it: the minus sign of ASCII, no blanks."""
    return number.replace("−", "-").replace(" ", "")


def _add(into: ET.Element, name: str, text: str = "", namespace: str = DCC) -> ET.Element:
    """Add an element, by default one of the calibration schema."""
    element = ET.SubElement(into, f"{{{namespace}}}{name}")
    element.text = text or None
    return element


def _text(into: ET.Element, name: str, *lines: str) -> None:
    """Add an element with one or more lines of text, which the schema marks by their language."""
    element = _add(into, name)
    for line in lines:
        _add(element, "content", line).set("lang", LANGUAGE)
