"""The pages of the report on the visit that the screen's pictures show, as PNG."""

import json
import sys
from pathlib import Path
from typing import Any, Final

from gallery_watch import SetClock

from benchwatch.clock import local_minute
from benchwatch.errors import UsageError
from benchwatch.register import read_register, register_path
from benchwatch.report.charts.svg import svg_of
from benchwatch.report.contents.report_source import ReportOptions
from benchwatch.report.forms.page_view import page_view
from benchwatch.report.forms.typst_compiler import typst_compiler
from benchwatch.report.issue.issuing import issue_report
from benchwatch.report.issue.report_reading import ReportRequest
from benchwatch.report.laboratory.laboratory import Laboratory
from benchwatch.report.visit_style import VisitStyle

DOTS_PER_INCH: Final = 80
ISSUED_S: Final = 5400.0
"""When the report is issued, seconds after the watch began."""


def draw_report(visit: Path, out: Path) -> None:
    """Issue the report on the visit in the folder `visit`, and write its pages to `out`."""
    document = _issued(visit)
    view = page_view(document)
    drawings = {name: svg_of(chart) for name, chart in view["charts"].items()}
    inputs = {
        "view": json.dumps(view, ensure_ascii=False),
        "drawings": json.dumps(drawings, ensure_ascii=False),
        "attachment": "{}",
    }
    try:
        compiler = typst_compiler("".join(inputs.values()), "a picture of a page", "")
    except UsageError as error:
        print(f"the report was not drawn: {error}", file=sys.stderr)
        return
    template = Path(sys.modules["benchwatch.report.forms"].__path__[0]) / "report.typ"
    pages = compiler.compile(
        input=template.read_bytes(), format="png", ppi=DOTS_PER_INCH, sys_inputs=inputs
    )
    for number, page in enumerate(pages if isinstance(pages, list) else [pages], start=1):
        (out / f"report-{number}.png").write_bytes(page)


def _issued(visit: Path) -> dict[str, Any]:
    """Issue the report, and return it as the document."""
    register = register_path(visit / "journal.db", simulated=False)
    with read_register(register) as reader:
        found = [reader.visit(name) for name in reader.visit_names()]
    name = next(one.name for one in found if one is not None and one.unit == "0417")
    clock = SetClock()
    clock.now_s = ISSUED_S

    def style(own_chain: str | None) -> VisitStyle:
        return VisitStyle(
            moment=local_minute,
            day=lambda utc_s: local_minute(utc_s)[:10],
            now_utc_s=clock.utc(),
            own_chain=own_chain,
        )

    request = ReportRequest(
        register=register,
        visit=name,
        make_style=style,
        laboratory=Laboratory(),
        options=ReportOptions(),
    )
    issue_report(request, [visit / "report.json"], clock=clock)
    document: dict[str, Any] = json.loads((visit / "report.json").read_bytes())
    return document
