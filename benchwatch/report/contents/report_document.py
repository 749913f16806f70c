"""The document of a report: all of its sections, as values for JSON.

`SECTIONS` declares the sections in reading order. To add one, write its blocks in a module of this
folder and declare it here; every form of the report then shows it.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Any, Final

from benchwatch.clock import iso_time
from benchwatch.report.blocks import Table
from benchwatch.report.charts.chart_json import chart_json
from benchwatch.report.contents.block_values import block_values, harmless
from benchwatch.report.contents.chain_and_checks import chain_blocks, check_section
from benchwatch.report.contents.history import history_blocks, history_table
from benchwatch.report.contents.laboratory_words import laboratory_blocks, laboratory_values
from benchwatch.report.contents.method import (
    condition_blocks,
    method_blocks,
    note_blocks,
    notes,
    typed_conditions,
)
from benchwatch.report.contents.proof import (
    amendment_blocks,
    proof_blocks,
    readings_values,
    register_values,
)
from benchwatch.report.contents.report_blocks import (
    Figure,
    PageName,
    ReportPart,
    ReportSection,
)
from benchwatch.report.contents.report_cautions import caution_blocks, caution_values
from benchwatch.report.contents.report_figures import CHARTS
from benchwatch.report.contents.report_source import ReportSource
from benchwatch.report.contents.result_values import result_values
from benchwatch.report.contents.results import other_record_blocks, result_blocks
from benchwatch.report.contents.stability import stability_blocks, stability_table
from benchwatch.report.contents.summary import summary_blocks
from benchwatch.report.contents.uncertainty import uncertainty_blocks
from benchwatch.report.contents.unit_facts import customer_values, unit_blocks, unit_values
from benchwatch.report.contents.work_done import trim_blocks, warm_up_blocks, work_blocks
from benchwatch.report.visit_document import checks_table

FORMAT: Final = "benchwatch report 1"
TITLE: Final = "Report on a frequency source"
END: Final = "End of the report"

SECTIONS: Final = (
    ReportSection(name="summary", title="In short", page="customer", blocks=summary_blocks),
    ReportSection(name="unit", title="Unit", page="customer", blocks=unit_blocks),
    ReportSection(name="results", title="Results", page="customer", blocks=result_blocks),
    ReportSection(name="work", title="How it went", page="customer", blocks=work_blocks),
    ReportSection(name="cautions", title="Cautions", page="customer", blocks=caution_blocks),
    ReportSection(name="laboratory", title="Laboratory", page="customer", blocks=laboratory_blocks),
    ReportSection(name="warm-up", title="Warm-up", page="bench", blocks=warm_up_blocks),
    ReportSection(name="trim", title="Trim", page="bench", blocks=trim_blocks),
    ReportSection(
        name="stability",
        title="Deviation over averaging time",
        page="bench",
        blocks=stability_blocks,
    ),
    ReportSection(name="chain", title="Measuring chain", page="bench", blocks=chain_blocks),
    ReportSection(name="conditions", title="Conditions", page="bench", blocks=condition_blocks),
    ReportSection(name="notes", title="Notes", page="bench", blocks=note_blocks),
    ReportSection(name="history", title="History", page="bench", blocks=history_blocks),
    ReportSection(name="uncertainty", title="Uncertainty", page="bench", blocks=uncertainty_blocks),
    ReportSection(
        name="records",
        title="Other records (! has a caution)",
        page="bench",
        blocks=other_record_blocks,
    ),
    ReportSection(
        name="checks", title="Checks at other dial settings", page="bench", blocks=check_section
    ),
    ReportSection(name="method", title="How it was measured", page="bench", blocks=method_blocks),
    ReportSection(name="amendments", title="Amendments", page="bench", blocks=amendment_blocks),
    ReportSection(name="proof", title="Readings and register", page="bench", blocks=proof_blocks),
)
"""The sections of a report, in reading order."""

PAGE_TITLES: Final[dict[PageName, str]] = {"customer": "", "bench": "Bench pages"}


def report_document(source: ReportSource) -> dict[str, Any]:
    """Return the report on a visit as values for JSON: texts, lists, objects, true, false, null.

    Only coordinates of charts are numbers. Number, date and changes of an issue are added where it
    is issued; without them the document is a draft.

    Raises:
        RegisterError: the register holds a number that no measurement gives.
    """
    source.refuse_impossible_numbers()
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
            "visit": {
                "name": visit.name,
                "label": label,
                "began": iso_time(visit.opened_utc_s),
                "until": iso_time(source.end_utc_s),
            },
            "results": [result_values(source, one) for one in source.results],
            "cautions": caution_values(source),
            "conditions": typed_conditions(source),
            "notes": notes(source),
            "checks": _table(checks_table(visit.checks, source.style)),
            "stability": _table(stability_table(source)),
            "history": _table(history_table(source)),
            "readings": readings_values(source),
            "register": register_values(source),
        }
    )
    return document | _pages_with_charts(source)


def _pages_with_charts(source: ReportSource) -> dict[str, Any]:
    """Return the pages, and the charts that are placed in them; an empty chart has no place."""
    charts: dict[str, Any] = {}
    pages = []
    for page, title in PAGE_TITLES.items():
        if page == "bench" and source.options.pages == "customer":
            continue
        sections = []
        for section in (one for one in SECTIONS if one.page == page):
            blocks = list(_placed(section.blocks(source), source, charts))
            if blocks:
                sections.append(
                    harmless({"name": section.name, "title": section.title, "blocks": blocks})
                )
        pages.append({"name": page, "title": title, "sections": sections})
    return {"pages": pages, "charts": harmless(charts, lines=True)}


def _placed(
    blocks: Iterable[ReportPart], source: ReportSource, charts: dict[str, Any]
) -> Iterator[dict[str, Any]]:
    """Yield blocks as values; charts are added to `charts`, and those with nothing left out."""
    for block in blocks:
        if isinstance(block, Figure):
            chart = CHARTS[block.chart](source)
            if chart is None:
                continue
            charts[block.chart] = chart_json(replace(chart, shows_title=block.shows_title))
        yield block_values(block)


def _table(table: Table | None) -> dict[str, Any] | None:
    """Return a table as values; None where there is none."""
    return None if table is None else {"header": table.header, "rows": table.rows}
