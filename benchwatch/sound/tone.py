"""Samples for a sound cue, block by block and without clicks; pure.

Notes lie where the ear is keen and a workshop is not loud: motors and fans fill the band
below some hundred hertz, and hearing that has aged is weak above some kilohertz (common
practice, no source). The second harmonic helps small loudspeakers to be heard.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchwatch.sound.sound_cue import Note, SoundCue

Samples = NDArray[np.float32]
_Floats = NDArray[np.float64]

NOTES_HZ: Final[dict[Note, float]] = {"low": 660.0, "middle": 990.0, "high": 1485.0}
"""A fifth (3:2) apart, so that none is an overtone of another that is played."""
SECOND_HARMONIC: Final = 0.25
PULSE_S: Final = 0.080
"""Long enough to hear its pitch, short enough to leave a pause at the quickest rate."""
TICK_S: Final = 0.030
EDGE_S: Final = 0.006
"""Rise and fall of a pulse; a harder edge clicks."""
FADE_S: Final = 0.010
"""Cross-fade from one sound to the next."""
FULL: Final = 0.8 / (1.0 + SECOND_HARMONIC)
"""Amplitude at full volume, with headroom for two sounds while one fades into the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GeneratorState:
    """The state of the generator between two blocks."""

    cue: SoundCue | None = None
    volume: float = 0.0
    turns: float = 0.0
    """Phase of the note, in turns."""
    beat: float = 0.0
    """Phase of the pulses: 0 when one begins."""


def render(
    cue: SoundCue | None, volume: float, state: GeneratorState, frames: int, rate_hz: int
) -> tuple[Samples, GeneratorState]:
    """Render the next block.

    Args:
        cue: what should sound; None: silence.
        volume: 0 (mute) to 1.
        state: what the block before returned; `GeneratorState()` at the beginning.
        frames: samples wanted, at least one.
        rate_hz: samples a second.

    Returns:
        Samples from -1 to 1, shape (frames,), and the state for the next block.
    """
    began = state if _same_voice(cue, state.cue) else GeneratorState(cue=cue)
    after, voice = _voice(cue, began, frames, rate_hz)
    if began is not state:
        _, leaving = _voice(state.cue, state, frames, rate_hz)
        there = _ramp(frames, rate_hz)
        voice = there * voice + (1.0 - there) * leaving
    voice *= FULL * np.linspace(state.volume, volume, frames)
    return voice.astype(np.float32), GeneratorState(
        cue=cue, volume=volume, turns=after[0], beat=after[1]
    )


def _same_voice(one: SoundCue | None, other: SoundCue | None) -> bool:
    """Return whether two sounds differ at most in their pulse rate, so that no fade is needed."""
    if one is None or other is None:
        return one is other
    held = (one.pulses_hz is None) == (other.pulses_hz is None)
    return one.note == other.note and one.short == other.short and held


def _voice(
    cue: SoundCue | None, begin: GeneratorState, frames: int, rate_hz: int
) -> tuple[tuple[float, float], _Floats]:
    """Return (phase of the note, of the pulses) after the block, and one voice at full."""
    if cue is None:
        return (0.0, 0.0), np.zeros(frames)
    step = NOTES_HZ[cue.note] / rate_hz
    turns = begin.turns + step * np.arange(frames + 1)
    angle = 2.0 * math.pi * turns[:-1]
    voice = np.sin(angle) + SECOND_HARMONIC * np.sin(2.0 * angle)
    after = float(turns[-1] % 1.0)
    if cue.pulses_hz is None:
        return (after, 0.0), voice
    before_hz = begin.cue.pulses_hz if begin.cue is not None else None
    rates = np.linspace(before_hz or cue.pulses_hz, cue.pulses_hz, frames)
    beats = begin.beat + np.concatenate(([0.0], np.cumsum(rates / rate_hz)))
    into_s = (beats[:-1] % 1.0) / rates
    voice *= _gate(into_s, TICK_S if cue.short else PULSE_S)
    return (after, float(beats[-1] % 1.0)), voice


def _gate(into_s: _Floats, lasts_s: float) -> _Floats:
    """Return the loudness `into_s` seconds after a pulse has begun: up, full, down, silence."""
    edge = np.clip(np.minimum(into_s, lasts_s - into_s) / EDGE_S, 0.0, 1.0)
    return np.asarray(np.sin(0.5 * math.pi * edge) ** 2)


def _ramp(frames: int, rate_hz: int) -> _Floats:
    """Return the fade-in: from 0 to 1 in `FADE_S`, or within the block if that is shorter."""
    fade = min(max(round(FADE_S * rate_hz), 1), frames)
    way = np.minimum(np.arange(frames) / fade, 1.0)
    return np.asarray(np.sin(0.5 * math.pi * way) ** 2)
