"""What a profile says: a counter's dialect as data.

`profile_file` reads it from TOML and checks it; `profile_line` turns lines into numbers by it;
`profile_counter` drives a counter by it.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final, Literal

Mode = Literal["query", "addressed", "stream"]
"""``query``: a question is answered by a reading. ``addressed``: the counter talks when it is
addressed, or after a trigger letter. ``stream``: a line a gate, and nothing can be asked."""
Measures = Literal["frequency", "period", "interval"]
"""``interval``: between a pulse of the reference and one of the source; the offset is its slope."""

MODES: Final[tuple[Mode, ...]] = ("query", "addressed", "stream")
MEASURES: Final[tuple[Measures, ...]] = ("frequency", "period", "interval")
ANY_NUMBER: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]?\d{1,3})?", re.ASCII)


@dataclass(frozen=True, slots=True)
class LineForm:
    """How a whole line of the counter looks."""

    pattern: re.Pattern[str]
    """Matches a reading in full; the group ``number`` holds its digits."""
    terminator: str = "\n"
    unit: str = "Hz"
    """Of the number, where the line itself names none by the group ``unit``."""
    scale: Decimal = Decimal(1)
    """The number is multiplied by this."""
    decimal_mark: str = "."
    headers: dict[str, str] = field(default_factory=dict)
    """What the group ``header`` may hold, and which function each means."""
    overrange: re.Pattern[str] | None = None
    invalid: re.Pattern[str] | None = None
    """Lines that say that there is no result."""
    ignore: re.Pattern[str] | None = None
    """Lines that are no readings and mean nothing, such as a heading."""
    keeps_first: bool = False
    """The first line after connecting is whole; otherwise a stream drops it."""
    resolution: Decimal | None = None
    """Real resolution in the base unit; 0 when unknown; None: the last digit that is written."""
    counts_doubled: bool = False
    """A line that comes twice at once is two readings; otherwise it was said twice."""
    by_terminator: bool = False
    """Digits vary, so that only the terminator tells a whole line from a cut one."""


@dataclass(frozen=True, slots=True)
class GateForm:
    """How the gate is known and set; seconds throughout."""

    fixed_s: float | None = None
    """What the front panel is set to, where the counter can't be asked."""
    query: str | None = None
    pattern: re.Pattern[str] = ANY_NUMBER
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
    internal: re.Pattern[str]
    external: re.Pattern[str]


@dataclass(frozen=True, slots=True)
class ErrorForm:
    """How the counter is asked whether it refused something."""

    query: str
    none: re.Pattern[str]
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
    """A line as the counter writes it, and what it says."""

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
    identity_pattern: re.Pattern[str] | None = None
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

    def patterns(self) -> Iterator[tuple[str, re.Pattern[str]]]:
        """Yield each pattern with its key in the file."""
        yield "line.pattern", self.line.pattern
        yield "gate.pattern", self.gate.pattern
        if self.reference is not None:
            yield "reference.internal", self.reference.internal
            yield "reference.external", self.reference.external
        if self.errors is not None:
            yield "errors.none", self.errors.none
        for key, pattern in (
            ("line.overrange", self.line.overrange),
            ("line.invalid", self.line.invalid),
            ("line.ignore", self.line.ignore),
            ("identity.pattern", self.identity_pattern),
        ):
            if pattern is not None:
                yield key, pattern
