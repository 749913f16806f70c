"""The report as one HTML file: its style and its charts within, no script, nothing from outside."""

import functools
import re
from collections.abc import Mapping
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

from benchwatch.quantity.superscripts import RAISED_DIGITS, lowered
from benchwatch.report.charts.svg import svg_of
from benchwatch.report.forms.harmless_text import split_right_to_left
from benchwatch.report.forms.page_view import page_view

if TYPE_CHECKING:
    from jinja2 import Template


_LONG_WORD: Final = re.compile(r"\S{31}")
"""A longer word may break within a cell of a table."""
_NOT_BROKEN: Final = re.compile(r"(?<!\S)(?=\S{1,24}(?!\S))(\S*\d\S*-\d\S*)")
"""A short word with a hyphen between digits, which browsers break there."""
_RAISED: Final = re.compile(f"(?<=[0-9])([{RAISED_DIGITS}]+)")
"""The exponent of a power. It becomes an element, for browsers take raised digits from several
fonts, which then differ in size."""


def html_form(document: Mapping[str, Any]) -> bytes:
    """Return a document as HTML in UTF-8; the same document gives the same bytes."""
    from markupsafe import Markup  # noqa: PLC0415 - comes with Jinja2

    view = page_view(document)
    drawings = {name: Markup(svg_of(chart)) for name, chart in view["charts"].items()}  # noqa: S704 - svg_of escapes every text
    page = _template().render(view, drawings=drawings)
    return f"{page}\n".encode()


@functools.cache
def _template() -> "Template":
    from jinja2 import Environment, StrictUndefined  # noqa: PLC0415 - slow to load
    from markupsafe import Markup, escape  # noqa: PLC0415 - comes with Jinja2

    def isolate(text: str) -> Markup:
        """Escape text; keep runs from right to left apart, and dates in one line."""
        return Markup("").join(
            Markup('<bdi dir="rtl">{}</bdi>').format(run) if right_to_left else whole(run)
            for right_to_left, run in split_right_to_left(text)
        )

    def whole(text: str) -> Markup:
        return Markup("").join(
            Markup('<span class="whole">{}</span>').format(part) if place % 2 else powers(part)
            for place, part in enumerate(_NOT_BROKEN.split(text))
        )

    def powers(text: str) -> Markup:
        return Markup("").join(
            Markup("<sup>{}</sup>").format(lowered(part)) if place % 2 else escape(part)
            for place, part in enumerate(_RAISED.split(text))
        )

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {"isolate": isolate, "css": _css_string}
    environment.tests["long_word"] = _LONG_WORD.search
    source = files("benchwatch.report.forms").joinpath("report.html.jinja").read_text("utf-8")
    return environment.from_string(source)


def _css_string(text: str) -> str:
    r"""Return a string of CSS; what is no letter or digit of ASCII is written as ``\hex``."""
    from markupsafe import Markup  # noqa: PLC0415 - comes with Jinja2

    shown = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):x} " for c in text)
    return Markup(f'"{shown}"')  # noqa: S704 - letters, digits, backslashes and blanks only
