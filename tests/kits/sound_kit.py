"""Snapshots to be heard, and a sound that notes each call."""

import screen_kit as kit

from benchwatch.estimate.results import Estimate, Numbers, Tolerance
from benchwatch.sound.sound_cue import SoundCue

STEADY = SoundCue("middle", None)
"""What is heard inside the tolerance."""


def of_offset(offset, u=1e-11, tolerance=1e-9, **changes):
    """Make a snapshot with that estimate and without a trim."""
    made = Numbers(
        estimate=Estimate(offset, u, 10, 10.0),
        tolerance=None if tolerance is None else Tolerance(tolerance, abs(offset) <= tolerance),
    )
    return kit.snapshot(numbers=made, **changes)


class FakeSound:
    """A sound that notes each call."""

    def __init__(self, ring):
        self.ring, self.calls, self.offsets, self.say = ring, [], [], "no sound device here"

    def start(self):
        """Note it."""
        self.calls.append("start")

    def stop(self):
        """Note it."""
        self.calls.append("stop")

    def update(self, now, at_s):
        """Note the offset that is on the screen."""
        self.offsets.append((now.numbers.estimate.offset, at_s))

    def notice(self):
        """Say it once."""
        said, self.say = self.say, ""
        return said

    def mute(self):
        """Note it."""
        self.calls.append("mute")
        return "sound off"

    def louder(self, levels):
        """Note it."""
        self.calls.append(levels)
        return f"volume {levels}"
