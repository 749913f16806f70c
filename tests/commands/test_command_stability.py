"""``benchwatch stability``: a table for people, JSON lines for programs, sentences for mistakes."""

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st
from line_schema_kit import held
from program_kit import COMMAND
from stability_kit import NINE, handbook

from benchwatch.commands.stability import stability
from benchwatch.errors import BenchwatchError, FileError, UsageError

KEYS = [
    "kind", "deviation", "tau_s", "value", "low", "high", "confidence", "edf", "n", "noise",
]  # fmt: skip


def run(*arguments: str, text: str | None = None) -> Result:
    """Run the command in this process; the program's errors are raised."""
    result = CliRunner().invoke(stability, list(arguments), input=text)
    if isinstance(result.exception, BenchwatchError):
        raise result.exception
    return result


def lines(result: Result) -> list[dict[str, object]]:
    """Decode standard output as strict JSON lines."""

    def refuse(name: str) -> None:
        raise AssertionError(name)

    return [held(json.loads(line, parse_constant=refuse)) for line in result.stdout.splitlines()]


@pytest.fixture
def handbook_file(tmp_path: Path) -> str:
    """Write the 1000 points of NIST SP 1065 as offsets at 1 s."""
    rows = "".join(f"{i},{y!r}\n" for i, y in enumerate(handbook().tolist()))
    path = tmp_path / "handbook.csv"
    path.write_text("time_s,offset\n" + rows)
    return str(path)


def test_the_contract_of_the_json_lines(handbook_file: str) -> None:
    """The keys in their order, for scripts, and oadev at 10 s of NIST SP 1065 section 12, 9.16e-2.

    The limits are computed as in tests/estimate/stability/test_stability_values.py; the handbook
    prints none.
    """
    result = run(handbook_file, "--taus", "10s", "--json")

    (row,) = lines(result)
    assert result.exit_code == 0
    assert list(row)[: len(KEYS)] == KEYS
    assert row["kind"] == "stability"
    assert (row["deviation"], row["tau_s"], row["n"]) == ("oadev", 10.0, 981)
    assert (row["confidence"], row["noise"]) == (0.6827, "white FM")
    assert row["value"] == pytest.approx(0.091599534201186531, rel=1e-15)
    assert row["low"] == pytest.approx(0.0866794157, abs=6e-11)
    assert row["high"] == pytest.approx(0.0974652686, abs=6e-11)


def test_all_deviations_in_decades(handbook_file: str) -> None:
    """Seven deviations at 1, 10 and 100 s: 21 lines, the handbook's values (SP 1065)."""
    result = run(handbook_file, "--taus", "decade", "--deviations", "all", "--json")

    rows = {(row["deviation"], row["tau_s"]): row["value"] for row in lines(result)}
    assert len(rows) == 21
    assert rows["mdev", 100.0] == pytest.approx(0.021709209136942404, rel=1e-14)
    assert rows["tdev", 10.0] == pytest.approx(0.35636231659484763, rel=1e-14)
    assert rows["totdev", 100.0] == pytest.approx(0.034065302521826419, rel=1e-14)


def test_the_table_for_people_is_aligned(handbook_file: str) -> None:
    """One line a number under a header, aligned columns, remarks on standard error only."""
    result = run(handbook_file, "--taus", "1s,10s", "--deviations", "oadev,tdev")

    header, *rows = result.stdout.splitlines()
    assert header.split()[:3] == ["deviation", "tau_s", "value"]
    assert [row.split()[0] for row in rows] == ["oadev", "oadev", "tdev", "tdev"]
    assert "9.1600e-02" in rows[1]
    assert len({row.index("white FM") for row in rows}) == 1
    assert "large for fractions" in result.stderr


@pytest.mark.parametrize("column", ["frequency_hz", "period_s", "phase_s", "offset"])
def test_each_kind_of_file_has_the_same_stability(tmp_path: Path, column: str) -> None:
    """The nine points of Monograph 140 in parts of 10^9, written in four ways."""
    y = NINE * 1e-9
    cells = {
        "frequency_hz": [f"{10_000_000 + 1e7 * v:.10f}" for v in y],
        "period_s": [f"{1e-7 / (1 + v):.26e}" for v in y],
        "phase_s": [f"{x:.20e}" for x in np.concatenate(([0.0], np.cumsum(y * 10)))],
        "offset": [repr(v) for v in y.tolist()],
    }[column]
    path = tmp_path / "nine.csv"
    path.write_text(f"time_s,{column}\n" + "".join(f"{10 * i},{c}\n" for i, c in enumerate(cells)))

    result = run(str(path), "--nominal", "10MHz", "--json", "--taus", "20s")

    (row,) = lines(result)
    # One ulp of a period written from a float is 1.3e-16 of it: 1.5e-9 of these offsets.
    assert row["value"] == pytest.approx(85.952869837681007e-9, rel=3e-9)


def test_standard_input_and_a_bare_column() -> None:
    """A column of numbers from a pipe, with its meaning and interval as options."""
    text = "\n".join(f"{10_000_000 + v / 100:.2f}" for v in NINE) + "\n"

    result = run("-", "--column", "frequency_hz", "--interval", "2s", "--json", text=text)

    first, second, third = lines(result)
    assert (first["tau_s"], second["tau_s"], third["tau_s"]) == (2.0, 4.0, 8.0)
    assert first["value"] == pytest.approx(91.229449740749834e-9, rel=1e-12)
    assert first["noise"] is None
    assert "10 MHz" in result.stderr


def test_an_averaging_time_is_taken_as_the_nearest_multiple(tmp_path: Path) -> None:
    """Gate and pause are 0.2515 s: 1 s is four readings, and that is reported."""
    path = tmp_path / "quarter.csv"
    rows = "".join(f"{0.2515 * i:.4f},{i % 3}e-9\n" for i in range(100))
    path.write_text("time_s,offset\n" + rows)

    result = run(str(path), "--json", "--taus", "1s,10s")

    assert [row["tau_s"] for row in lines(result)] == pytest.approx([4 * 0.2515, 40 * 0.2515])
    assert "1 s is taken as 1.006 s, 4 readings" in result.stderr


def test_a_gap_is_not_bridged(tmp_path: Path) -> None:
    """A jump during a gap has no effect, and left-out readings are reported."""
    path = tmp_path / "gap.csv"
    rows = [f"{i},{1e-9 if i % 2 else -1e-9}\n" for i in range(20)]
    rows += [f"{i + 100},{1e-3 + (1e-9 if i % 2 else -1e-9)!r}\n" for i in range(20)]
    path.write_text("time_s,offset\n" + "".join(rows))

    result = run(str(path), "--json", "--taus", "1s,10s,16s")

    values = [row["value"] for row in lines(result)]
    assert values == pytest.approx([np.sqrt(2) * 1e-9, 0.0], abs=1e-15)
    assert "1 of 3 numbers are left out" in result.stderr


def test_constant_readings_are_null_beyond_their_value(tmp_path: Path) -> None:
    """A counter that repeats itself has a deviation of 0, and null limits."""
    path = tmp_path / "same.csv"
    path.write_text("time_s,offset\n" + "".join(f"{i},1e-9\n" for i in range(10)))

    result = run(str(path), "--json", "--taus", "1s")

    (row,) = lines(result)
    assert row["value"] == 0.0
    assert row["low"] is row["high"] is row["edf"] is row["noise"] is None


def test_dead_time_is_corrected_and_reported(tmp_path: Path) -> None:
    """With a gate of half the interval, averaging times count gates, flicker loses √B2."""
    rng = np.random.default_rng(77)
    path = tmp_path / "dead.csv"
    rows = "".join(f"{i},{y!r}\n" for i, y in enumerate(rng.normal(size=500).cumsum().tolist()))
    path.write_text("time_s,offset\n" + rows)
    plain = lines(run(str(path), "--json", "--taus", "1s"))[0]

    result = run(str(path), "--json", "--taus", "0.5s", "--gate", "500ms", "--deviations", "all")

    table = {row["deviation"]: row for row in lines(result)}
    walk = (3 * 2 - 1) / 2
    assert plain["noise"] == "random-walk FM"
    assert isinstance(plain["value"], float)
    assert table["oadev"]["value"] == pytest.approx(plain["value"] / np.sqrt(walk), rel=1e-12)
    assert table["mdev"]["value"] == pytest.approx(plain["value"], rel=1e-12)
    assert "mdev, tdev, totdev: not corrected" in result.stderr


def test_uncorrected_dead_time_is_mentioned(tmp_path: Path) -> None:
    """JSON lines hold the gate; dead time without a request to correct it is mentioned."""
    path = tmp_path / "run.jsonl"
    path.write_text(
        "".join(
            json.dumps(
                {
                    "kind": "reading", "counter": "main", "elapsed_s": 1.25 * i, "gate_s": 1.0,
                    "frequency_hz": 1e7 + i % 3, "offset_hz": float(i % 3), "flags": [],
                }
            )
            + "\n"
            for i in range(12)
        )
    )  # fmt: skip

    result = run(str(path), "--json")

    assert lines(result)[0]["tau_s"] == 1.25
    assert "--gate 1s" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "error", "words"),
    [
        (["--taus", "1.5s"], UsageError, "1.5 s is no multiple of 1 s.* 1s,2s;"),
        (["--taus", "0.3s"], UsageError, "0.3 s is no multiple of 1 s.* 1s;"),
        (["--taus", "often"], UsageError, "'often'"),
        (["--taus", "5000s"], FileError, "too few"),
        (["--deviations", "adev,bdev"], UsageError, "'bdev' is no deviation.*totdev"),
        (["--deviations", ""], UsageError, "is no deviation"),
        (["--gate", "2s"], UsageError, "longer than the 1 s"),
        (["--confidence", "lots"], UsageError, "lots"),
    ],
)
def test_mistakes_get_a_sentence(
    handbook_file: str, arguments: list[str], error: type[BenchwatchError], words: str
) -> None:
    """With the typed text, the reason and the valid forms."""
    with pytest.raises(error, match=words) as caught:
        run(handbook_file, *arguments)

    assert str(caught.value).endswith(".")


@given(
    cells=st.lists(
        st.one_of(
            st.floats(-1e-6, 1e-6).map(repr),
            st.sampled_from(["", "nan", "1e-9", "1e-9", "9.9E37", "1e30", "-1e-300", "0"]),
        ),
        min_size=1,
        max_size=40,
    ),
    column=st.sampled_from(["offset", "phase_s"]),
    taus=st.sampled_from(["octave", "decade", "1s,3s"]),
)
def test_any_numbers_give_strict_json_or_a_sentence(
    cells: list[str], column: str, taus: str
) -> None:
    """Any mixture of values gives strict JSON with ordered limits, or a sentence; no warning."""
    text = f"time_s,{column}\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells))

    try:
        result = run("-", "--deviations", "all", "--taus", taus, "--json", text=text)
    except FileError:
        return

    assert result.exit_code == 0, result.exception
    for row in lines(result):
        assert list(row)[: len(KEYS)] == KEYS
        value, low, high = row["value"], row["low"], row["high"]
        assert isinstance(value, float)
        if isinstance(low, float) and isinstance(high, float):
            assert low <= value <= high


def test_one_reading_is_too_few(tmp_path: Path) -> None:
    """A single reading has no interval and no stability."""
    path = tmp_path / "one.csv"
    path.write_text("time_s,offset\n0,1e-9\n")

    with pytest.raises(FileError, match="one reading says nothing"):
        run(str(path))


def test_the_whole_program(handbook_file: str) -> None:
    """As a process: data on standard output, narration on standard error, exit codes 0 and 5."""
    program = [*COMMAND, "stability"]

    good = subprocess.run(
        [*program, handbook_file, "--json"], capture_output=True, text=True, check=False
    )
    bad = subprocess.run([*program, "none.csv"], capture_output=True, text=True, check=False)

    assert good.returncode == 0, good.stderr
    assert len(good.stdout.splitlines()) == 9
    assert bad.returncode == 5
    assert bad.stdout == ""
    assert "none.csv can't be read" in bad.stderr
    assert "Traceback" not in bad.stderr
