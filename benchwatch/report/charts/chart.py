"""A chart as data: axes, and what is drawn between them. `svg` draws it."""

from dataclasses import dataclass
from typing import Literal

ChartSize = Literal["wide", "half"]
"""wide: as broad as the text of a page; half: two stand side by side."""
LineStyle = Literal["solid", "dashed", "dotted"]
Marker = Literal["disc", "ring", "square", "diamond", "none"]
"""Shape that is drawn at each point; a disc and a square are filled."""


@dataclass(frozen=True, slots=True)
class Tick:
    """A figure at an axis; a line break in `text` puts the rest below it."""

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
    minor: tuple[float, ...] = ()
    """Further places with a short mark and no figure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Points joined by a line; nan as `y` breaks it."""

    x: tuple[float, ...]
    y: tuple[float, ...]
    style: LineStyle = "solid"
    marker: Marker = "none"
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """The area between a lower and an upper edge; nan breaks it."""

    x: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    label: str = ""
    pale: bool = False
    """Whether it is a pale area behind the others, such as the band of a forecast."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Points, each with the limits of what it may be; nan as a limit: it is not known."""

    x: tuple[float, ...]
    y: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    marker: Marker = "disc"
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A range of the vertical axis, such as the tolerance."""

    low: float
    high: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A vertical line at a time, with a short word or a number."""

    at: float
    text: str
    label: str = ""
    """What such lines are, for the legend; lines with one label share its entry."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Beyond:
    """A mark at the edge of the plot: there readings lie beyond the vertical axis."""

    at: float
    above: bool
    text: str
    """How far they reach."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A range of the horizontal axis, hatched, such as the tool on the trimmer."""

    begin: float
    end: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """A range of the horizontal axis in which time is cut short: the axis is broken there."""

    begin: float
    end: float
    text: str
    """How long it lasted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """A horizontal bar of a chart of bars; the vertical axis then has no figures."""

    label: str
    length: float
    text: str
    """The value beside it."""
    total: bool = False
    """Whether it is what the other bars combine to."""


ChartPart = Curve | Envelope | Limits | Band | Moment | Beyond | Stretch | Pause | Bar


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
    shows_title: bool = True
    """False: a heading above the drawing says the same."""
