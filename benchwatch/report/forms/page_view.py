"""What HTML and PDF have in common: which sections stand side by side on a page.

The pages of a document for JSON hold sections, one below the other. On a page for the bench,
sections that are narrow enough stand in two columns of about the same height. Both forms show
the same arrangement; nothing of what a section says is changed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, product
from typing import Any, Final

from benchwatch.quantity.superscripts import raised_powers
from benchwatch.report.forms.harmless_text import harmless_document
from benchwatch.report.texts_within import with_texts

DRAFT: Final = "DRAFT"
SIMULATED: Final = "SIMULATED BENCH: nothing real was measured"
CAUTION: Final = "cautions"
"""Kind of the block that joins texts of warning."""
IN_COLUMNS: Final = "bench"
"""Name of the page whose narrow sections stand in two columns."""
COLUMN_CHARS: Final = 72
"""Most characters of a table's row in a column; a longer row needs the whole width."""
WRAPPED_CELL_CHARS: Final = 26
"""A longer cell may break within a column, and needs no more than this."""
LONGEST_IN_COLUMN_ROWS: Final = 30
"""A longer table goes over pages, and has the whole width."""
OUT_OF_ORDER_LINES: Final = 2
MOST_SHARED: Final = 10
"""Most sections of which every share between the columns is tried."""
_FIGURE_LINES: Final = 17
_TITLE_LINES: Final = 2
"""Heights in lines of small type, for the balance of the columns."""

Section = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Band:
    """A strip of a page: one column of sections, or two side by side."""

    columns: tuple[tuple[Section, ...], ...]


def page_view(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return a document as HTML and PDF show it: harmless, its powers raised, its pages arranged.

    `marks` are what has to stand on every page, and `replacement` says what another issue
    replaces. Each page gets `bands`, a list of bands of columns of sections. Results in a row
    become one block of kind ``results``, texts of warning one of kind ``cautions``, and figures
    of one size one of kind ``figures``.
    """
    view = harmless_document(document)
    charts = view["charts"]
    for chart in charts.values():
        chart["alternative"] = raised_powers(chart["alternative"])
    view["marks"] = page_marks(view)
    view["replacement"] = with_texts(replacement_words(view), raised_powers)
    for page in view["pages"]:
        sections = [
            {**section, "blocks": _grouped(with_texts(section["blocks"], raised_powers), charts)}
            for section in page.pop("sections")
        ]
        bands = _bands(sections) if page["name"] == IN_COLUMNS else [Band((tuple(sections),))]
        page["bands"] = [{"columns": [list(column) for column in band.columns]} for band in bands]
    return view


def page_marks(document: Mapping[str, Any]) -> list[str]:
    """Return what has to stand on every page: a draft, a simulated bench."""
    draft = document["issue"]["state"] == "draft"
    return [DRAFT] * draft + [SIMULATED] * bool(document["simulated"])


def replacement_words(document: Mapping[str, Any]) -> list[str]:
    """Return which issue this one replaces, why, and what has changed; nothing for the first."""
    issue = document["issue"]
    replaced = issue["replaces"]
    if replaced is None:
        return []
    reason = [f"Reason: {issue['reason']}"] if issue["reason"] else []
    this = f"This issue replaces {replaced['identification']} of {replaced['date']}."
    return [this, *reason, *issue["changes"]]


def _grouped(
    blocks: Sequence[Mapping[str, Any]], charts: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """Join results, and figures of one size, that follow each other."""

    def sort_of(block: Mapping[str, Any]) -> str:
        kind = str(block["kind"])
        if kind == "text" and block["tone"] == "warning":
            return CAUTION
        return f"{kind} {charts[block['chart']]['size']}" if kind == "figure" else kind

    grouped: list[dict[str, Any]] = []
    for sort, group in groupby(blocks, sort_of):
        members = [dict(one) for one in group]
        if sort == "result":
            grouped.append({"kind": "results", "results": members})
        elif sort == CAUTION:
            grouped.append({"kind": CAUTION, "texts": [one["text"] for one in members]})
        elif sort.startswith("figure "):
            names = [one["chart"] for one in members]
            grouped.append({"kind": "figures", "wide": sort == "figure wide", "charts": names})
        else:
            grouped += members
    return grouped


def _bands(sections: Sequence[Section]) -> list[Band]:
    """Put narrow sections that follow each other into two columns, wide ones below the others."""
    bands = []
    for narrow, group in groupby(sections, _is_narrow):
        members = tuple(group)
        bands.append(_two_columns(members) if narrow and len(members) > 1 else Band((members,)))
    return bands


def _two_columns(sections: tuple[Section, ...]) -> Band:
    """Share sections so that the higher of the two columns is low, and their order is kept.

    A section before an earlier one in reading order counts as much as `OUT_OF_ORDER_LINES`. The
    first stands left, and of many the first half.
    """
    heights = [_lines(section) for section in sections]
    count = len(sections)
    if count > MOST_SHARED:
        cut = count // 2
        return Band((sections[:cut], sections[cut:]))

    def cost(right: tuple[bool, ...]) -> float:
        in_right = sum(height for height, there in zip(heights, right, strict=True) if there)
        order = sum(right[k] and not right[m] for k in range(count) for m in range(k + 1, count))
        return max(in_right, sum(heights) - in_right) + OUT_OF_ORDER_LINES * order

    best = min(((False, *rest) for rest in product((True, False), repeat=count - 1)), key=cost)
    left, right = (
        tuple(one for one, there in zip(sections, best, strict=True) if there is side)
        for side in (False, True)
    )
    return Band((left, right))


def _is_narrow(section: Section) -> bool:
    return all(_fits_column(block) for block in section["blocks"])


def _fits_column(block: Mapping[str, Any]) -> bool:
    if block["kind"] == "figures":
        return not block["wide"]
    if block["kind"] == "table":
        return len(block["rows"]) <= LONGEST_IN_COLUMN_ROWS and _row_chars(block) <= COLUMN_CHARS
    return True


def _row_chars(table: Mapping[str, Any]) -> int:
    """Return how wide a table has to be, where long cells break."""
    columns = zip(table["header"], *table["rows"], strict=True)
    return sum(2 + min(WRAPPED_CELL_CHARS, max(len(cell) for cell in column)) for column in columns)


def _lines(section: Section) -> int:
    """Estimate how high a section is in a column."""
    lines = _TITLE_LINES
    for block in section["blocks"]:
        if block["kind"] == "figures":
            lines += _FIGURE_LINES * len(block["charts"])
        elif block["kind"] == "table":
            lines += 2 + sum(1 + max(map(len, row)) // (COLUMN_CHARS // 2) for row in block["rows"])
        elif block["kind"] == "facts":
            lines += sum(1 + len(value) // (COLUMN_CHARS // 2) for _, value in block["rows"])
        elif block["kind"] == CAUTION:
            lines += sum(1 + len(text) // COLUMN_CHARS for text in block["texts"])
        elif block["kind"] == "text":
            lines += 1 + len(block["text"]) // COLUMN_CHARS
    return lines
