"""Block means, their ends at a nudge, and the noise read from them."""

import numpy as np
import pytest

from benchwatch.estimate.block_means import OctaveMeans
from benchwatch.estimate.settle.noise_model import fit_noise


def test_levels_hold_the_means_of_1_2_4_readings() -> None:
    """Each level holds the plain means of its readings, and the times of their last ones."""
    y = np.random.default_rng(1).standard_normal(64)
    means = OctaveMeans()

    for t, value in enumerate(y.tolist()):
        means.add(float(t), value)

    for level, blocks in enumerate(means.levels):
        length = 2**level
        rows = blocks.rows()
        assert rows[1] == pytest.approx(y.reshape(-1, length).mean(axis=1))
        assert rows[2].tolist() == [length] * (64 // length)
        assert rows[3].tolist() == list(range(length - 1, 64, length))


@pytest.mark.parametrize("cut_at", [1, 7, 32, 45, 62])
def test_no_block_lies_on_both_sides_of_a_cut(cut_at: int) -> None:
    """After a cut the readings since are returned, and no mean holds readings of both sides."""
    means = OctaveMeans()
    for t in range(63):
        means.add(float(t), 0.0 if t < cut_at else 1.0)

    again = means.cut(float(cut_at))
    for t, y in again:
        means.add(t, y)
    for t in range(63, 200):
        means.add(float(t), 1.0)

    assert [t for t, _ in again] == list(range(cut_at, 63))
    for level in means.levels:
        t, y, n, last = level.rows()
        assert set(y.tolist()) <= {0.0, 1.0}
        assert np.all(np.diff(last) > 0.0)
        assert float(n[y == 0.0].sum()) <= cut_at


def test_cut_keeps_all_readings_before_it_on_the_coarse_levels() -> None:
    """Blocks that the cut leaves unfinished are kept, shorter, on the next level."""
    means = OctaveMeans()
    for t in range(45):
        means.add(float(t), 1.0)

    means.cut(45.0)

    assert float(means.levels[4].rows()[2].sum()) == 45.0


def test_white_and_flicker_are_separated() -> None:
    """Exact variances a/τ + b give back a and b, within the scatter."""
    points = [(2.0**level, 4.0 / 2.0**level + 1.0, 40) for level in range(6)]

    noise = fit_noise(points)

    assert noise is not None
    assert noise.white == pytest.approx(4.0, rel=0.05)
    assert noise.flicker == pytest.approx(1.0, rel=0.15)


def test_white_noise_is_not_taken_for_flicker() -> None:
    """In most of 100 made white series there is no flicker, and the white level is right."""
    rng = np.random.default_rng(2)
    found = []
    for _ in range(100):
        means = OctaveMeans()
        for t, y in enumerate(rng.standard_normal(1500).tolist()):
            means.add(float(t), y)
        noise = fit_noise(
            [(2.0**at, *level.hadamard()) for at, level in enumerate(means.levels[:6])]
        )
        assert noise is not None
        found.append((noise.white, noise.flicker))

    white, flicker = np.median(found, axis=0)
    assert white == pytest.approx(1.0, abs=0.15)
    assert flicker == 0.0


def test_noise_is_unknown_from_few_readings_and_zero_when_they_repeat() -> None:
    """Five differences are too few; equal readings give zero."""
    assert fit_noise([(1.0, 2.0, 5)]) is None
    assert fit_noise([(1.0, 0.0, 40)]) == fit_noise([(1.0, 0.0, 40), (2.0, 0.0, 40)])
    assert fit_noise([(1.0, 0.0, 40)]).variance(1.0) == 0.0
