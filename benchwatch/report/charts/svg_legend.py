"""The legend of a chart: an entry for each kind of part, in rows below the plot."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from benchwatch.report.charts.svg_elements import (
    mm,
    shortened,
    stroke,
    text_element,
    width_of,
)
from benchwatch.report.charts.svg_parts import ACCENT, DASHES, READINGS, hatching, marker_elements

LEGEND_ROW_MM: Final = 3.6
SAMPLE_MM: Final = 5.0
"""Width of the sample before each entry."""
BETWEEN_MM: Final = 3.5


@dataclass(frozen=True, slots=True)
class LegendEntry:
    """A part that stands for all parts with its label, and where the entry begins, mm."""

    part: Mapping[str, Any]
    text: str
    at: float


def legend_rows(parts: Sequence[Mapping[str, Any]], room: float) -> list[list[LegendEntry]]:
    """Return the entries in rows of `room` mm; parts without a label have none."""
    rows: list[list[LegendEntry]] = []
    at = room
    named = {
        part["label"]: part
        for part in reversed(parts)
        if part.get("label") and part["kind"] != "bar"
    }
    for label, part in reversed(named.items()):
        text = shortened(label, room - SAMPLE_MM - 1.0)
        width = SAMPLE_MM + 1.0 + width_of(text)
        if at + width > room or not rows:
            rows.append([])
            at = 0.0
        rows[-1].append(LegendEntry(part, text, at))
        at += width + BETWEEN_MM
    return rows


def legend_elements(
    rows: Sequence[Sequence[LegendEntry]], left: float, top: float
) -> Iterator[str]:
    """Yield the rows, the first one below `top`, mm."""
    for number, row in enumerate(rows):
        middle = top + (number + 0.5) * LEGEND_ROW_MM
        for entry in row:
            begin = left + entry.at
            yield from _sample(entry.part, begin, middle)
            yield text_element(begin + SAMPLE_MM + 1.0, middle + 0.95, entry.text)


def _sample(part: Mapping[str, Any], left: float, y: float) -> Iterator[str]:
    right, middle = left + SAMPLE_MM, left + SAMPLE_MM / 2
    box = f'x="{mm(left)}" y="{mm(y - 1)}" width="{SAMPLE_MM:g}" height="2"'
    match part["kind"]:
        case "band":
            yield f'<rect {box} fill="#e6ecf2"/>'
            for edge in (y - 1, y + 1):
                yield stroke((left, edge), (right, edge), "#446", dash="1.6 0.9")
        case "stretch":
            yield from hatching(left, right, y - 1, y + 1)
        case "envelope":
            yield f'<rect {box} fill="{"#d4d4d4" if part["pale"] else READINGS}"/>'
        case "curve":
            yield stroke((left, y), (right, y), "#222", dash=DASHES[part["style"]])
            yield from marker_elements(part["marker"], middle, y)
        case "moment":
            yield stroke((middle, y - 1.4), (middle, y + 1.4), "#666", dash="0.7 0.7")
        case "limits":
            yield stroke((middle, y - 1.4), (middle, y + 1.4), ACCENT)
            yield from marker_elements(part["marker"], middle, y)
