"""The recipe for a form of the report, followed in a copy of the program."""

from pathlib import Path

from recipe_kit import ProgramCopy

LIST = "benchwatch/report/forms/form_list.py"
FORM = '''"""The results as tab-separated values (IANA media type text/tab-separated-values)."""

from collections.abc import Mapping
from typing import Any


def tsv_form(document: Mapping[str, Any]) -> bytes:
    """Return a row a result: its name and its text."""
    rows = [(one["name"], one["offset"]["text"]) for one in document["results"]]
    return "".join("\\t".join(row) + "\\n" for row in rows).encode()
'''
WRITER = """def _tsv(document: Mapping[str, Any]) -> bytes:
    from benchwatch.report.forms.tsv_form import tsv_form  # noqa: PLC0415 - like the others

    return tsv_form(document)


FORMS: Final"""
ROW = '        Form(ending=".tsv", name="a row a result", needs_extra=False, write=_tsv),\n'
TABLE = "unit,date,as_left,u,nominal\n0417,2024-05-04,0.12 ppb,0.02 ppb,10 MHz\n"
PDF = '        Form(ending=".pdf",'


def test_a_form_takes_a_module_and_a_row(tmp_path: Path) -> None:
    """Two files are touched; the command's help names the form, and a report is issued in it."""
    copy = ProgramCopy(tmp_path)

    copy.add("benchwatch/report/forms/tsv_form.py", FORM)
    copy.edit(LIST, "FORMS: Final", WRITER)
    copy.edit(LIST, PDF, f"{ROW}{PDF}")
    out, journal = tmp_path / "report.tsv", tmp_path / "journal.db"
    table = tmp_path / "visits.csv"
    table.write_text(TABLE, encoding="utf-8")
    where = ("--journal", str(journal))
    imported = copy.program("visits", "import", str(table), "--new", *where)
    issued = copy.program("report", "1", "--out", str(out), *where)

    assert len(copy.touched) <= 2
    assert ".html, .tsv, .pdf" in " ".join(copy.program("report", "--help").stdout.split())
    assert (imported.returncode, issued.returncode) == (0, 0), imported.stderr
    assert out.read_text("utf-8").startswith("as left\t")
    assert copy.program("report", "verify", str(out), *where).returncode == 0
