"""Lines for programs: strict JSON, in which what is unknown is null."""

import json
import math
import sys
from collections.abc import Callable
from typing import Any, Final, Generic, TypeVar

from benchwatch.clock import iso_time
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.estimate.results import Drift, Numbers, Settle, Tolerance
from benchwatch.line_output.line_writer import EndOfRun, Written
from benchwatch.pipeline.dial_check_words import check_words
from benchwatch.reading import CheckMade, Gap, Mark, Reading
from benchwatch.snapshot import ComparisonNow

Thing = TypeVar("Thing")
_LOWEST, _HIGHEST = -sys.float_info.max, sys.float_info.max
"""The finite numbers; nan lies between no two."""
_encode: Final = json.JSONEncoder(allow_nan=False, separators=(",", ":")).encode


def json_line(event: Written, numbers: Numbers, not_on_disk: int | None = None, /) -> str:
    """Return one line of strict JSON, as `LineWriter`; unknown values are null."""
    if isinstance(event, Reading):
        return _reading(event, numbers, not_on_disk)
    if isinstance(event, EndOfRun):
        return _encode(
            {"kind": "end", "readings": event.readings, "gaps": event.gaps, "reason": event.reason}
        )
    if isinstance(event, ComparisonNow):
        return _encode(_comparison(event))
    line: dict[str, Any] = {
        "kind": "check" if isinstance(event, CheckMade) else type(event).__name__.lower(),
        "counter": event.counter,
        "time": iso_time(event.utc_s),
        "elapsed_s": _seconds(event.elapsed_s),
    }
    if isinstance(event, Gap):
        line |= {"lasted_s": _seconds(event.lasted_s), "reason": event.reason}
    elif isinstance(event, Mark):
        line["text"] = event.text
    elif isinstance(event, CheckMade):
        check = DialCheck.from_dict(json.loads(event.document))
        line |= check.as_dict() | {"text": check_words(check)}
    else:
        line["record"] = json.loads(event.document)
    return _encode(line)


def _comparison(now: ComparisonNow) -> dict[str, Any]:
    nothing: dict[str, Any] = {
        "agree": None,
        "pairs": [],
        "time_bases": {},
        "claims": [],
        "own": [],
    }
    return {
        "kind": "comparison",
        "counters": list(now.counters),
        "time": iso_time(now.utc_s),
        "elapsed_s": _seconds(now.elapsed_s),
        **(nothing if now.result is None else now.result.as_dict()),
        "text": list(now.sentences),
        "waits": now.waits or None,
        "recorded": now.recorded_s is not None,
    }


def _reading(reading: Reading, numbers: Numbers, not_on_disk: int | None) -> str:
    """Return the line of a reading.

    It is put together from its values: a whole object for the encoder would take four times as
    long. Drift, verdict and tolerance stay the same for many readings, and are written once.
    """
    estimate, nudge, rest = numbers.estimate, numbers.confirmed_nudge, numbers.rest
    written_estimate = "null"
    if estimate is not None:
        written_estimate = (
            f'{{"offset":{_value(estimate.offset)},"u":{_value(estimate.u)}'
            f',"readings":{estimate.readings},"span_s":{_time(estimate.span_s)}}}'
        )
    written_nudge = "null"
    if nudge is not None:
        written_nudge = _encode(
            {"at_s": _seconds(nudge.at_s), "size": _known(nudge.size), "u": _known(nudge.u)}
        )
    written_rest = "null"
    if rest is not None:
        written_rest = _encode(
            {"offset": _known(rest.offset), "u": _known(rest.u), "in_s": _seconds(rest.in_s)}
        )
    stamp = iso_time(reading.utc_s)
    time = "null" if stamp is None else f'"{stamp}"'
    flags = _encode(sorted(reading.flags)) if reading.flags else "[]"
    return (
        f'{{"kind":"reading","counter":{_encode(reading.counter)}'
        f',"time":{time},"elapsed_s":{_time(reading.elapsed_s)}'
        f',"gate_s":{_value(reading.gate_s)}'
        f',"frequency_hz":{_value(reading.frequency_hz)},"offset_hz":{_value(reading.offset_hz)}'
        f',"offset":{_value(reading.offset)},"estimate":{written_estimate}'
        f',"drift":{_written_drift(numbers.drift)},"nudge":{written_nudge}'
        f',"settle":{_written_settle(numbers.settle)}'
        f',"tolerance":{_written_tolerance(numbers.tolerance)},"flags":{flags}'
        f',"text":{_encode(reading.text)},"correction":{_value(reading.correction)}'
        f',"dial_hz":{_value(reading.dial_hz)},"rest":{written_rest}'
        f',"not_on_disk":{"null" if not_on_disk is None else not_on_disk}}}'
    )


def _value(value: float | None) -> str:
    """Write a number as JSON; what is unknown or not finite as null."""
    if type(value) is float:  # as nearly always
        return repr(value) if _LOWEST <= value <= _HIGHEST else "null"
    return "null" if value is None or not _LOWEST <= value <= _HIGHEST else _encode(value)


def _time(seconds: float) -> str:
    """Write a time to a microsecond, as `_seconds` rounds it; null if it is unknown."""
    if type(seconds) is float and _LOWEST <= seconds <= _HIGHEST:
        return repr(round(seconds, 6))
    return _value(_seconds(seconds))


class _SameAgain(Generic[Thing]):
    """Writes an object as text, and the same object again without writing it again.

    It is the same only if it is that very object: 0.0 and -0.0 are equal, and are written apart.
    """

    def __init__(self, write: Callable[[Thing | None], str]) -> None:
        self._write = write
        self._newest: tuple[Thing | None, str] = (None, write(None))

    def __call__(self, thing: Thing | None) -> str:
        """Return the text of `thing`."""
        known, text = self._newest
        if thing is not known:
            text = self._write(thing)
            self._newest = (thing, text)
        return text


@_SameAgain
def _written_drift(drift: Drift | None) -> str:
    return _encode(
        drift
        and {
            "per_s": _known(drift.per_s),
            "u": _known(drift.u),
            "span_s": _seconds(drift.span_s),
        }
    )


@_SameAgain
def _written_tolerance(tolerance: Tolerance | None) -> str:
    return _encode(tolerance and {"limit": tolerance.limit, "inside": tolerance.inside})


@_SameAgain
def _written_settle(settle: Settle | None) -> str:
    return _encode(
        settle
        and {
            "state": settle.state,
            "since_s": _seconds(settle.since_s),
            "eta_s": _seconds(settle.eta_s),
            "eta_low_s": _seconds(settle.eta_low_s),
            "eta_high_s": _seconds(settle.eta_high_s),
            "reason": settle.reason,
            "cycle": settle.cycle
            and {
                "period_s": _seconds(settle.cycle.period_s),
                "period_u": _seconds(settle.cycle.period_u),
                "swing": _known(settle.cycle.swing),
                "swing_u": _known(settle.cycle.swing_u),
            },
            "held": settle.held
            and {
                "first_s": _seconds(settle.held.first_s),
                "held_s": _seconds(settle.held.held_s),
                "worst": _known(settle.held.worst),
                "worst_s": _seconds(settle.held.worst_s),
                "gaps": settle.held.gaps,
                "gaps_s": _seconds(settle.held.gaps_s),
            },
        }
    )


def _known(value: float | None) -> float | None:
    """Return a finite value; None for any other."""
    return value if value is not None and math.isfinite(value) else None


def _seconds(value: float | None) -> float | None:
    """Round a time to a microsecond, as finer digits are noise; None if it is unknown."""
    return round(value, 6) if value is not None and math.isfinite(value) else None
