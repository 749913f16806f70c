"""What scripts pass: numbers of numpy count, and what means nothing is refused with a sentence."""

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from api_kit import write_station_run

import benchwatch


def test_numbers_of_numpy_are_numbers() -> None:
    """A float has its shortest decimals, a whole number all its digits."""
    estimator = benchwatch.Estimator(np.float64(1e7))
    estimator.add(np.float64(10_000_000.1), 0.0)
    now = estimator.add(np.int64(10_000_001), 1.0)  # type: ignore[arg-type]  # as arrays give it

    assert now.reading is not None
    assert (now.reading.text, now.reading.offset_hz) == ("10000001", 1.0)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda run: benchwatch.deviations(run, confidence=95), "between 0 and 1"),
        (lambda run: benchwatch.deviations(run, since="nudged"), "it can be 'settled', 'nudge'"),
        (lambda run: benchwatch.deviations(["a"], interval=1), "row of numbers"),
        (lambda run: benchwatch.budget(run, "left"), "it can be 'as found', 'as left'"),
        (lambda run: benchwatch.export({}, "nothing.csv"), "no recording"),
        (lambda run: benchwatch.Estimator("10 MHz").gap(1.0, math.nan), "how many seconds"),
    ],
)
def test_a_word_or_number_that_means_nothing_is_refused(
    tmp_path: Path, call: Callable[[benchwatch.Recording], object], words: str
) -> None:
    """With a sentence, and never with numbers of something else."""
    recording = benchwatch.read_file(write_station_run(tmp_path))

    with pytest.raises(benchwatch.UsageError, match=words):
        call(recording)


def test_one_column_or_one_frequency_may_be_a_number_or_text(tmp_path: Path) -> None:
    """A text is one value, and not a list of its letters."""
    path = write_station_run(tmp_path)
    rows = benchwatch.offset_elsewhere("1 ppb", "10 MHz", "100 MHz")

    assert len(benchwatch.read_file(path, value_column=2)) == 900
    assert [row.frequency_hz for row in rows] == [100e6]
