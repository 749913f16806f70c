"""The data of one picture, and how panels share its rows."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from benchwatch.quantity import PPB, OffsetUnit
from benchwatch.run.bench_ranking import BenchState, BenchTrouble
from benchwatch.screen.drawing.styled_text import Role, StyledLine, fitting, line
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.key_binding import Capability, KeyBinding
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.shared_keys import QUIT_KEY
from benchwatch.screen.text.rates import RateUnit
from benchwatch.snapshot import ComparisonNow, Playback, Snapshot, Trace
from benchwatch.staleness import is_current


@dataclass(frozen=True, slots=True)
class FigureFormat:
    """How a large figure is written, so that sign and point stay where they are."""

    decimals: int | None = None
    """None: as many as its uncertainty calls for."""
    places: int = 0
    """Least number of digits before the point; missing ones are blanks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tab:
    """The tab of a view in the top row."""

    id: str
    """Id of the key binding that shows the view."""
    key: str
    """The digit that shows it; empty in a view of the whole bench, where digits open counters."""
    title: str
    current: bool
    """True for the view on the screen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchRow:
    """One counter in a view of the whole bench."""

    number: int
    """Its place in the order of the bench, from 1 on."""
    snapshot: Snapshot
    state: BenchState
    unit: OffsetUnit = PPB
    fraction_format: FigureFormat = field(default_factory=FigureFormat)
    scale_full: float | None = None
    """Offset (fractional) at the ends of a scale where there is no tolerance."""
    share: float | None = None
    """How much of the tolerance the offset takes, 1 at its edge; None: not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Everything that one picture is drawn from: a snapshot, and how it is to be shown."""

    snapshot: Snapshot
    """The counter that is shown; in a view of the whole bench the selected one."""
    now_s: float
    """Seconds of the run, on the snapshot's clock."""
    theme: Theme = field(default_factory=Theme)
    trace: Trace = field(default_factory=Trace)
    names: Sequence[str] = ()
    """Names of the counters, in the order of the bench."""
    rows: Sequence[BenchRow] = ()
    """All counters, worst first; empty but in a view of the whole bench."""
    troubles: Sequence[BenchTrouble] = ()
    """Troubles of the other counters; in a view of the whole bench of all."""
    tabs: Sequence[Tab] = ()
    keys: Sequence[KeyBinding] = ()
    """The keys that have an effect in this view now, in the order of the footer."""
    capabilities: frozenset[Capability] = frozenset()
    """Capabilities of the bench; keys that need others have no effect."""
    unit: OffsetUnit = PPB
    drift_unit: RateUnit = field(default_factory=RateUnit)
    hertz_format: FigureFormat = field(default_factory=FigureFormat)
    fraction_format: FigureFormat = field(default_factory=FigureFormat)
    left_hertz_format: FigureFormat = field(default_factory=FigureFormat)
    left_fraction_format: FigureFormat = field(default_factory=FigureFormat)
    """Formats of the way left to the aim."""
    scale_full: float | None = None
    """Offset (fractional) at the ends of the centre-zero scale."""
    window: tuple[float, float] | None = None
    """Offsets (fractional) at the lower and upper end of the chart."""
    span_s: float = 120.0
    """Time span of the chart of offsets."""
    tool_on: bool = False
    """Whether the tool is on the trimmer, by the operator's last key."""
    playing: Playback | None = None
    """Position in a recording; None when the bench is live."""
    preferences: Preferences = field(default_factory=Preferences)
    scroll: int = 0
    """Entries of a long list that are scrolled out above its first row."""
    comparison: ComparisonNow | None = None
    """The newest comparison in which the counter takes part; None without one."""
    offered: Sequence[str] = ()
    """Counters that may be on one signal with it, and the counter itself; none where there are no
    others."""
    entry: str | None = None
    """The reading that is being typed; None where a person does not type the readings."""
    entry_refused: bool = False
    """Whether `entry` was refused as a reading."""
    message: str = ""
    """A sentence shown for a moment, such as the effect of a key."""

    def label_of(self, key: KeyBinding) -> str:
        """Return the present label of a key, which the user may have changed."""
        return next((one.label for one in self.keys if one.id == key.id), key.label)

    @property
    def operator(self) -> bool:
        """True where the counter takes commands: tool, records, settings."""
        return "operator" in self.capabilities

    @property
    def stale(self) -> bool:
        """True while no readings come, so that no number on the screen is current."""
        return not is_current(self.snapshot, self.now_s)


LEAST_WIDTH, LEAST_HEIGHT = 60, 18
"""Cells and rows below which no view is drawn: the part that fits would mislead."""

Draw = Callable[[Frame, int, int], list[StyledLine]]
"""Draws a panel: (frame, width in cells, rows) -> lines."""

Rows = Callable[[Frame, int, int], int]
"""Asks for rows: (frame, width, height of the whole screen) -> rows; 0 leaves the panel out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A part of a view: its drawing, and the number of rows it asks for."""

    draw: Draw
    rows: Rows
    fills: bool = False
    """Whether the panel also takes the rows that are left; `rows` is then the least it needs."""
    slow: bool = False
    """Whether it is redrawn at the rate of charts, and not of digits."""
    counter_at: "Callable[[Frame, int, int], str | None] | None" = None
    """Returns the name of the counter in a row: (frame, row, rows) -> name; None: no row is one."""
    drop_order: int = 0
    """On too short a screen the panel with the highest number is left out first; 0: never."""


def always(rows: int) -> Rows:
    """Return a function that asks for the same number of rows on every screen."""
    return lambda _frame, _width, _height: rows


def stack(
    panels: Sequence[Panel], frame: Frame, width: int, height: int
) -> list[tuple[Panel, int]]:
    """Return the panels to draw, downwards, with their rows; on too small a screen a message."""
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        return [(_TOO_SMALL, height)]
    wanted = [panel.rows(frame, width, height) for panel in panels]
    for index in sorted(range(len(panels)), key=lambda i: -panels[i].drop_order):
        if sum(wanted) <= height or not panels[index].drop_order:
            break
        wanted[index] = 0
    left = max(height - sum(wanted), 0)
    filler = next((i for i, panel in enumerate(panels) if panel.fills and wanted[i]), None)
    if filler is not None:
        wanted[filler] += left
    return [(panel, rows) for panel, rows in zip(panels, wanted, strict=True) if rows]


def drawn(panel: Panel, frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw one panel as exactly `rows` lines of exactly `width` cells."""
    lines = panel.draw(frame, width, rows)[:rows]
    lines += [StyledLine()] * (rows - len(lines))
    return [row.fit(width, frame.theme.glyphs.cut) for row in lines]


def names_drawn(panel: Panel, frame: Frame, rows: int) -> list[str | None]:
    """Return for each row of a panel the counter whose row it is; empty: no row is a counter's."""
    named = panel.counter_at
    return [] if named is None else [named(frame, row, rows) for row in range(rows)]


def _too_small(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the message that the screen is too small, with the size it needs."""
    needed, leave = f"{LEAST_WIDTH}x{LEAST_HEIGHT}", frame.label_of(QUIT_KEY)
    text = fitting(
        width,
        line((f"window too small: {width}x{rows}, needs {needed}; {leave} quits", Role.OFF)),
        line((f"window too small: needs {needed}", Role.OFF)),
        line((f"needs {needed}", Role.OFF)),
    )
    return [*[StyledLine()] * ((rows - 1) // 2), text.centred(width)]


_TOO_SMALL = Panel(draw=_too_small, rows=always(1))
