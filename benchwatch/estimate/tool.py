"""The pull of tool and hand: how far a tool on the trimmer shifts the frequency.

A tool's weight can pull a trimmer by parts in 10^9 and lets go when it is lifted (common
practice, no source). The operator says when it goes on and comes off; the step that the
counter sees near that moment is one sample of the pull. With the tool on, the place to aim
for is the pull itself: lifted from there, the oscillator lands on its nominal.
"""

import math
from dataclasses import dataclass
from typing import Final

from benchwatch.estimate.results import Estimate, Nudge

BEFORE_S: Final = 3.0
AFTER_S: Final = 6.0
"""A step from `BEFORE_S` before the key to `AFTER_S` after it comes from the tool: hands differ."""
SAMPLES_KEPT: Final = 20
STEADY: Final = 5
"""Readings of a level before it counts as one side of a touch."""
REFINED: Final = 16
"""Readings after which a sample of the pull stands: later ones tell of drift and creep."""


@dataclass(frozen=True, slots=True)
class Pull:
    """What the tool does to the frequency while it rests on the trimmer."""

    size: float
    """Fractional; positive: the tool makes it run faster."""
    u: float | None
    """Standard uncertainty; None while only one touch was seen without an uncertainty."""
    samples: int


@dataclass(frozen=True, slots=True)
class ToolState:
    """Where the tool is, what it does, and where to aim."""

    on: bool = False
    since_s: float | None = None
    pull: Pull | None = None

    @property
    def aim(self) -> float:
        """The offset that becomes zero once the tool is lifted (fractional)."""
        return self.pull.size if self.on and self.pull is not None else 0.0

    @property
    def aim_u(self) -> float:
        """Standard uncertainty of `aim`; 0 with the tool off."""
        return (self.pull.u or 0.0) if self.on and self.pull is not None else 0.0


class Tool:
    """Learns the pull from what the operator says and what the counter sees."""

    def __init__(self) -> None:
        self._on = False
        self._since_s: float | None = None
        self._awaiting = False
        """The newest touch has not been seen by the counter yet."""
        self._recent: Nudge | None = None
        """The newest step that no touch has claimed."""
        self._samples: list[tuple[float, float | None]] = []
        self._steady: Estimate | None = None
        """The newest level that stood for a while."""
        self._before: Estimate | None = None
        """The one before the newest step."""
        self._refining = False
        self._state = ToolState()

    @property
    def state(self) -> ToolState:
        """The present state."""
        return self._state

    def touch(self, at_s: float, *, on: bool) -> bool:
        """The operator says at `at_s` that the tool is `on`; tells whether a step is claimed."""
        if on == self._on:
            return False
        self._on, self._since_s, self._awaiting, self._refining = on, at_s, True, False
        claimed = self._recent is not None and self._claim(self._recent)
        self._renew()
        return claimed

    def step(self, nudge: Nudge) -> bool:
        """Take a step that the counter saw; True when it is the tool's and no turn."""
        self._before, self._refining = self._steady, False
        claimed = self._claim(nudge)
        self._recent = None if claimed else nudge
        self._renew()
        return claimed

    def hear(self, estimate: Estimate) -> None:
        """Take the estimate after a reading: a hand is slower than the counter.

        A nudge is confirmed while the tool is still coming to rest, so its size falls short;
        the sample becomes the level after the touch minus the level before it.
        """
        if estimate.u is None or estimate.readings < STEADY:
            return
        before = self._before
        if self._refining and before is not None and before.u is not None:
            size = estimate.offset - before.offset
            u = math.hypot(estimate.u, before.u)
            self._samples[-1] = (size if self._on else -size, u)
            self._refining = estimate.readings < REFINED
            self._renew()
        self._steady = estimate

    def _claim(self, nudge: Nudge) -> bool:
        if not self._awaiting or self._since_s is None:
            return False
        if not -BEFORE_S <= nudge.at_s - self._since_s <= AFTER_S:
            return False
        self._awaiting, self._recent, self._refining = False, None, True
        self._samples.append((nudge.size if self._on else -nudge.size, nudge.u))
        del self._samples[:-SAMPLES_KEPT]
        return True

    def _renew(self) -> None:
        self._state = ToolState(self._on, self._since_s, _mean_pull(self._samples))


def _mean_pull(samples: list[tuple[float, float | None]]) -> Pull | None:
    """Mean of the samples; u is the larger of their own and their spread (JCGM 100, 4.2.3)."""
    count = len(samples)
    if count == 0:
        return None
    sizes = [size for size, _ in samples]
    mean = math.fsum(sizes) / count
    known = [u for _, u in samples if u is not None]
    own = math.sqrt(math.fsum(u * u for u in known) / len(known) / count) if known else None
    if count == 1:
        return Pull(mean, own, count)
    spread = math.sqrt(math.fsum((s - mean) ** 2 for s in sizes) / (count - 1) / count)
    return Pull(mean, max(spread, own or 0.0), count)
