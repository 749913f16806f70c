"""The recipe for a chart of the report, followed in a copy of the program."""

from pathlib import Path

from recipe_kit import ProgramCopy

KITS = Path(__file__).parents[1] / "kits"
PROOF = "benchwatch/report/contents/proof.py"
CHARTS = "benchwatch/report/contents/report_figures.py"
CHART = '''"""The chart of results: the offset of each, in the order in which they were recorded."""

from collections.abc import Sequence

from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.quantity import offset_unit
from benchwatch.report.charts.chart import Chart, ChartAxis, Curve, Tick
from benchwatch.report.charts.ticks import offset_axis


def results_chart(records: Sequence[OffsetRecord], nominal_hz: float | None) -> Chart | None:
    """Return a mark a result; None without one."""
    offsets = [one.offset for one in records]
    unit = offset_unit(max(map(abs, offsets), default=1e-9))
    y = offset_axis([0.0, *offsets], unit, nominal_hz)
    if not offsets or y is None:
        return None
    ticks = tuple(Tick(float(place), str(place)) for place in range(1, len(offsets) + 1))
    x = tuple(tick.at for tick in ticks)
    marks = Curve(
        x=x, y=tuple(one / unit.size for one in offsets), style="dotted", marker="disc",
        label="results",
    )
    return Chart(
        name="results",
        title="Results",
        alternative=f"{len(offsets)} results in their order.",
        x=ChartAxis(label="result", low=0.0, high=len(offsets) + 1.0, ticks=ticks),
        y=y,
        parts=(marks,),
        size="half",
    )
'''
MAKER = """def _results(source: ReportSource) -> Chart | None:
    return results_chart([one.record for one in source.results], _nominal(source))


CHARTS: Final"""
WRITE = """
from contents_kit import source_of_visit
from register_kit import record
from benchwatch.register.visit import Visit, VisitRecord
from benchwatch.report.contents.report_document import report_document
from benchwatch.report.forms.form_list import FORMS

one = VisitRecord(entry="bench-0/2", at_utc_s=1.9e9, record=record("as left", 2e-6))
for records in ((one,), ()):
    visit = Visit(name="bench-0/1", opened_utc_s=1.9e9, closed_utc_s=1.9e9, records=records)
    document = report_document(source_of_visit(visit))
    print(FORMS[".html"].write(document).decode())
    print("====")
"""


def test_a_chart_takes_a_module_its_maker_and_its_place(tmp_path: Path) -> None:
    """Three files are touched; it is drawn where it is placed, and left out where it is empty."""
    copy = ProgramCopy(tmp_path)

    copy.add("benchwatch/report/charts/results_chart.py", CHART)
    imported = "from benchwatch.report.charts.stability_chart import stability_chart\n"
    copy.edit(
        CHARTS,
        imported,
        f"from benchwatch.report.charts.results_chart import results_chart\n{imported}",
    )
    copy.edit(CHARTS, "CHARTS: Final", MAKER)
    copy.edit(CHARTS, '    "visit": _visit,\n', '    "visit": _visit,\n    "results": _results,\n')
    copy.edit(PROOF, "report_blocks import Facts\n", "report_blocks import Facts, Figure\n")
    copy.edit(
        PROOF,
        "    readings, head = readings_values(source), source.head\n",
        '    yield Figure("results")\n    readings, head = readings_values(source), source.head\n',
    )
    written = copy.python(f"import sys; sys.path.append({str(KITS)!r})\n{WRITE}")
    drawn, empty, _ = written.split("====")

    assert len(copy.touched) <= 3
    assert "1 results in their order." in drawn
    assert "results in their order." not in empty
