"""Reads one line of a station strictly, as `watch --json` writes it with run and number.

Pure: bytes go in, a checked value or a sentence comes out. Times are the station's own.
"""

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any, Final

from benchwatch.counter import LONGEST_GATE_S, plausible_gate_s
from benchwatch.plan import PLAUSIBLE_OFFSET
from benchwatch.quantity import last_digit
from benchwatch.reading import FLAGS, OVERRANGE, SPIKE, Flag
from benchwatch.relay.desk.stated_records import HIGHEST_HZ, LONGEST_RUN_S
from benchwatch.relay.payload import PayloadRefused
from benchwatch.relay.strict_json import number_of, read_object, text_of, whole_number_of

LONGEST_TEXT: Final = 200
"""Characters of a mark or of the reason of a gap."""
_DECIMAL: Final = re.compile(r"\d{1,40}(?:\.\d{0,40})?", re.ASCII)
_TIME: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,6})?Z", re.ASCII)
_FRACTION: Final = float(PLAUSIBLE_OFFSET)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadLine:
    """A reading as the station read it, before a nominal."""

    value_hz: Decimal | None
    """None: overrange."""
    text: str
    gate_s: float | None
    resolution_hz: float
    flags: frozenset[Flag]
    correction: float | None
    dial_hz: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GapLine:
    """A time without readings at the station."""

    lasted_s: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkLine:
    """A mark on the station's time line."""

    text: str


LineContent = ReadLine | GapLine | MarkLine


@dataclass(frozen=True, slots=True, kw_only=True)
class StationLine:
    """One line of a station."""

    run: int
    number: int | None
    """Of the event in the station's journal; rising within a run, with holes. None: it has none, or
    the reading is one from before somebody looked."""
    unsent: int | None
    """Events of the station that are not in the central record yet; None: unknown."""
    behind: bool
    """Whether these are so many, or for so long, that a person should know."""
    utc_s: float | None
    """Unix seconds by the station's clock; None: unknown."""
    elapsed_s: float
    """Seconds of the station's run."""
    content: LineContent


def read_line(payload: bytes) -> StationLine | None:
    """Read a line; None for a kind that a newer program may send.

    Raises:
        PayloadRefused: the line can't be used.
    """
    values = read_object(payload)
    kind = values.get("kind")
    if not isinstance(kind, str):
        raise PayloadRefused("the line has no kind")
    read = _CONTENTS.get(kind)
    if read is None:
        return None
    run, number = whole_number_of(values, "run", 1), whole_number_of(values, "number", 1)
    if run is None:
        raise PayloadRefused("the line has no run")
    elapsed_s = number_of(values, "elapsed_s", -LONGEST_GATE_S, LONGEST_RUN_S, required=True)
    assert elapsed_s is not None
    return StationLine(
        run=run,
        number=number,
        unsent=whole_number_of(values, "unsent"),
        behind=values.get("behind") is True,
        utc_s=_utc_s(values.get("time")),
        elapsed_s=elapsed_s,
        content=read(values),
    )


def _utc_s(time: object) -> float | None:
    if time is None:
        return None
    if not isinstance(time, str) or not _TIME.fullmatch(time):
        raise PayloadRefused("'time' is no time in UTC")
    try:
        return datetime.fromisoformat(time).timestamp()
    except (ValueError, OverflowError) as error:
        raise PayloadRefused("'time' is no time in UTC") from error


def _reading(values: dict[str, Any]) -> ReadLine:
    written = values.get("flags", [])
    if not isinstance(written, list) or len(written) > 2 * len(FLAGS):
        raise PayloadRefused("'flags' is no list of flags")
    # What a lone wild reading is, is judged anew from all the readings that come.
    flags = frozenset(flag for flag in FLAGS if flag in written and flag != SPIKE)
    text, value = values.get("text"), None
    if OVERRANGE in flags:
        text = ""
    elif isinstance(text, str) and _DECIMAL.fullmatch(text):
        value = Decimal(text)
    if value is not None and not 0 < value <= Decimal(HIGHEST_HZ):
        raise PayloadRefused("the reading is no frequency")
    if not isinstance(text, str) or (value is None and text):
        raise PayloadRefused("'text' is no frequency in hertz")
    resolution_hz = number_of(values, "resolution_hz", 0.0, HIGHEST_HZ)
    if resolution_hz is None:
        resolution_hz = 0.0 if value is None else last_digit(value)
    gate_s = number_of(values, "gate_s", -math.inf, math.inf)
    return ReadLine(
        value_hz=value,
        text=text,
        gate_s=plausible_gate_s(gate_s),
        resolution_hz=resolution_hz,
        flags=flags,
        correction=number_of(values, "correction", -_FRACTION, _FRACTION),
        dial_hz=number_of(values, "dial_hz", 1e-9, HIGHEST_HZ),
    )


def _gap(values: dict[str, Any]) -> GapLine:
    lasted_s = number_of(values, "lasted_s", 0.0, LONGEST_RUN_S, required=True)
    assert lasted_s is not None
    return GapLine(lasted_s=lasted_s, reason=text_of(values, "reason", LONGEST_TEXT) or "no reason")


def _mark(values: dict[str, Any]) -> MarkLine:
    return MarkLine(text=text_of(values, "text", LONGEST_TEXT))


_CONTENTS: Final[Mapping[str, Callable[[dict[str, Any]], LineContent]]] = {
    "reading": _reading,
    "gap": _gap,
    "mark": _mark,
}
