"""The forms of a report by the ending of their file; a form is imported when it is written."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """One form of a report."""

    ending: str
    """Of its files, with the dot."""
    name: str
    needs_extra: bool
    """Whether it needs a library that is not always installed."""
    write: Callable[[Mapping[str, Any]], bytes]
    """Writes the document for JSON; raises UsageError where a library is missing."""


def _html(document: Mapping[str, Any]) -> bytes:
    from benchwatch.report.forms.html_form import html_form  # noqa: PLC0415 - loads Jinja2

    return html_form(document)


def _pdf(document: Mapping[str, Any]) -> bytes:
    from benchwatch.report.forms.pdf_form import pdf_form  # noqa: PLC0415 - needs an extra

    return pdf_form(document)


def _text(document: Mapping[str, Any]) -> bytes:
    from benchwatch.report.forms.text_form import text_form  # noqa: PLC0415 - like the others

    return text_form(document)


def _json(document: Mapping[str, Any]) -> bytes:
    from benchwatch.report.forms.json_form import json_form  # noqa: PLC0415 - like the others

    return json_form(document)


def _csv(document: Mapping[str, Any]) -> bytes:
    from benchwatch.report.forms.csv_form import csv_form  # noqa: PLC0415 - like the others

    return csv_form(document)


def _xml(document: Mapping[str, Any]) -> bytes:
    from benchwatch.report.forms.dcc_xml_form import dcc_xml_form  # noqa: PLC0415 - loads an XML writer

    return dcc_xml_form(document)


FORMS: Final[Mapping[str, Form]] = {
    form.ending: form
    for form in (
        Form(ending=".html", name="page for a browser", needs_extra=False, write=_html),
        Form(ending=".pdf", name="PDF, its pages ready for print", needs_extra=True, write=_pdf),
        Form(ending=".txt", name="text for a terminal", needs_extra=False, write=_text),
        Form(ending=".json", name="the document itself", needs_extra=False, write=_json),
        Form(ending=".csv", name="a row a stated value", needs_extra=False, write=_csv),
        Form(ending=".xml", name="XML for machines, DCC 3.1.2", needs_extra=False, write=_xml),
    )
}
"""By ending."""
