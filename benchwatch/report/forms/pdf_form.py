"""The report as PDF: tagged, archivable, with the document itself attached."""

import functools
import json
import re
from collections.abc import Mapping
from datetime import datetime
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

from benchwatch.report.charts.svg import svg_of
from benchwatch.report.forms.json_form import json_form
from benchwatch.report.forms.page_view import page_view
from benchwatch.report.forms.typst_compiler import typst_compiler

if TYPE_CHECKING:
    from typst import Compiler

OTHER_FORMS: Final = "The other forms need none: .html, .txt, .json, .csv, .xml."
STANDARDS: Final = ("a-3a", "ua-1")
"""PDF/A-3a (ISO 19005-3, level A): archivable, with an attachment; PDF/UA-1 (ISO 14289-1)."""

_NOT_IN_ANY_FONT: Final = re.compile(r'the text `"(.*?)"` could not be displayed')
_TRIES: Final = 16
_NOT_SURE: Final = re.compile("[^\u0020-\u007e\u00a0-\u017f\u0370-\u03ff\u2010-\u2022\u2212\ufffd]")
"""All but characters that the embedded fonts have."""


def pdf_form(document: Mapping[str, Any]) -> bytes:
    """Return a document as PDF; the same document gives the same bytes.

    It is dated by its issue; a draft without a date by the newest that is on record of the visit.

    A document with letters beyond Latin, Greek and Cyrillic uses fonts of the system where it has
    some, and looks like the system's then. A character that no font has is shown as U+FFFD.

    Raises:
        UsageError: typst is not installed.
    """
    view = page_view(document)
    drawings = {name: svg_of(chart) for name, chart in view["charts"].items()}
    inputs = {
        "view": json.dumps(view, ensure_ascii=False),
        "drawings": json.dumps(drawings, ensure_ascii=False),
    }
    compiler = typst_compiler("".join(inputs.values()), "a PDF", OTHER_FORMS)
    attached = {"attachment": json_form(document).decode()}
    dated = datetime.fromisoformat(document["issue"]["utc"] or document["visit"]["until"])
    dated = dated.replace(microsecond=0)  # which typst refuses
    for _ in range(_TRIES):
        try:
            return _compiled(compiler, inputs | attached, dated)
        except RuntimeError as error:
            missing = _NOT_IN_ANY_FONT.search(str(error))
            if missing is None:
                raise
            letters = _letters_beyond_ascii(missing[1])
            inputs = {name: letters.sub("\ufffd", text) for name, text in inputs.items()}
    sure = {name: _NOT_SURE.sub("\ufffd", text) for name, text in inputs.items()}
    return _compiled(compiler, sure | attached, dated)


def _compiled(compiler: "Compiler", inputs: dict[str, str], dated: datetime) -> bytes:
    written = compiler.compile(
        input=_template(),
        format="pdf",
        sys_inputs=inputs,
        pdf_standards=list(STANDARDS),
        timestamp=dated,
    )
    assert isinstance(written, bytes)
    return written


@functools.cache
def _template() -> bytes:
    return files("benchwatch.report.forms").joinpath("report.typ").read_bytes()


def _letters_beyond_ascii(quoted: str) -> re.Pattern[str]:
    r"""Return a pattern of what is not ASCII in a text quoted with escapes such as ``\u{301}``."""
    text = re.sub(r"\\u\{([0-9a-f]+)\}", lambda found: chr(int(found[1], 16)), quoted)
    return re.compile("|".join(sorted({re.escape(c) for c in text if not c.isascii()})) or r"(?!)")
