"""Renders the samples of a sound cue, block by block and without clicks; pure.

The notes lie where the ear is sensitive and a workshop is quiet: motors and fans are loud below
some hundred hertz, and old ears are weak above some kilohertz (common practice, no source). The
second harmonic makes the notes audible on small loudspeakers.
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
"""A fifth (3:2) apart, so that no note is an overtone of another."""
SECOND_HARMONIC_SHARE: Final = 0.25
"""Its amplitude, as a part of the fundamental's."""
PULSE_S: Final = 0.080
"""Length of a pulse: its pitch is audible, and at the fastest rate a pause remains."""
TICK_S: Final = 0.030
"""Length of a tick."""
EDGE_S: Final = 0.006
"""Rise and fall of a pulse; a steeper edge clicks."""
FADE_S: Final = 0.010
"""Cross-fade from one sound to the next."""
FULL_AMPLITUDE: Final = 0.8 / (1.0 + SECOND_HARMONIC_SHARE)
"""Amplitude at full volume, with headroom for two sounds while one fades into the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GeneratorState:
    """The state of the generator between two blocks."""

    cue: SoundCue | None = None
    """The sound at the end of the block before."""
    volume: float = 0.0
    """The volume there, 0 to 1."""
    turns: float = 0.0
    """Phase of the note, in turns."""
    beat: float = 0.0
    """Phase of the pulses, in periods; 0 at the beginning of a pulse."""


def render(
    cue: SoundCue | None, volume: float, state: GeneratorState, frames: int, rate_hz: int
) -> tuple[Samples, GeneratorState]:
    """Render the next block.

    Args:
        cue: the sound; None: silence.
        volume: 0 (mute) to 1.
        state: state that the previous call returned; at the beginning `GeneratorState()`.
        frames: number of samples, at least one.
        rate_hz: samples a second.

    Returns:
        Samples from -1 to 1, shape (frames,), and the state for the next block.
    """
    begin = state if _same_voice(cue, state.cue) else GeneratorState(cue=cue)
    after, voice = _voice(cue, begin, frames, rate_hz)
    if begin is not state:
        _, previous = _voice(state.cue, state, frames, rate_hz)
        fade_in = _fade_in(frames, rate_hz)
        voice = fade_in * voice + (1.0 - fade_in) * previous
    voice *= FULL_AMPLITUDE * np.linspace(state.volume, volume, frames)
    return voice.astype(np.float32), GeneratorState(
        cue=cue, volume=volume, turns=after[0], beat=after[1]
    )


def _same_voice(one: SoundCue | None, other: SoundCue | None) -> bool:
    """Return whether two sounds differ only in their pulse rate, so that no fade is needed."""
    if one is None or other is None:
        return one is other
    held = (one.pulses_hz is None) == (other.pulses_hz is None)
    return one.note == other.note and one.short == other.short and held


def _voice(
    cue: SoundCue | None, begin: GeneratorState, frames: int, rate_hz: int
) -> tuple[tuple[float, float], _Floats]:
    """Return the phases (note, pulses) after the block, and its samples at full, (frames,)."""
    if cue is None:
        return (0.0, 0.0), np.zeros(frames)
    step = NOTES_HZ[cue.note] / rate_hz
    turns = begin.turns + step * np.arange(frames + 1)
    angle = 2.0 * math.pi * turns[:-1]
    voice = np.sin(angle) + SECOND_HARMONIC_SHARE * np.sin(2.0 * angle)
    after = float(turns[-1] % 1.0)
    if cue.pulses_hz is None:
        return (after, 0.0), voice
    before_hz = begin.cue.pulses_hz if begin.cue is not None else None
    rates = np.linspace(before_hz or cue.pulses_hz, cue.pulses_hz, frames)
    beats = begin.beat + np.concatenate(([0.0], np.cumsum(rates / rate_hz)))
    into_s = (beats[:-1] % 1.0) / rates
    voice *= _pulse_envelope(into_s, TICK_S if cue.short else PULSE_S)
    return (after, float(beats[-1] % 1.0)), voice


def _pulse_envelope(into_s: _Floats, lasts_s: float) -> _Floats:
    """Return the amplitude, 0 to 1, `into_s` seconds after the beginning of a pulse."""
    edge = np.clip(np.minimum(into_s, lasts_s - into_s) / EDGE_S, 0.0, 1.0)
    return np.asarray(np.sin(0.5 * math.pi * edge) ** 2)


def _fade_in(frames: int, rate_hz: int) -> _Floats:
    """Return a fade-in, (frames,): from 0 to 1 in `FADE_S`, or within a shorter block."""
    fade = min(max(round(FADE_S * rate_hz), 1), frames)
    part = np.minimum(np.arange(frames) / fade, 1.0)
    return np.asarray(np.sin(0.5 * math.pi * part) ** 2)
