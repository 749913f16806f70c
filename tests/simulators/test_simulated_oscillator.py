"""The simulated oscillator compared with noise laws, integrals and formulas of warm-ups."""

import math

import allantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwatch_simulators.oscillator.oscillator import Oscillator, OscillatorSpec
from benchwatch_simulators.oscillator.trimmer import TrimmerSpec

NOISY = OscillatorSpec(
    landing=3.7e-8,
    warm_up=((4e-6, 5.0), (2e-7, 12.0)),
    ageing_per_day=1e-10,
    white_fm=5e-11,
    flicker_fm=8e-12,
    random_walk_fm=1e-13,
    white_pm_s=2e-12,
)


def rms_adev(spec, taus, *, seeds=5, count=6000):
    """Return the overlapping Allan deviation, by allantools, averaged (as variance) over seeds."""
    found = []
    for seed in range(100, 100 + seeds):
        oscillator = Oscillator(spec, seed)
        y = np.array([oscillator.mean_offset(i, i + 1.0) for i in range(count)])
        found.append(allantools.oadev(y, data_type="freq", rate=1.0, taus=taus)[1])
    return np.sqrt(np.mean(np.square(found), axis=0))


# Noise laws: IEEE 1139-2008 and NIST SP 1065. White FM: AVAR = h0/(2 tau). Flicker FM:
# 2 ln2 h-1, flat. Random-walk FM: (2 pi^2/3) h-2 tau. White PM: ADEV = sqrt(3) sigma_x/tau.
@pytest.mark.parametrize(
    ("noise", "law"),
    [
        ({"white_fm": 1e-10}, lambda tau: 1e-10 / math.sqrt(tau)),
        ({"flicker_fm": 1e-11}, lambda tau: 1e-11),
        ({"random_walk_fm": 1e-12}, lambda tau: 1e-12 * math.sqrt(tau)),
        ({"white_pm_s": 1e-10}, lambda tau: math.sqrt(3) * 1e-10 / tau),
    ],
    ids=["white FM", "flicker FM", "random-walk FM", "white PM"],
)
def test_noise_follows_its_law(noise, law):
    """The Allan deviation of each noise has the level and slope of its law."""
    taus = [4, 16, 64]

    measured = rms_adev(OscillatorSpec(**noise), taus)

    assert measured == pytest.approx([law(tau) for tau in taus], rel=0.1)


def test_flicker_is_flat_over_three_decades():
    """The sum over octaves has no ripple above a few percent (statistics included)."""
    taus = [2, 4, 8, 16, 32, 64, 128, 256, 512]

    measured = rms_adev(OscillatorSpec(flicker_fm=1e-11), taus, seeds=6)

    assert measured == pytest.approx(1e-11, rel=0.15)


def test_ageing_is_a_drift():
    """Ageing D gives ADEV = D tau/sqrt(2) (NIST SP 1065) and nothing else."""
    spec = OscillatorSpec(ageing_per_day=8.64e-6)

    measured = rms_adev(spec, [10], seeds=1, count=200)

    assert measured == pytest.approx([1e-10 * 10 / math.sqrt(2)], rel=1e-6)


def test_warm_up_takes_as_long_as_its_exponential():
    """T ln(A/e): 1e-6 falls to 1e-9 at T = 120 s in 828.930633 s (exact from the formula)."""
    oscillator = Oscillator(OscillatorSpec(warm_up=((1e-6, 120.0),)), 1)

    assert oscillator.truth(828.930633) == pytest.approx(1e-9, rel=1e-8)


def test_two_signs_overshoot():
    """A slow exponential of the other sign passes the final offset and returns."""
    oscillator = Oscillator(OscillatorSpec(warm_up=((4e-6, 6.0), (-1.5e-7, 25.0))), 1)

    course = [oscillator.truth(t) for t in range(300)]

    assert course[0] > 0
    assert min(course) < -1e-8
    assert min(course) < course[-1] < 0
    assert abs(course[-1]) < 1e-11


def test_gate_mean_is_the_integral():
    """The mean over a gate with a turn and a touch equals a fine quadrature."""
    trimmer = TrimmerSpec(sensitivity=5e-8, creep=0.2, creep_s=3.0, tool_pull=6e-9, tool_s=0.5)
    oscillator = Oscillator(
        OscillatorSpec(landing=1e-8, warm_up=((1e-6, 4.0),), trimmer=trimmer), 1
    )
    oscillator.turn(2.0, 0.1)
    oscillator.rest_tool(2.5, on=True)
    oscillator.rest_tool(3.25, on=False)
    width = 1 / 4000
    middles = 1.0 + (np.arange(16000) + 0.5) * width

    mean = oscillator.mean_offset(1.0, 5.0)

    assert mean == pytest.approx(np.mean([oscillator.truth(t) for t in middles]), rel=1e-6)


def test_backlash_absorbs_a_change_of_direction():
    """Turning back within the backlash moves nothing; beyond it, only the rest."""
    trimmer = TrimmerSpec(sensitivity=1e-7, backlash_turns=0.02)
    oscillator = Oscillator(OscillatorSpec(trimmer=trimmer), 1)

    oscillator.turn(0.0, 0.11)
    forward = oscillator.truth(1.0)
    oscillator.turn(1.0, -0.015)
    inside = oscillator.truth(2.0)
    oscillator.turn(2.0, -0.055)

    assert forward == pytest.approx(1e-8)
    assert inside == forward
    assert oscillator.truth(3.0) == pytest.approx(forward - 0.05e-7)


def test_creep_arrives_late():
    """Right after a turn its creeping part is missing; it follows with its time constant."""
    trimmer = TrimmerSpec(sensitivity=5e-8, creep=0.04, creep_s=4.0)
    oscillator = Oscillator(OscillatorSpec(trimmer=trimmer), 1)

    oscillator.turn(10.0, 0.1)

    assert oscillator.truth(10.0) == pytest.approx(4.8e-9)
    assert oscillator.truth(14.0) == pytest.approx(5e-9 * (1 - 0.04 / math.e))
    assert oscillator.truth(100.0) == pytest.approx(5e-9)


def test_a_lifted_tool_leaves_no_pull():
    """A tool that is put on pulls; after its lift the offset is as before.

    A second touch adds nothing.
    """
    oscillator = Oscillator(OscillatorSpec(trimmer=TrimmerSpec(tool_pull=6e-9)), 1)

    oscillator.rest_tool(1.0, on=True)
    oscillator.rest_tool(2.0, on=True)
    pulled = oscillator.truth(10.0)
    oscillator.rest_tool(10.0, on=False)

    assert pulled == pytest.approx(6e-9)
    assert oscillator.truth(20.0) == pytest.approx(0.0, abs=1e-20)


def test_old_turns_are_summed():
    """A turn a minute for days neither grows without bound nor loses the level."""
    oscillator = Oscillator(OscillatorSpec(trimmer=TrimmerSpec(sensitivity=1e-9)), 1)

    for minute in range(3000):
        oscillator.turn(minute * 60.0, 0.5)

    assert oscillator.truth(3000 * 60.0) == pytest.approx(1.5e-6)
    assert oscillator.mean_offset(180000.0, 180001.0) == pytest.approx(1.5e-6)
    assert len(oscillator._trimmer._steps) < 100


@settings(max_examples=60, deadline=None)
@given(
    start=st.floats(0, 5000),
    first=st.floats(0.01, 50),
    second=st.floats(0.01, 50),
)
def test_gates_add_up(start, first, second):
    """The mean of two adjoining gates is that of the gate over both: phase is kept."""
    oscillator = Oscillator(NOISY, 5)
    middle, end = start + first, start + first + second

    whole = oscillator.mean_offset(start, end)
    parts = oscillator.mean_offset(start, middle) * (middle - start)
    parts += oscillator.mean_offset(middle, end) * (end - middle)

    assert parts == pytest.approx(whole * (end - start), abs=1e-17 * (1 + end) + 1e-12 * abs(parts))


def test_noise_does_not_depend_on_earlier_gates():
    """The same gate has the same mean after any other gates: random access."""
    patient, hasty = Oscillator(NOISY, 7), Oscillator(NOISY, 7)
    for second in range(3000):
        patient.mean_offset(second, second + 1.0)

    late = hasty.mean_offset(3000.0, 3000.5)

    assert patient.mean_offset(3000.0, 3000.5) == late
    assert hasty.mean_offset(10.0, 10.5) == Oscillator(NOISY, 7).mean_offset(10.0, 10.5)


def test_seeds_differ():
    """Another seed gives other noise."""
    means = {Oscillator(NOISY, seed).mean_offset(100.0, 101.0) for seed in range(20)}

    assert len(means) == 20


def test_a_gate_a_day_later_is_computed_at_once():
    """Noise is computed in a bounded number of blocks."""
    oscillator = Oscillator(NOISY, 3)

    oscillator.mean_offset(86400.0, 86401.0)

    assert max(len(part._blocks) for part in oscillator._noise._parts) <= 4


@pytest.mark.parametrize(("start", "end"), [(-1.0, 1.0), (2.0, 2.0), (3.0, 2.0), (math.nan, 1.0)])
def test_impossible_gates_are_refused(start, end):
    """A gate before power-on or without length has no mean."""
    with pytest.raises(ValueError, match="after power-on"):
        Oscillator(NOISY, 1).mean_offset(start, end)
