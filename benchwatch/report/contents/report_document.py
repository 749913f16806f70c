"""The document of a report: all of its sections, as values for JSON.

`SECTIONS` declares the sections in reading order. To add one, write its blocks in a module of this
folder and declare it here; every form of the report then shows it.
"""

from typing import Any, Final

from benchwatch.report.contents.block_values import block_values, harmless
from benchwatch.report.contents.laboratory_words import laboratory_blocks, laboratory_values
from benchwatch.report.contents.report_cautions import caution_blocks, caution_values
from benchwatch.report.contents.report_section import PageName, ReportSection
from benchwatch.report.contents.report_source import ReportSource
from benchwatch.report.contents.result_values import result_values
from benchwatch.report.contents.results import result_blocks
from benchwatch.report.contents.unit_facts import customer_values, unit_blocks, unit_values

FORMAT: Final = "benchwatch report 1"
TITLE: Final = "Report on a frequency source"
END: Final = "End of the report"

SECTIONS: Final = (
    ReportSection(name="unit", title="Unit", page="customer", blocks=unit_blocks),
    ReportSection(name="results", title="Results", page="customer", blocks=result_blocks),
    ReportSection(name="cautions", title="Cautions", page="customer", blocks=caution_blocks),
    ReportSection(name="laboratory", title="Laboratory", page="customer", blocks=laboratory_blocks),
)
"""The sections of a report, in reading order."""

PAGE_TITLES: Final[dict[PageName, str]] = {"customer": "", "bench": "Bench pages"}


def report_document(source: ReportSource) -> dict[str, Any]:
    """Return the report on a visit as values for JSON: texts, lists, objects, true, false, null.

    Only coordinates of charts are numbers. Number, date and changes of an issue are added where it
    is issued; without them the document is a draft.
    """
    visit = source.visit
    label = source.style.label(visit)
    unit = unit_values(source)
    document: dict[str, Any] = harmless(
        {
            "format": FORMAT,
            "title": TITLE,
            "language": "en",
            "end": END,
            "simulated": source.simulated,
            "issue": {
                "state": "draft",
                "number": None,
                "identification": f"{unit['ident']} / visit {label} / draft",
                "date": "",
                "at": "",
                "utc": "",
                "replaces": None,
                "reason": "",
                "changes": [],
            },
            "laboratory": laboratory_values(source.laboratory),
            "customer": customer_values(source),
            "unit": unit,
            "visit": {"name": visit.name, "label": label},
            "pages": _pages(source),
            "charts": {},
            "results": [result_values(source, one) for one in source.results],
            "cautions": caution_values(source),
        }
    )
    return document


def _pages(source: ReportSource) -> list[dict[str, Any]]:
    pages = []
    for page, title in PAGE_TITLES.items():
        if page == "bench" and source.options.pages == "customer":
            continue
        sections = []
        for section in (one for one in SECTIONS if one.page == page):
            blocks = [block_values(one) for one in section.blocks(source)]
            if blocks:
                sections.append({"name": section.name, "title": section.title, "blocks": blocks})
        pages.append({"name": page, "title": title, "sections": sections})
    return pages
