"""Sound: the cue for a snapshot, and the spectrum of the rendered samples."""

from dataclasses import replace

import numpy as np
import pytest
import screen_kit as kit
from hypothesis import given
from hypothesis import strategies as st
from sound_kit import STEADY, of_offset

from benchwatch.counter import LinkStatus
from benchwatch.estimate.results import Numbers
from benchwatch.estimate.trim.mean_pull import MeanPull
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.snapshot import TrimNow
from benchwatch.sound.sound_cue import (
    FARTHEST_TOLERANCES,
    QUICKEST_HZ,
    SLOWEST_HZ,
    SoundCue,
    cue_for,
    pulse_rate,
)
from benchwatch.sound.tone import FADE_S, NOTES_HZ, PULSE_S, TICK_S, GeneratorState, render

RATE_HZ = 48_000
BLOCK = 1024


def heard_now(now):
    """Return the cue for a snapshot now."""
    return cue_for(now, kit.NOW_S)


def played(cues, seconds_each=1.0, volume=1.0, block=BLOCK, rate_hz=RATE_HZ):
    """Render each cue for its time, in blocks as a device asks for them."""
    state, blocks = GeneratorState(), []
    for cue in cues:
        for _ in range(round(seconds_each * rate_hz / block)):
            samples, state = render(cue, volume, state, block, rate_hz)
            blocks.append(samples)
    return np.concatenate(blocks).astype(float)


def strongest_hz(samples, rate_hz=RATE_HZ):
    """Return the frequency of the strongest line of the spectrum."""
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    return float(np.fft.rfftfreq(len(samples), 1 / rate_hz)[spectrum.argmax()])


def pulses_in(samples, rate_hz=RATE_HZ):
    """Count the pulses: rises of the loudness over a window of 4 ms."""
    width = round(0.004 * rate_hz)
    loud = np.convolve(np.abs(samples), np.ones(width) / width, "same") > 0.1
    return int(np.sum(~loud[:-1] & loud[1:]))


@pytest.mark.parametrize(("offset", "note"), [(5e-9, "high"), (-5e-9, "low"), (5e-10, "middle")])
def test_the_note_shows_the_side(offset, note):
    """Fast: the high note; slow: the low one; inside the tolerance: the middle one, held."""
    sound = heard_now(of_offset(offset))

    assert sound is not None
    assert sound.note == note
    assert (sound.pulses_hz is None) == (note == "middle")


@pytest.mark.parametrize("state", ["connecting", "silent", "lost", "ended"])
def test_stale_readings_are_silent(state):
    """Without current readings, when the screen is dim, the sound is silent."""
    assert heard_now(of_offset(5e-9, link=LinkStatus(state, 1.0))) is None


def test_before_the_first_estimate_there_is_silence():
    """Readings without an estimate are silent."""
    assert heard_now(kit.snapshot(numbers=Numbers())) is None


def test_undecided_ticks_on_the_middle_note():
    """Outside the tolerance by less than 2 u: short, slow ticks, which mean wait."""
    sound = heard_now(of_offset(3e-9, u=2e-9))

    assert sound == SoundCue("middle", SLOWEST_HZ, short=True)


def test_the_pulses_come_from_the_tolerance():
    """Quickest at one tolerance, geometric middle at ten, slowest from a hundred on."""
    rates = [
        pulse_rate(times) for times in (0.5, 1.0, 10.0, FARTHEST_TOLERANCES, 1e6, float("nan"))
    ]

    assert rates == pytest.approx(
        [
            QUICKEST_HZ,
            QUICKEST_HZ,
            (QUICKEST_HZ * SLOWEST_HZ) ** 0.5,
            *[SLOWEST_HZ] * 3,
        ]
    )


@given(st.floats(1e-12, 1e-4), st.floats(1.001, 100.0))
def test_farther_never_pulses_quicker(offset, factor):
    """Of two offsets on one side the farther one has the slower pulses, or the same."""
    near, far = heard_now(of_offset(offset)), heard_now(of_offset(offset * factor))

    assert near is not None
    assert far is not None
    assert (far.pulses_hz or 99.0) <= (near.pulses_hz or 99.0)


@given(st.floats(-1e-4, 1e-4), st.floats(0.0, 1e-8), st.sampled_from([None, 1e-9, 1e-6]))
def test_the_other_sign_is_the_other_note(offset, u, tolerance):
    """Changing the sign of the offset swaps the high and the low note and nothing else."""
    sound, mirrored = (heard_now(of_offset(one, u, tolerance)) for one in (offset, -offset))
    swap = {"high": "low", "low": "high", "middle": "middle"}

    assert sound is not None
    assert mirrored is not None
    if offset:
        assert mirrored == replace(sound, note=swap[sound.note])


def test_with_the_tool_on_the_sound_is_relative_to_the_aim():
    """With a pull of +6 ppb, an offset of +6.2 ppb is on target, 0 is far too low."""
    tool = ToolState(on=True, since_s=1.0, pull=MeanPull(6e-9, 1e-10, 3))
    aimed, naive = (
        heard_now(of_offset(offset, trim=TrimNow(tool=tool))) for offset in (6.2e-9, 0.0)
    )

    assert aimed == STEADY
    assert naive is not None
    assert naive.note == "low"
    assert naive.pulses_hz == pytest.approx(pulse_rate(6.0))


@pytest.mark.parametrize("note", ["low", "middle", "high"])
def test_the_spectrum_is_the_note_and_its_octave(note):
    """A held note and its octave hold 99.9 % of the power; the note is strongest."""
    samples = played([SoundCue(note, None)], 2.0)[BLOCK:]
    power = np.abs(np.fft.rfft(samples * np.hanning(len(samples)))) ** 2
    at_hz = np.fft.rfftfreq(len(samples), 1 / RATE_HZ)
    near = np.zeros(len(at_hz), bool)
    for line_hz in (NOTES_HZ[note], 2 * NOTES_HZ[note]):
        near |= np.abs(at_hz - line_hz) < 5.0

    assert strongest_hz(samples) == pytest.approx(NOTES_HZ[note], abs=1.0)
    assert power[near].sum() / power.sum() > 0.999


@pytest.mark.parametrize("rate_hz", [8_000, 22_050, 44_100, 96_000])
def test_the_note_is_the_same_at_every_sample_rate(rate_hz):
    """A device may choose its own rate."""
    samples = played([SoundCue("high", None)], 1.0, block=200, rate_hz=rate_hz)

    assert strongest_hz(samples, rate_hz) == pytest.approx(NOTES_HZ["high"], abs=2.0)


@pytest.mark.parametrize("pulses_hz", [1.0, 2.5, 8.0])
def test_the_number_of_pulses_a_second(pulses_hz):
    """Eight seconds hold eight times as many pulses as one."""
    assert pulses_in(played([SoundCue("low", pulses_hz)], 8.0)) == pytest.approx(
        8 * pulses_hz, abs=1
    )


@pytest.mark.parametrize(("short", "lasts_s"), [(False, PULSE_S), (True, TICK_S)])
def test_a_tick_is_shorter_than_a_pulse(short, lasts_s):
    """The sounding part of each second is one pulse or one tick long."""
    samples = played([SoundCue("middle", 1.0, short=short)], 4.0)
    width = round(0.002 * RATE_HZ)
    loud = np.convolve(np.abs(samples), np.ones(width) / width, "same") > 0.02

    assert loud.mean() == pytest.approx(lasts_s, rel=0.15)


def test_no_change_clicks():
    """From any sound to any other no step between samples is steeper than the notes' own.

    A sine of amplitude a and frequency f changes by at most 2 pi f a / rate from sample to sample;
    a click is a jump beyond that.
    """
    states = [
        None, SoundCue("low", 1.0), SoundCue("low", 8.0), STEADY, SoundCue("high", 3.0), None,
        STEADY, SoundCue("middle", 1.0, short=True), SoundCue("high", 8.0), SoundCue("low", 8.0),
    ]  # fmt: skip
    samples = played(states * 3, 0.13)
    steepest = 2 * np.pi * NOTES_HZ["high"] * (0.64 + 2 * 0.16) / RATE_HZ

    assert np.abs(np.diff(samples)).max() < 1.25 * steepest
    assert np.abs(samples).max() <= 1.0


def test_a_change_stays_within_the_band():
    """Changes, even every 30 ms, put less than a millionth of the power above 6 kHz."""
    rng = np.random.default_rng(20310504)
    states = [SoundCue(note, rate) for note in NOTES_HZ for rate in (None, 2.0, 8.0)]
    samples = played([states[i] for i in rng.integers(0, len(states), 200)], 0.03, block=480)
    power = np.abs(np.fft.rfft(samples * np.hanning(len(samples)))) ** 2
    high = np.fft.rfftfreq(len(samples), 1 / RATE_HZ) > 6000.0

    assert power[high].sum() / power.sum() < 1e-6


def test_blocks_of_any_size_make_the_same_sound():
    """The phase continues from block to block, so the size of the blocks does not matter."""
    whole = played([SoundCue("high", 3.0)], 1.0, block=4800)
    pieces = played([SoundCue("high", 3.0)], 1.0, block=480)
    fade = round(FADE_S * RATE_HZ) + 4800

    assert np.allclose(whole[fade:], pieces[fade:], atol=1e-4)


def test_the_volume_is_a_factor():
    """At half the volume each sample is half as large; at none it is 0."""
    full, half, none = (played([STEADY], volume=volume)[BLOCK:] for volume in (1.0, 0.5, 0.0))

    assert np.allclose(half, 0.5 * full, atol=1e-6)
    assert not none.any()


def test_silence_is_silent():
    """The cue None renders zeros, also after a sound has faded."""
    samples = played([STEADY, None], 0.5)

    assert not samples[len(samples) // 2 + BLOCK :].any()
