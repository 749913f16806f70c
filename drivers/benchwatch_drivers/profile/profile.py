"""A profile: the dialect of a counter as data.

`profile_file` reads it from TOML and checks it; `profile_line` turns lines into numbers by it;
`profile_counter` drives a counter by it.
"""

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final, Literal

from benchwatch_drivers.profile.patterns import Pattern

Mode = Literal["query", "addressed", "stream"]
"""``query``: a question is answered by a reading. ``addressed``: the counter talks when it is
addressed, or after a trigger letter. ``stream``: a line a gate, and nothing can be asked."""
Measures = Literal["frequency", "period", "interval"]
"""``interval``: between a pulse of the reference and one of the source; the offset is its slope."""

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
    """Of the number, where the line itself names none by the group ``unit``."""
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
    """The first line after connecting is whole; otherwise a stream drops it."""
    resolution: Decimal | None = None
    """Real resolution in the base unit; 0 when unknown; None: the last digit that is written."""
    counts_doubled: bool = False
    """An equal line at once is another reading; otherwise it is a copy."""
    by_terminator: bool = False
    """The number of digits varies, so that only the terminator shows that a line is whole."""


@dataclass(frozen=True, slots=True)
class GateForm:
    """How the gate is known and set; seconds throughout."""

    fixed_s: float | None = None
    """What the front panel is set to, where the counter can't be asked."""
    query: str | None = None
    pattern: Pattern = ANY_NUMBER
    """The whole answer; a group ``number`` holds its digits, else all of it does."""
    unit_s: Decimal = Decimal(1)
    """Size of the unit in which the gate is asked and set."""
    answers: dict[str, float] = field(default_factory=dict)
    """Answers that are codes."""
    command: str | None = None
    """With ``{gate}`` where the number goes."""
    choices: dict[float, str] = field(default_factory=dict)
    """The only gates there are, and the command of each."""

    @property
    def can_be_set(self) -> bool:
        """True when there is a way to set it."""
        return bool(self.command or self.choices)


@dataclass(frozen=True, slots=True)
class ReferenceForm:
    """How the time base is asked for."""

    query: str
    internal: Pattern
    external: Pattern


@dataclass(frozen=True, slots=True)
class ErrorForm:
    """How the counter is asked whether it refused something."""

    query: str
    none: Pattern
    """The answer when there is nothing to complain of."""


@dataclass(frozen=True, slots=True)
class IntervalForm:
    """What two pulse trains are compared."""

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
    """One dialect."""

    name: str
    family: str
    mode: Mode
    line: LineForm
    measures: Measures = "frequency"
    reading: str | None = None
    """The question in mode query, the trigger in mode addressed."""
    hands_out_newest: bool = False
    """It answers at once with its newest result, so that the same one comes again and again."""
    identity_query: str | None = None
    identity_pattern: Pattern | None = None
    gate: GateForm = field(default_factory=GateForm)
    reference: ReferenceForm | None = None
    errors: ErrorForm | None = None
    channels: dict[int, str] = field(default_factory=dict)
    """Input channels, and the command that chooses each."""
    local: str | None = None
    """Gives the front panel back; sent only where something was set."""
    timeout_gates: float = 1.0
    """A reading may take this many gates, as where a trigger meets a gate under way."""
    timeout_margin_s: float | None = None
    """And this much longer; None: as long as is usual."""
    interval: IntervalForm = field(default_factory=IntervalForm)
    examples: tuple[Example, ...] = ()
