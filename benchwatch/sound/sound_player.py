"""Plays the sound for the newest snapshot on a loudspeaker, or with the terminal's bell."""

import math
from collections.abc import Callable
from typing import Final

from benchwatch.snapshot import Snapshot
from benchwatch.sound.loudspeaker import Fill, NoDevice, Stream, open_device
from benchwatch.sound.sound_cue import SoundCue, cue_for
from benchwatch.sound.tone import GeneratorState, Samples, render

VOLUME_LEVELS: Final = 6
USUAL_VOLUME: Final = 4
"""A level from 1 to `VOLUME_LEVELS` (full); each has twice the amplitude of the level below."""
FASTEST_BELL_HZ: Final = 3.0
"""Most rings of the terminal's bell a second: many terminals drop faster ones."""


class Bell:
    """The terminal's bell in place of a loudspeaker: rings off target, and once on landing.

    Args:
        ring: rings the bell once.
    """

    def __init__(self, ring: Callable[[], None]) -> None:
        self._ring = ring
        self._rang_s = -math.inf
        self._off = False

    def update(self, now: SoundCue | None, at_s: float, *, aloud: bool) -> None:
        """Ring if a ring is due.

        Args:
            now: the sound to play; None: silence.
            at_s: the present, in seconds of the run.
            aloud: False: do not ring, but keep track of landings.
        """
        landed = now is not None and now.pulses_hz is None
        off = now is not None and now.pulses_hz is not None and not now.short
        rate_hz = min(now.pulses_hz or 0.0, FASTEST_BELL_HZ) if now is not None else 0.0
        due = off and at_s - self._rang_s >= 1.0 / rate_hz
        if aloud and (due or (landed and self._off)):
            self._ring()
            self._rang_s = at_s
        if landed or off:
            self._off = off


class SoundPlayer:
    """The sound of one screen.

    Args:
        ring: rings the terminal's bell once.
        device: opens the loudspeaker.
    """

    def __init__(
        self,
        ring: Callable[[], None],
        device: Callable[[Fill, Callable[[], None]], Stream] = open_device,
    ) -> None:
        self._bell = Bell(ring)
        self._device = device
        self._stream: Stream | None = None
        self._cue: SoundCue | None = None
        self._state = GeneratorState()
        self._level, self._mute = USUAL_VOLUME, False
        self._notice = ""
        self._closing = False

    def start(self) -> None:
        """Open the loudspeaker; without one, use the bell and leave a `notice`."""
        try:
            self._stream = self._device(self._fill, self._ended)
        except NoDevice as error:
            self._notice = f"the bell rings instead: {error}"

    def stop(self) -> None:
        """Close the loudspeaker, if there is one."""
        self._closing = True
        stream, self._stream = self._stream, None
        if stream is not None:
            stream.close()

    def notice(self) -> str:
        """Return and clear the message for the operator; empty if there is none."""
        notice, self._notice = self._notice, ""
        return notice

    def update(self, now: Snapshot, at_s: float) -> None:
        """Play the sound for `now` at `at_s`, seconds of the run; called 10 times a second."""
        self._cue = cue_for(now, at_s)
        if self._stream is None:
            self._bell.update(self._cue, at_s, aloud=not self._mute)

    def mute(self) -> str:
        """Switch the sound off or on; return a sentence on its new state."""
        self._mute = not self._mute
        return "sound off" if self._mute else self._level_words()

    def louder(self, levels: int) -> str:
        """Change the volume by `levels`; return a sentence on the new volume."""
        self._mute = False
        self._level = min(max(self._level + levels, 1), VOLUME_LEVELS)
        return self._level_words()

    def _level_words(self) -> str:
        if self._stream is None:
            return "sound on: the bell, which has no volume"
        return f"sound on, volume {self._level} of {VOLUME_LEVELS}"

    # ------------------------------------------------------------ on the audio library's thread

    def _fill(self, frames: int, rate_hz: int) -> Samples:
        volume = 0.0 if self._mute else 2.0 ** (self._level - VOLUME_LEVELS)
        samples, self._state = render(self._cue, volume, self._state, frames, rate_hz)
        return samples

    def _ended(self) -> None:
        if not self._closing:
            self._stream = None
            self._notice = "the bell rings instead: the sound device has gone"
