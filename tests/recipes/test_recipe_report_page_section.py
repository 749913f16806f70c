"""The recipe for a section of the report that is handed over, followed in a copy of the program."""

from pathlib import Path

from recipe_kit import ProgramCopy

MODULE = "benchwatch/report/contents/clock_gain.py"
LIST = "benchwatch/report/contents/report_document.py"
SECTION = '''"""What a clock gains that runs on the unit as it is left."""

from collections.abc import Iterator

from benchwatch.report.blocks import Sentence
from benchwatch.report.contents.report_source import ReportSource


def clock_blocks(source: ReportSource) -> Iterator[Sentence]:
    """Yield it for each result; nothing without one."""
    for one in source.results:
        gain = f"{one.record.offset * 86400e3:.3g} ms"
        yield Sentence(f"{one.record.kind}: a clock on it gains {gain} a day.")
'''
IMPORT = "from benchwatch.report.contents.history import history_blocks, history_table\n"
WRITE = """
from contents_kit import source_of_visit
from register_kit import record
from benchwatch.register.visit import Visit, VisitRecord
from benchwatch.report.contents.report_document import report_document
from benchwatch.report.forms.form_list import FORMS

one = VisitRecord(entry="bench-0/2", at_utc_s=1.9e9, record=record("as left", 2e-6))
visit = Visit(name="bench-0/1", opened_utc_s=1.9e9, closed_utc_s=1.9e9, records=(one,))
document = report_document(source_of_visit(visit))
for ending in (".txt", ".html"):
    print(FORMS[ending].write(document).decode())
"""


def test_a_section_takes_a_module_and_its_declaration(tmp_path: Path) -> None:
    """Two files are touched, and every form of the report shows the section."""
    copy = ProgramCopy(tmp_path)

    copy.add(MODULE, SECTION)
    copy.edit(
        LIST,
        IMPORT,
        f"from benchwatch.report.contents.clock_gain import clock_blocks\n{IMPORT}",
    )
    copy.edit(
        LIST,
        '    ReportSection(name="work",',
        '    ReportSection(name="clock", title="Clock", page="customer", blocks=clock_blocks),\n'
        '    ReportSection(name="work",',
    )
    kits = str(Path(__file__).parents[1] / "kits")
    written = copy.python(f"import sys; sys.path.append({kits!r})\n{WRITE}")

    assert len(copy.touched) <= 2
    assert written.count("as left: a clock on it gains 173 ms a day.") == 2
