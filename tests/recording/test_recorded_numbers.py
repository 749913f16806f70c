"""Columns of numbers and dates: the fast readers agree with Python's own, one value at a time."""

import random
from datetime import UTC, datetime, timedelta
from decimal import Context, Decimal
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from recorded_kit import write
from seed_kit import unseen_seed

from benchwatch.recording import read_recording, text_lines

EXACT = Context(prec=120)
ODD = (
    "1.", ".5", "-0.0", "+12", "12e-3", "+1.5E+07", "9" * 18, "9" * 19, "00012", "1e-30", "1E+3",
    "0.000000000000000000000012345", "123456789012345678.9",
)  # fmt: skip
"""Numbers of every grammar and length (`Decimal` reads them all)."""


def a_number(rng: random.Random) -> str:
    """Return a number as loggers write it, in fixed or changing width."""
    how = rng.random()
    if how < 0.4:
        return f"{1e7 + rng.gauss(0, 0.1):.4f}"
    if how < 0.55:
        return f"{1e7 + rng.gauss(0, 1000):.{rng.randrange(12)}f}"
    if how < 0.7:
        return f"{rng.gauss(0, 1e-9):.{rng.randrange(14)}e}"
    if how < 0.85:
        return repr(rng.gauss(0, 1))
    return rng.choice(ODD)


def table(path: Path, column: str, cells: list[str], *, first: int = 0) -> str:
    """Return a table with a row a second."""
    rows = "".join(f"{first + i},{cell}\n" for i, cell in enumerate(cells))
    return write(path, f"time_s,{column}\n{rows}")


@pytest.mark.parametrize("nominal", ["10000000", "32768", "12345678.9", "26000000"])
def test_frequencies_are_subtracted_exactly_whatever_their_form(
    tmp_path: Path, nominal: str
) -> None:
    """Each difference is that of `decimal`, rounded once, to the last bit."""
    rng = random.Random(unseen_seed())
    near = Decimal(nominal)
    cells = [
        str(EXACT.add(near, Decimal(f"{rng.gauss(0, 1):.{rng.randrange(16)}f}")))
        for _ in range(3000)
    ]

    recording = read_recording(table(tmp_path / "run.csv", "frequency_hz", cells), nominal=near)

    hertz = [EXACT.subtract(Decimal(cell), near) for cell in cells]
    assert recording.offset_hz.tolist() == [float(value) for value in hertz]
    assert recording.offset.tolist() == [float(EXACT.divide(value, near)) for value in hertz]
    assert recording.text == tuple(cells)


def test_fractions_are_the_floats_that_are_written(tmp_path: Path) -> None:
    """As `float` reads them, correctly rounded, among blanks and lines of other forms."""
    rng = random.Random(unseen_seed())
    cells = [a_number(rng) for _ in range(3000)]
    small = [cell for cell in cells if abs(float(cell)) < 1e3]
    rows = [f"{i},{cell}" for i, cell in enumerate(small)]
    rows[100] = f'"100", "{small[100]}"'
    rows.insert(50, "# a remark, with a comma")

    recording = read_recording(write(tmp_path / "run.csv", "time_s,offset\n" + "\n".join(rows)))

    assert recording.offset.tolist() == [float(cell) for cell in small]
    assert recording.time_s.tolist() == [float(i) for i in range(len(small))]


def test_steps_of_a_time_error_are_exact_in_any_form(tmp_path: Path) -> None:
    """Two long numbers are subtracted before anything is rounded."""
    rng = random.Random(unseen_seed())
    cells = [f"{3600 + rng.gauss(0, 1e-6):.{rng.choice([12, 16, 20])}f}" for _ in range(500)]

    recording = read_recording(table(tmp_path / "run.csv", "phase_s", cells))

    steps = [float(Decimal(b) - Decimal(a)) for a, b in pairwise(cells)]
    np.testing.assert_array_equal(recording.offset, steps)


def test_dates_of_all_forms_give_the_seconds_of_the_calendar(tmp_path: Path) -> None:
    """With a zone, with Z, with none, with a blank, with up to six digits of a second.

    `datetime.fromisoformat` of Python reads the same forms one by one (ISO 8601).
    """
    rng = random.Random(unseen_seed())
    moment = datetime(2031, 12, 31, 23, 50, tzinfo=UTC)
    cells, seconds = [], []
    for _ in range(2000):
        moment += timedelta(microseconds=rng.randrange(1, 3_000_000))
        shifted = moment.astimezone(rng.choice([UTC, *ZONES]))
        cell = shifted.isoformat(sep=rng.choice("T "))
        cells.append(cell.replace("+00:00", rng.choice(["Z", "+00:00", ""])))
        seconds.append(moment)
    rows = "".join(f"{cell},1e-9\n" for cell in cells)

    recording = read_recording(write(tmp_path / "run.csv", "time,offset\n" + rows))

    expected = [(one - seconds[0]) / timedelta(seconds=1) for one in seconds]
    assert recording.time_s.tolist() == pytest.approx(expected, abs=1e-9)
    assert recording.utc_start_s == seconds[0].timestamp()


ZONES = [datetime.fromisoformat(f"2031-01-01T00:00:00{zone}").tzinfo for zone in
         ("+02:00", "-07:30", "+13:45")]  # fmt: skip


@pytest.mark.parametrize("column", ["frequency_hz", "offset", "phase_s"])
def test_where_a_file_is_cut_into_blocks_is_no_matter(
    tmp_path: Path, column: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Missing rows, blanks, remarks, readings over range: in blocks of a few lines and in one."""
    rng = random.Random(unseen_seed())
    rows, at_s, phase = [], 0, 0.0
    for _ in range(2500):
        at_s += 1 if rng.random() > 0.01 else rng.randrange(2, 40)
        phase += rng.gauss(2e-9, 1e-10)
        cell = {"frequency_hz": f"{1e7 + rng.gauss(0.02, 0.001):.4f}", "offset": f"{phase:.5e}",
                "phase_s": f"{phase:.15f}"}[column]  # fmt: skip
        if rng.random() < 0.01:
            cell = rng.choice(["", "9.9E37"])
        rows.append(f"{at_s},{cell}" if rng.random() > 0.002 else f"# remark\n{at_s},{cell}")
    path = write(tmp_path / "run.csv", f"time_s,{column}\n" + "\n".join(rows) + "\n")
    read = []
    for size in (1 << 26, 170, 3000):
        monkeypatch.setattr(text_lines, "FIRST_BLOCK_BYTES", size)
        monkeypatch.setattr(text_lines, "BLOCK_BYTES", size)
        read.append(read_recording(path))

    for one in read[1:]:
        assert repr(list(one.events())) == repr(list(read[0].events()))
        np.testing.assert_array_equal(one.offset, read[0].offset)
        assert one.across_s == read[0].across_s
        assert one.interval_s == read[0].interval_s


def test_a_time_error_of_uneven_rows_is_divided_by_its_own_steps(tmp_path: Path) -> None:
    """At times that vary by a third the offset is that of the oscillator (IEEE 1139-2008)."""
    rng = random.Random(unseen_seed())
    times = [i + rng.uniform(-0.15, 0.15) for i in range(500)]
    rows = "".join(f"{at:.6f},{2e-9 * round(at, 6):.18f}\n" for at in times)

    recording = read_recording(write(tmp_path / "run.csv", "time_s,phase_s\n" + rows))

    np.testing.assert_allclose(recording.offset, 2e-9, rtol=1e-8)
