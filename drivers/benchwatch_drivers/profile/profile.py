"""A profile: the dialect of a counter as data.

`profile_file` reads it from TOML and checks it; `profile_line` turns lines into numbers by it;
`profile_counter` drives a counter by it.
"""

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final, Literal

from benchwatch_drivers.profile.patterns import Pattern

Mode = Literal["query", "addressed", "stream"]
"""``query``: a reading answers a query. ``addressed``: the counter sends a reading when it is
addressed to talk, or after a trigger. ``stream``: it sends a line a gate and takes no commands."""
Measures = Literal["frequency", "period", "interval"]
"""``interval``: from a pulse of the reference to one of the source; its slope is the offset."""

MODES: Final[tuple[Mode, ...]] = ("query", "addressed", "stream")
MEASURES: Final[tuple[Measures, ...]] = ("frequency", "period", "interval")
ANY_NUMBER: Final = Pattern(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]?\d{1,3})?")


@dataclass(frozen=True, slots=True)
class LineForm:
    """How a whole line of the counter looks."""

    pattern: Pattern
    """Matches a reading in full; the group ``number`` holds its digits."""
    terminator: str = "\n"
    unit: str = "Hz"
    """Unit of the number, where the line itself names none by the group ``unit``."""
    scale: Decimal = Decimal(1)
    """The number is multiplied by this."""
    decimal_mark: str = "."
    headers: dict[str, str] = field(default_factory=dict)
    """What the group ``header`` may hold, and which function each means."""
    overrange: Pattern | None = None
    invalid: Pattern | None = None
    """Lines that say that there is no result."""
    ignore: Pattern | None = None
    """Lines that are no readings and mean nothing, such as a heading."""
    keeps_first: bool = False
    """True: the first line after connecting is whole; otherwise a stream drops it."""
    resolution: Decimal | None = None
    """Real resolution in the base unit; 0 when unknown; None: the last digit that is written."""
    counts_doubled: bool = False
    """True: an equal line that follows at once is another reading; otherwise it is a copy."""
    by_terminator: bool = False
    """True: the number of digits varies, and only the terminator shows that a line is whole."""


@dataclass(frozen=True, slots=True)
class GateForm:
    """How the gate is queried and set; gates are in seconds."""

    fixed_s: float | None = None
    """The gate set at the front panel, where there is no query for it."""
    query: str | None = None
    pattern: Pattern = ANY_NUMBER
    """Matches the whole answer; its digits are the group ``number``, or all of it."""
    unit_s: Decimal = Decimal(1)
    """Size of the unit in which the gate is queried and set, seconds."""
    answers: dict[str, float] = field(default_factory=dict)
    """Answers that are codes, and the gate of each."""
    command: str | None = None
    """The command that sets any gate, with ``{gate}`` in place of the number."""
    choices: dict[float, str] = field(default_factory=dict)
    """The only gates there are, and the command of each."""

    @property
    def can_be_set(self) -> bool:
        """True when there is a command that sets the gate."""
        return bool(self.command or self.choices)


@dataclass(frozen=True, slots=True)
class ReferenceForm:
    """How the time base is queried."""

    query: str
    internal: Pattern
    external: Pattern


@dataclass(frozen=True, slots=True)
class ErrorForm:
    """How the counter is queried for a setting that it refused."""

    query: str
    none: Pattern
    """Matches the answer without an error."""


@dataclass(frozen=True, slots=True)
class IntervalForm:
    """How two pulse trains are compared."""

    period_s: Decimal = Decimal(1)
    """The interval starts over after one period."""
    spacing_s: Decimal = Decimal(1)
    """Time from line to line."""
    starts_with_source: bool = False
    """True: the source starts and the reference stops the interval."""


@dataclass(frozen=True, slots=True)
class Example:
    """A line as the counter writes it, and the value that it means."""

    line: str
    value: Decimal | None = None
    """In the base unit (hertz or seconds); None when the line is no reading."""


@dataclass(frozen=True, slots=True)
class Profile:
    """The dialect of a family of counters."""

    name: str
    family: str
    mode: Mode
    line: LineForm
    measures: Measures = "frequency"
    reading: str | None = None
    """The query in mode ``query``, the trigger in mode ``addressed``."""
    hands_out_newest: bool = False
    """True: the counter answers at once with its newest result, the same one several times."""
    identity_query: str | None = None
    identity_pattern: Pattern | None = None
    gate: GateForm = field(default_factory=GateForm)
    reference: ReferenceForm | None = None
    errors: ErrorForm | None = None
    channels: dict[int, str] = field(default_factory=dict)
    """Input channels, and the command that chooses each."""
    local: str | None = None
    """Returns the front panel to local; sent only where something was set."""
    timeout_gates: float = 1.0
    """A reading may take this many gates, as where a trigger meets a gate under way."""
    timeout_margin_s: float | None = None
    """And so many seconds longer; None: the usual margin."""
    interval: IntervalForm = field(default_factory=IntervalForm)
    examples: tuple[Example, ...] = ()
