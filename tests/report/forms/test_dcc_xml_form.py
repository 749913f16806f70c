"""XML by the open schema of the digital calibration certificate, DCC 3.1.2 with D-SI 2.1.0."""

import os
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any, Final

import pytest
from made_document_kit import HOSTILE_TEXTS, hostile_document, made_document

from benchwatch.report.forms.dcc_xml_form import dcc_xml_form

SCHEMA: Final = "BENCHWATCH_DCC_SCHEMA"
NAMES: Final = {"dcc": "https://ptb.de/dcc", "si": "https://ptb.de/si"}
ORDER: Final = {
    "dcc:digitalCalibrationCertificate": "administrativeData measurementResults document",
    "dcc:coreData": "countryCodeISO3166_1 usedLangCodeISO639_1 mandatoryLangCodeISO639_1 "
    "uniqueIdentifier receiptDate beginPerformanceDate endPerformanceDate performanceLocation",
    "dcc:item": "name manufacturer identifications",
    "dcc:identification": "issuer value",
    "dcc:contact": "name eMail phone location",
    "dcc:customer": "name eMail location",
    "dcc:measurementResult": "name usedMethods measuringEquipments influenceConditions results",
    "dcc:usedMethod": "name description",
    "dcc:measuringEquipment": "name",
    "dcc:influenceCondition": "name status data",
    "dcc:result": "name description data",
    "dcc:quantity": "name description hybrid real measurementMetaData",
    "dcc:metaData": "declaration conformity",
    "dcc:document": "fileName mimeType dataBase64",
    "si:real": "value unit dateTime expandedUnc",
    "si:expandedUnc": "uncertainty coverageFactor coverageProbability",
}
"""Children that are written, in the order of the sequences of the schemas dcc.xsd 3.1.2 and
SI_Format.xsd 2.1.0, read in public copies of both."""
MANDATORY: Final = [
    "dccSoftware",
    "coreData",
    "items",
    "calibrationLaboratory",
    "respPersons",
    "customer",
    "statements",
]
"""Parts of the administrative data; the schema lets only the statements out."""
D_SI: Final = {
    "si:value": r"[-+]?((\d*\.\d+)|(\d+\.\d*)|(\d+\.?))([Ee][-+]?\d+)?",
    "si:uncertainty": r"\+?((\d*\.\d+)|(\d+\.\d*)|(\d+\.?))([Ee][-+]?\d+)?",
    "si:coverageFactor": r"\+?(([1-9]\d*\.\d*)|([1-9]\d*))",
    "si:coverageProbability": r"\+?((0(\.\d*)?)|(1(\.0*)?))",
    "si:dateTime": r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[-+]\d\d:\d\d)",
}
"""Patterns of the simple types of D-SI 2.1.0, and of xs:dateTime."""


def _short(tag: str) -> str:
    for prefix, namespace in NAMES.items():
        tag = tag.replace(f"{{{namespace}}}", f"{prefix}:")
    return tag


def _root(document: dict[str, Any]) -> ET.Element:
    return ET.fromstring(dcc_xml_form(document))


def _find(root: ET.Element, path: str) -> list[str]:
    return [one.text or "" for one in root.findall(path, NAMES)]


@pytest.mark.parametrize("document", [made_document(), hostile_document()], ids=["made", "hostile"])
def test_elements_are_in_the_order_of_the_schema(document: dict[str, Any]) -> None:
    """Each element's children are a subsequence of what its type lists."""
    root = _root(document)

    seen = set()
    for element in root.iter():
        name = _short(element.tag)
        if name not in ORDER:
            continue
        seen.add(name)
        places = [ORDER[name].split().index(_short(one.tag).partition(":")[2]) for one in element]
        assert places == sorted(places), name
    assert seen == set(ORDER)


def test_mandatory_data_are_there() -> None:
    """Root, version, and all parts of the administrative data, each with content."""
    root = _root(made_document())

    assert root.get("schemaVersion") == "3.1.2"
    administrative = root.find("dcc:administrativeData", NAMES)
    assert administrative is not None
    assert [_short(one.tag).partition(":")[2] for one in administrative] == MANDATORY
    assert all(len(one) for one in administrative)
    assert _find(root, ".//dcc:coreData/dcc:receiptDate") == ["2026-11-27"]
    assert _find(root, ".//dcc:coreData/dcc:uniqueIdentifier") == ["0418 / visit 12 / issue 1"]


def test_numbers_are_of_the_types_of_d_si() -> None:
    """Values, uncertainties, factors, probabilities and times match the schema's patterns."""
    root = _root(made_document())

    for name, pattern in D_SI.items():
        found = _find(root, f".//{name}")
        assert found
        assert [one for one in found if not re.fullmatch(pattern, one)] == []


def test_a_result_has_its_uncertainty_and_units() -> None:
    """The fractional offset as found: in SI and in its own unit, U with k and probability."""
    root = _root(made_document())

    hybrid = root.find(".//si:hybrid", NAMES)
    assert hybrid is not None
    assert _find(hybrid, "si:real/si:value") == ["3.697e-8", "+36.970"]
    assert _find(hybrid, "si:real/si:unit") == [r"\one", "ppb"]
    assert _find(hybrid, ".//si:uncertainty") == ["4.9e-11", "0.049"]
    assert _find(hybrid, ".//si:coverageFactor") == ["2.02", "2.02"]
    assert _find(hybrid, ".//si:coverageProbability") == ["0.9545", "0.9545"]


def test_conformity_goes_with_its_rule() -> None:
    """As found is outside, as left inside; the declaration names the decision rule."""
    root = _root(made_document())

    assert _find(root, ".//dcc:conformity") == ["fail", "fail", "pass", "pass"]
    assert "decision rule: three-answers" in _find(root, ".//dcc:metaData/dcc:declaration/*")


def test_a_verdict_that_cannot_be_stated_has_words_only() -> None:
    """The schema knows no such answer, so none is given."""
    document = made_document()
    document["results"][0] |= {"verdict": "not stated", "verdict_words": "can't be stated"}

    root = _root(document)

    assert _find(root, ".//dcc:conformity") == ["pass", "pass"]
    assert "can't be stated" in _find(root, ".//dcc:metaData/dcc:declaration/*")


def test_without_accreditation_a_statement_says_so() -> None:
    """Name of schema and of elements are not ours; our sentence stands beside them."""
    statements = _find(_root(made_document()), ".//dcc:statement/dcc:declaration/*")

    assert "This report is not issued under an accreditation." in statements
    assert "Caution: The counter ran on its own time base." in statements


def test_hostile_text_comes_back_as_it_is() -> None:
    """A parser reads what was written, and no element of it."""
    texts = _find(_root(hostile_document()), ".//dcc:influenceCondition/dcc:data/dcc:text/*")

    assert set(HOSTILE_TEXTS) <= set(texts)


def test_a_report_without_a_result_has_no_quantity() -> None:
    """A visit without a record is said in words, as the schema wants a result."""
    document = made_document()
    document["results"] = []

    root = _root(document)

    assert _find(root, ".//dcc:result/dcc:data/dcc:text/*") == ["There is no result."]
    assert root.find(".//dcc:quantity", NAMES) is None


@pytest.mark.parametrize("document", [made_document(), hostile_document()], ids=["made", "hostile"])
def test_the_schema_accepts_the_xml(document: dict[str, Any], tmp_path: Path) -> None:
    """The open schema, where it is at hand: a path to dcc.xsd, its import beside it."""
    schema = os.environ.get(SCHEMA)
    if not schema:
        pytest.skip(f"set {SCHEMA} to the path of dcc.xsd 3.1.2, with what it imports beside it")
    xmlschema = pytest.importorskip("xmlschema", reason="needs the library xmlschema")

    errors = xmlschema.XMLSchema(schema).iter_errors(ET.ElementTree(_root(document)))

    assert [f"{one.path}: {one.reason}" for one in errors] == []


def test_the_days_of_the_visit_are_stated() -> None:
    """From its first to its newest entry, also in a draft without a date and without a result."""
    document = made_document("draft") | {"results": []}
    document["issue"] |= {"date": "", "at": "", "utc": ""}

    root = ET.fromstring(dcc_xml_form(document))

    days = [root.findtext(f".//dcc:{name}PerformanceDate", namespaces=NAMES)
            for name in ("begin", "end")]  # fmt: skip
    assert days == ["2026-11-28", "2026-11-29"]
