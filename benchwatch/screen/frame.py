"""The data of one picture, and how panels share its rows."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from benchwatch.counter import LinkState
from benchwatch.quantity import PPB, OffsetUnit
from benchwatch.screen.drawing.styled_text import Role, StyledLine, fitting, line
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.key_bindings import Capability, KeyBinding
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.text.rates import RateUnit
from benchwatch.snapshot import Playback, Snapshot, Trace
from benchwatch.staleness import is_current


@dataclass(frozen=True, slots=True)
class FigureFormat:
    """How a large figure is written, so that sign and point stay where they are."""

    decimals: int | None = None
    """None: as its uncertainty asks."""
    places: int = 0
    """Digits before the point, at least."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tab:
    """A view in the top row."""

    id: str
    """Of the key binding that shows it."""
    key: str
    title: str
    current: bool
    """True for the view on the screen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Everything that one picture is drawn from: a snapshot, and how it is to be shown."""

    snapshot: Snapshot
    now_s: float
    """Seconds of the run, on the snapshot's clock."""
    theme: Theme = field(default_factory=Theme)
    trace: Trace = field(default_factory=Trace)
    names: Sequence[str] = ()
    missing: Sequence[tuple[str, LinkState]] = ()
    """Other counters of the bench that do not read, with what their links do instead."""
    tabs: Sequence[Tab] = ()
    keys: Sequence[KeyBinding] = ()
    """The keys that do something here and now, in the order of the footer."""
    capabilities: frozenset[Capability] = frozenset()
    """Parts of the bench that keys can need."""
    unit: OffsetUnit = PPB
    drift_unit: RateUnit = field(default_factory=RateUnit)
    hertz_format: FigureFormat = field(default_factory=FigureFormat)
    fraction_format: FigureFormat = field(default_factory=FigureFormat)
    scale_full: float | None = None
    """Fraction at the ends of the centre-zero scale."""
    window: tuple[float, float] | None = None
    """Fractions at the lower and upper end of the strip chart."""
    span_s: float = 120.0
    """Seconds the chart of offsets shows."""
    tool_on: bool = False
    """The tool is on the trimmer, as the keys had it last."""
    playing: Playback | None = None
    """Position in a recording; None when the bench is live."""
    preferences: Preferences = field(default_factory=Preferences)
    scroll: int = 0
    """Rows that a long list has been scrolled."""
    message: str = ""
    """A sentence shown for a moment, such as what a key just did."""

    @property
    def operator(self) -> bool:
        """True where the counter takes commands: tool, records, settings."""
        return "operator" in self.capabilities

    @property
    def stale(self) -> bool:
        """True while no readings come, so that no number on the screen is current."""
        return not is_current(self.snapshot, self.now_s)


LEAST_WIDTH, LEAST_HEIGHT = 60, 18
"""Cells and rows below which no view is drawn: what is left of one would mislead."""

Draw = Callable[[Frame, int, int], list[StyledLine]]
"""(frame, width, rows) -> lines."""

Rows = Callable[[Frame, int, int], int]
"""(frame, width, height of the whole screen) -> rows wanted; 0 leaves the panel out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A part of a view: its drawing, and the number of rows it asks for."""

    draw: Draw
    rows: Rows
    fills: bool = False
    """Takes the rows that are left; `rows` is then the least it needs."""
    slow: bool = False
    """Redrawn at the rate of charts."""
    drop_order: int = 0
    """On a screen too short for all, the panel with the highest goes first; 0 stays."""


def always(rows: int) -> Rows:
    """Return a function that asks for the same number of rows on every screen."""
    return lambda _frame, _width, _height: rows


def stack(
    panels: Sequence[Panel], frame: Frame, width: int, height: int
) -> list[tuple[Panel, int]]:
    """Share `height` rows among `panels`, top to bottom; on too small a screen, only a message."""
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        return [(_TOO_SMALL, height)]
    wanted = [panel.rows(frame, width, height) for panel in panels]
    for index in sorted(range(len(panels)), key=lambda i: -panels[i].drop_order):
        if sum(wanted) <= height or not panels[index].drop_order:
            break
        wanted[index] = 0
    left = max(height - sum(wanted), 0)
    filler = next((i for i, b in enumerate(panels) if b.fills and wanted[i]), None)
    if filler is not None:
        wanted[filler] += left
    return [(panel, rows) for panel, rows in zip(panels, wanted, strict=True) if rows]


def drawn(panel: Panel, frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw one panel as exactly `rows` lines of exactly `width` cells."""
    lines = panel.draw(frame, width, rows)[:rows]
    lines += [StyledLine()] * (rows - len(lines))
    return [row.fit(width, frame.theme.glyphs.cut) for row in lines]


def _too_small(_frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw that the screen is too small, and the size it needs."""
    needed = f"{LEAST_WIDTH}x{LEAST_HEIGHT}"
    said = fitting(
        width,
        line((f"window too small: {width}x{rows}, needs {needed}; q quits", Role.OFF)),
        line((f"window too small: needs {needed}", Role.OFF)),
        line((f"needs {needed}", Role.OFF)),
    )
    return [*[StyledLine()] * ((rows - 1) // 2), said.centred(width)]


_TOO_SMALL = Panel(draw=_too_small, rows=always(1))
