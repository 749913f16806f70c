"""Snapshots for the sound, and a fake sound that records each call."""

import screen_kit as kit

from benchwatch.estimate.results import Estimate, Numbers, Tolerance
from benchwatch.sound.sound_cue import SoundCue

STEADY = SoundCue("middle", None)
"""The cue inside the tolerance."""


def of_offset(offset, u=1e-11, tolerance=1e-9, **changes):
    """Make a snapshot with an estimate of `offset` and without a trim."""
    made = Numbers(
        estimate=Estimate(offset, u, 10, 10.0),
        tolerance=None if tolerance is None else Tolerance(tolerance, abs(offset) <= tolerance),
    )
    return kit.snapshot(numbers=made, **changes)


class FakeSound:
    """A sound that records each call."""

    def __init__(self, ring):
        self.ring, self.calls, self.offsets, self.text = ring, [], [], "no sound device here"

    def start(self):
        """Record the call."""
        self.calls.append("start")

    def stop(self):
        """Record the call."""
        self.calls.append("stop")

    def update(self, now, at_s):
        """Record the offset that is on the screen."""
        self.offsets.append((now.numbers.estimate.offset, at_s))

    def notice(self):
        """Return the notice, once."""
        text, self.text = self.text, ""
        return text

    def mute(self):
        """Record the call."""
        self.calls.append("mute")
        return "sound off"

    def louder(self, levels):
        """Record the call."""
        self.calls.append(levels)
        return f"volume {levels}"
