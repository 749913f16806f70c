"""Made comparisons of counters on one signal, with a known truth, and a fake of their control."""

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.comparison.comparison_result import ComparisonResult, compare_counters
from benchwatch.estimate.comparison.matched_pair import CounterReadings, MatchedPair, match_pair
from benchwatch.estimate.comparison.time_base_claims import NamedReference, RunTimeBase
from benchwatch.report.comparison_words import CHAIN_WORDS
from benchwatch.snapshot import ComparisonNow


def as_read(signal: FloatArray, time_base: float | FloatArray) -> FloatArray:
    """Return what a counter reads of a signal, if its time base is off by `time_base`."""
    return np.asarray((1.0 + signal) / (1.0 + time_base) - 1.0)


def made_pairs(
    readings: Mapping[str, FloatArray], *, interval_s: float = 1.0, late_s: float = 0.0
) -> list[MatchedPair]:
    """Match evenly spaced readings of counters, each `late_s` after the one before it."""
    counters = [
        CounterReadings(
            name=name,
            time_s=interval_s * np.arange(float(offset.size)) + place * late_s,
            offset=offset,
            own=np.zeros(offset.size),
            gate_s=interval_s,
            spacing_s=interval_s,
        )
        for place, (name, offset) in enumerate(readings.items())
    ]
    return [match_pair(first, second) for first, second in combinations(counters, 2)]


def made_result(
    time_bases: Mapping[str, tuple[float, RunTimeBase]],
    *,
    readings: int = 120,
    noise: float = 1e-10,
    seed: int = 7,
    u_reference: float | None = 5e-12,
) -> ComparisonResult:
    """Compare counters with known time bases that read one drifting signal.

    Args:
        time_bases: offset of each counter's time base, and what it tells of it.
        readings: of each counter, one a second.
        noise: white noise of a reading, fractional.
        seed: of the noise.
        u_reference: standard uncertainty of the reference.
    """
    random = np.random.default_rng(seed)
    signal = 2e-9 + 1e-13 * np.arange(float(readings))
    read = {
        name: as_read(signal, offset) + random.normal(0, noise, readings)
        for name, (offset, _) in time_bases.items()
    }
    return compare_counters(
        made_pairs(read),
        {name: how for name, (_, how) in time_bases.items()},
        references={name: NamedReference(counter=name, u=u_reference) for name in time_bases},
    )


def made_comparison(result: ComparisonResult | None = None, **changes: Any) -> ComparisonNow:
    """Return a live comparison with its sentences; two counters that agree if none is given."""
    if result is None:
        result = made_result({"main": (0.0, "external"), "spare": (0.0, "external")})
    fields: dict[str, Any] = {
        "counters": result.counters,
        "result": result,
        "utc_s": 1_935_000_754.0,
        "elapsed_s": 754.0,
        "stands": True,
        "recorded_s": 660.0,
        "sentences": tuple(CHAIN_WORDS.sentences(result)),
        "answer": CHAIN_WORDS.answer(result),
        "more": CHAIN_WORDS.more(result),
    }
    return ComparisonNow(**(fields | changes))


class FakeChain:
    """Records what the operator says of the measuring chain."""

    def __init__(self, *names: str) -> None:
        self.names, self.calls = names, list[tuple[str, ...]]()

    def offered(self, name: str) -> Sequence[str]:
        """Return all counters."""
        return self.names if name in self.names else ()

    def prove(self, names: Sequence[str]) -> str:
        """Record the call."""
        return self._call("prove", *names)

    def record(self, name: str) -> str:
        """Record the call."""
        return self._call("record", name)

    def use(self, name: str) -> str:
        """Record the call."""
        return self._call("use", name)

    def drop(self, name: str) -> str:
        """Record the call."""
        return self._call("drop", name)

    def _call(self, *call: str) -> str:
        self.calls.append(call)
        return " ".join(call)
