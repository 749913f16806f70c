"""What the laboratory says: who it is, its method, and its own sentences."""

from collections.abc import Iterator
from typing import Any, Final

from benchwatch.report.blocks import Sentence
from benchwatch.report.contents.report_blocks import Facts, ReportPart
from benchwatch.report.contents.report_source import NOT_STATED, ReportSource
from benchwatch.report.laboratory.laboratory import Laboratory

THIS_UNIT_ONLY: Final = (
    "The results hold for this unit only, as it came to the bench. The report may be copied whole, "
    "and in part only with the consent of the laboratory."
)
HERE: Final = "the laboratory's address, above"
SIGNATURE_PLACE: Final = "signature and date: ____________________"


def laboratory_blocks(source: ReportSource) -> Iterator[ReportPart]:
    """Yield the laboratory's sentences, and a marked place for each that it does not state."""
    laboratory = source.laboratory
    rows = [
        ("done at", laboratory.place or (HERE if laboratory.address else NOT_STATED)),
        ("method", _joined(laboratory.method)),
        ("deviations from it", _joined(laboratory.deviations)),
        ("traceability", _joined(laboratory.traceability)),
        ("authorised by", f"{laboratory.person or NOT_STATED}; {SIGNATURE_PLACE}"),
    ]
    reached = [one for one in (laboratory.phone, laboratory.email) if one]
    rows += [("questions to", ", ".join(reached))] * bool(reached)
    yield Facts(tuple(rows))
    if laboratory.opinions:
        yield Sentence(f"Opinions and interpretations: {_joined(laboratory.opinions)}")
    if laboratory.remarks:
        yield Sentence(_joined(laboratory.remarks))
    yield Sentence(f"{laboratory.accreditation} {THIS_UNIT_ONLY}")


def laboratory_values(laboratory: Laboratory) -> dict[str, Any]:
    """Return what the laboratory states, as texts and lists of texts; empty where it does not."""
    return {
        "name": laboratory.name or f"laboratory: {NOT_STATED}",
        "stated": bool(laboratory.name),
        "address": list(laboratory.address),
        "place": laboratory.place,
        "phone": laboratory.phone,
        "email": laboratory.email,
        "person": laboratory.person,
        "method": list(laboratory.method),
        "deviations": list(laboratory.deviations),
        "traceability": list(laboratory.traceability),
        "accreditation": laboratory.accreditation,
        "opinions": list(laboratory.opinions),
        "remarks": list(laboratory.remarks),
        "decision_rule": laboratory.decision_rule,
    }


def _joined(sentences: tuple[str, ...]) -> str:
    return " ".join(sentences) or NOT_STATED
