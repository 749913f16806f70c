"""The events on a counter's time line: readings, gaps, marks, records, touches of the tool."""

from dataclasses import dataclass, field
from typing import Final, Literal, get_args

Flag = Literal[
    "spike", "repeat", "overrange", "internal-timebase", "dated-by-pace", "typed",
    "proven-timebase", "other-dial",
]  # fmt: skip
"""Properties of a reading; the words are those of the JSON lines."""
FLAGS: Final[frozenset[Flag]] = frozenset(get_args(Flag))

SPIKE: Final = "spike"
REPEAT: Final = "repeat"
OVERRANGE: Final = "overrange"
INTERNAL_TIMEBASE: Final = "internal-timebase"
DATED_BY_PACE: Final = "dated-by-pace"
"""The reading waited in a buffer; its time was worked out from the pace of the counter."""
TYPED: Final = "typed"
"""A person read the number off the counter and typed it; also the resource string of such readings.
They come when the person types, so that a pause between two is no gap."""

PROVEN_TIMEBASE: Final = "proven-timebase"
"""The offset is corrected by what a comparison with another counter says of the time base."""

OTHER_DIAL: Final = "other-dial"
"""The unit was dialled to another setting; ``offset`` and ``offset_hz`` are relative to that."""
DIALLED: Final = "dialled to"
"""How the reason of a gap begins in which the unit was dialled to another setting. Readings after
it begin a new level, so that no turn is seen between the two sides."""

DEFAULT_COUNTER: Final = "main"
"""Name of a counter for which none is given."""

RecordKind = Literal["as found", "as left", "measured"]
"""Kind of a record: the offset of a unit as it came, as it leaves, or at any other moment."""

AS_FOUND: Final = "as found"
AS_LEFT: Final = "as left"
MEASURED: Final = "measured"
RECORD_KINDS: Final[tuple[RecordKind, ...]] = (AS_FOUND, AS_LEFT, MEASURED)

UNFIT: Final[frozenset[Flag]] = frozenset({SPIKE, REPEAT, OVERRANGE, OTHER_DIAL})
"""Flags of readings that never enter an estimate."""
NO_MEASUREMENT: Final[frozenset[Flag]] = frozenset({REPEAT, OVERRANGE, OTHER_DIAL})
"""Flags of readings without a new measurement at the nominal: they are not counted, nor used in an
estimate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measurement, stamped at the middle of its gate.

    An overrange reading (flag ``overrange``) has nan for its frequency and both offsets.
    """

    counter: str
    """Name of the counter on this bench, such as ``main``."""
    utc_s: float
    """Middle of the gate, Unix seconds."""
    elapsed_s: float
    """Middle of the gate, monotonic seconds since the run began."""
    gate_s: float | None
    """Gate time; None when the counter does not report it."""
    text: str
    """The number exactly as the counter wrote it, in hertz, without spaces: ``10000000.0231``."""
    frequency_hz: float
    offset_hz: float
    """Frequency minus nominal, subtracted exactly before it became a float."""
    offset: float
    """Fractional: ``offset_hz`` / nominal."""
    resolution_hz: float = 0.0
    """Weight of the last digit the counter wrote; 0 when unknown."""
    flags: frozenset[Flag] = field(default_factory=frozenset)
    correction: float | None = None
    """Known fractional offset of the counter's time base, where ``offset`` and ``offset_hz`` are
    corrected for it; None where they are not. Text and frequency stay as the counter wrote them."""
    dial_hz: float | None = None
    """The other setting, in hertz, to which the unit was dialled and to which the offsets are
    relative (flag ``other-dial``); None: the main one, the nominal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A time span without readings; ``utc_s`` and ``elapsed_s`` are its beginning."""

    counter: str
    utc_s: float
    elapsed_s: float
    lasted_s: float
    reason: str
    """A sentence for people, such as ``no reply within 2.5 s``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A note that the operator, or Benchwatch itself, put on the time line."""

    counter: str
    utc_s: float
    elapsed_s: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """An offset that was put on record, as found or as left."""

    counter: str
    utc_s: float
    elapsed_s: float
    kind: str
    document: str
    """The whole record with its budget, as JSON."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """State of the program, stored beside the readings for a run that continues this one."""

    counter: str
    utc_s: float
    elapsed_s: float
    kind: str
    document: str
    """JSON."""


NO_WORDS: Final = "mark"
"""Text of a mark that the operator put without words."""

TOOL_WORDS: Final = {True: "tool on", False: "tool off"}
"""Text of the note of a touch: the tool was put on (True), or lifted."""


POWER_WORDS: Final = {
    True: "it was switched off before this run: the warm-up begins anew",
    False: "it stayed on before this run",
}
"""Text of the note on the unit's power between two runs: it was off (True), or stayed on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Touch:
    """The tool was put on the trimmer, or lifted; a journal holds it as a `Note`."""

    counter: str
    utc_s: float
    elapsed_s: float
    on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckMade:
    """A check of the unit's output at another dial setting; a journal holds it as a `Note`."""

    counter: str
    utc_s: float
    elapsed_s: float
    document: str
    """All its numbers, as JSON."""


Event = Reading | Gap | Mark | Record | Touch | CheckMade
"""Events of a counter, live or recorded."""

Entry = Reading | Gap | Mark | Record | Note
"""The contents of a row of the journal."""
