"""How honest u is, and how surely nudges are seen, on made benches whose trimmer is turned."""

from dataclasses import dataclass, field

import numpy as np
from made_trims import DIGIT, FIRST_TURN_S, GATE_S, MadeTrim, make_trim

from benchwatch.estimate.live_estimate import LiveEstimate

SETTLED_S = 100.0
"""The made oven moves by less than 0.1 ppb in 20 s from here on."""


@dataclass
class Stretch:
    """Errors and uncertainties in one kind of stretch, fractional."""

    errors: list[float] = field(default_factory=list)
    us: list[float] = field(default_factory=list)

    @property
    def rms(self) -> float:
        """RMS of the errors."""
        return float(np.sqrt(np.mean(np.square(self.errors))))

    @property
    def ratio(self) -> float:
        """Median u over the RMS error: 1 is exact, more is cautious."""
        return float(np.median(self.us)) / self.rms

    @property
    def covered(self) -> float:
        """Share of errors within 2u."""
        return float(np.mean(np.abs(self.errors) <= 2.0 * np.asarray(self.us)))


@dataclass
class TrimQuality:
    """What was found on some made benches."""

    settled: Stretch = field(default_factory=Stretch)
    young: Stretch = field(default_factory=Stretch)
    """5 to 19 readings after the last turn of a group."""
    judged: Stretch = field(default_factory=Stretch)
    """20 to 59 readings after it."""
    groups: int = 0
    seen: int = 0
    false: int = 0
    late_readings: list[float] = field(default_factory=list)


def trim_quality(seed: int, benches: int) -> TrimQuality:
    """Run the live estimate over `benches` made benches."""
    rng = np.random.default_rng(seed)
    quality = TrimQuality()
    for _ in range(benches):
        _follow(make_trim(rng), quality)
    return quality


def _follow(bench: MadeTrim, quality: TrimQuality) -> None:
    live = LiveEstimate()
    nudges: list[float] = []
    for now_s, offset, truth in zip(bench.times_s, bench.readings, bench.truth, strict=True):
        numbers = live.add(float(now_s), float(offset), gate_s=GATE_S, resolution=DIGIT)
        if numbers.confirmed_nudge is not None:
            nudges.append(float(now_s))
        estimate = numbers.estimate
        stretch = _stretch(bench, float(now_s), quality)
        if stretch is not None and estimate is not None and estimate.u is not None:
            stretch.errors.append(estimate.offset - truth)
            stretch.us.append(estimate.u)
    spans = [(group[0][0] - 0.5, group[-1][0]) for group in bench.turns]
    for since, last in spans:
        quality.groups += 1
        seen = [at for at in nudges if since <= at <= last + 3.0]
        if seen:
            quality.seen += 1
            quality.late_readings.append((seen[0] - last) / GATE_S)
    quality.false += sum(
        not any(since <= at <= last + 4.0 for since, last in spans) for at in nudges
    )


def _stretch(bench: MadeTrim, now_s: float, quality: TrimQuality) -> Stretch | None:
    if SETTLED_S <= now_s < FIRST_TURN_S:
        return quality.settled
    turned = [at_s for group in bench.turns for at_s, _ in group if at_s <= now_s]
    coming = [at_s for group in bench.turns for at_s, _ in group if now_s < at_s <= now_s + 1.0]
    if not turned or coming:
        return None
    since = (now_s - turned[-1]) / GATE_S
    return quality.young if 5 <= since < 20 else quality.judged if 20 <= since < 60 else None
