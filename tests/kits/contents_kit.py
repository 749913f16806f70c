"""Reports of made visits as documents for JSON, and all that stands in them."""

from collections.abc import Iterator
from typing import Any

from report_kit import MadeVisit

from benchwatch.clock import local, local_minute
from benchwatch.measured_visit.visit_reader import read_measured_visit
from benchwatch.register.register_reader import read_register
from benchwatch.register.visit import Visit
from benchwatch.report.contents.report_source import ReportSource
from benchwatch.report.unit_standing import unit_standing
from benchwatch.report.visit_style import VisitStyle

OWN_CHAIN = "bench-0"


def style_of(own_chain: str | None = OWN_CHAIN) -> VisitStyle:
    """Return the style of pages; its present time is far off, so that its use would show."""
    return VisitStyle(
        moment=lambda utc_s: local_minute(utc_s) or "-",
        day=lambda utc_s: local_minute(utc_s)[:10] or "-",
        now_utc_s=9e9,
        own_chain=own_chain,
        second=lambda utc_s: f"{local(utc_s):%Y-%m-%d %H:%M:%S}",
    )


def source_of(made: MadeVisit, **more: Any) -> ReportSource:
    """Return what the report of a made visit is made from; `more` are fields of the source."""
    with read_register(made.register) as register:
        visit = register.visit(made.name)
        assert visit is not None
        unit = None if visit.unit is None else register.unit(visit.unit)
        standing = None if unit is None else unit_standing(unit, register.visits_of(unit.ident))
        own_chain = register.own_chain
    fields = {
        "visit": visit, "standing": standing, "style": style_of(own_chain),
        "measured": read_measured_visit(visit, made.folder),
    } | more  # fmt: skip
    return ReportSource(**fields)


def source_of_visit(visit: Visit, **more: Any) -> ReportSource:
    """Return what the report of a visit without a unit is made from."""
    return ReportSource(**({"visit": visit, "standing": None, "style": style_of()} | more))


def leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every value that is no list and no object, with its path."""
    if isinstance(value, dict):
        for key, one in value.items():
            yield from leaves(one, f"{path}.{key}")
    elif isinstance(value, list):
        for number, one in enumerate(value):
            yield from leaves(one, f"{path}[{number}]")
    else:
        yield path, value


def page_text(document: dict[str, Any], page: str | None = None) -> str:
    """Return all texts of the pages, or of one of them, a line each."""
    pages = [one for one in document["pages"] if page in {None, one["name"]}]
    return "\n".join(str(value) for _, value in leaves(pages))


def blocks_of(document: dict[str, Any], section: str) -> list[dict[str, Any]]:
    """Return the blocks of a section; none where it is left out."""
    sections = [one for page in document["pages"] for one in page["sections"]]
    return [block for one in sections if one["name"] == section for block in one["blocks"]]


def facts_of(document: dict[str, Any], section: str) -> dict[str, str]:
    """Return the facts of a section by their labels."""
    rows = [row for one in blocks_of(document, section) for row in one.get("rows", [])
            if one["kind"] == "facts"]  # fmt: skip
    return dict(rows)


def results_of(document: dict[str, Any]) -> dict[str, dict[str, str]]:
    """Return the blocks that show results, by their labels."""
    found = [one for one in blocks_of(document, "results") if one["kind"] == "result"]
    return {one["label"]: one for one in found}
