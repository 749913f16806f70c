"""A chart as data: axes, and what is drawn between them. `svg` draws it."""

from dataclasses import dataclass
from typing import Literal

ChartSize = Literal["wide", "half"]
"""wide: as broad as the text of a page; half: two stand side by side."""
LineStyle = Literal["solid", "dashed", "dotted", "points"]


@dataclass(frozen=True, slots=True)
class Tick:
    """A figure at an axis."""

    at: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartAxis:
    """An axis with its unit and figures; `log`: `low`, `high` and the ticks are above zero."""

    label: str
    """What it shows, with the unit, such as ``offset in ppb``."""
    low: float
    high: float
    ticks: tuple[Tick, ...]
    log: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Points joined by a line, or points alone; nan as `y` breaks the line."""

    x: tuple[float, ...]
    y: tuple[float, ...]
    style: LineStyle = "solid"
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """The area between a lower and an upper edge; nan breaks it."""

    x: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Points, each with the limits of what it may be."""

    x: tuple[float, ...]
    y: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A range of the vertical axis, such as the tolerance."""

    low: float
    high: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A vertical line at a time, with a short word."""

    at: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A range of the horizontal axis, hatched, such as the tool on the trimmer."""

    begin: float
    end: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """A horizontal bar of a chart of bars; the vertical axis then has no figures."""

    label: str
    length: float
    text: str
    """The value beside it."""


ChartPart = Curve | Envelope | Limits | Band | Moment | Stretch | Bar


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One chart."""

    name: str
    title: str
    alternative: str
    """What it shows, in a sentence or two, for whoever can't see it."""
    x: ChartAxis
    y: ChartAxis
    parts: tuple[ChartPart, ...]
    size: ChartSize = "wide"
