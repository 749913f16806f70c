"""The recipe for a section of a record's document, followed in a copy of the program."""

from pathlib import Path

from recipe_kit import ProgramCopy

FILE = "benchwatch/report/record_document.py"
SECTION = '''def _clock(record: OffsetRecord, style: DocumentStyle) -> Iterator[DocumentPart]:
    """What a clock that runs on the oscillator gains."""
    yield Sentence(f"a clock gains {record.offset * 86400.0:.3g} s a day")


SECTIONS: Final = (
'''
DRAW_PAGE = """
import screen_kit as kit
from benchwatch.screen.text_pages import record_lines
from benchwatch.snapshot import Records

frame = kit.frame(kit.full_snapshot(records=Records(kit.record("as found", 2e-6))))
print(*(row.plain for row in record_lines(frame, 80)), sep="\\n")
"""


def test_a_section_is_declared_in_one_file_and_is_in_both_documents(tmp_path: Path) -> None:
    """The section is printed with a budget, and drawn on the screen's page of records."""
    copy = ProgramCopy(tmp_path)
    run = tmp_path / "run.csv"
    run.write_text("time_s,offset\n" + "".join(f"{k},{2 + k % 3}e-6\n" for k in range(39)))

    copy.edit(FILE, "SECTIONS: Final = (\n", SECTION)
    copy.edit(
        FILE,
        '    Section("conditions", _conditions),\n',
        '    Section("clock", _clock),\n    Section("conditions", _conditions),\n',
    )
    printed = copy.program("budget", str(run))
    kits = str(Path(__file__).parents[1] / "kits")
    page = copy.python(f"import sys; sys.path.append({kits!r})\n{DRAW_PAGE}")

    assert len(copy.touched) <= 2
    assert printed.returncode == 0, printed.stderr
    assert "a clock gains 0.259 s a day" in printed.stdout.splitlines()
    assert "a clock gains" in page
