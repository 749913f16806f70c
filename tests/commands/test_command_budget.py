"""``benchwatch budget``: the budget of a recorded run."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from benchwatch.commands.budget import budget, calibration_age_s
from benchwatch.errors import BenchwatchError, FileError, NoReadings, QuantityError, UsageError
from benchwatch.pipeline.budget_part import budget_part
from benchwatch.quantity import parse_ageing
from benchwatch.reading import Gap, Reading

STATED = ("--reference-u", "2e-11", "--calibrated", "90d", "--reference-ageing", "1e-12/1d")


def write_run(path: Path, *, turned: bool = False, dated: bool = True) -> str:
    """Write fifteen minutes at 10 MHz, 2 ppb fast with 0.1 ppb of noise; turned after five."""
    random = np.random.default_rng(12)
    rows = ["time,frequency_hz" if dated else "time_s,frequency_hz"]
    for second in range(900):
        offset = 2e-9 + random.normal(0, 1e-10) - (2e-7 if turned and second < 300 else 0.0)
        at = f"2031-05-04T10:{second // 60:02d}:{second % 60:02d}Z" if dated else str(second)
        rows.append(f"{at},{10_000_000 + offset * 1e7:.4f}")
    path.write_text("\n".join(rows) + "\n")
    return str(path)


def lines_of(*arguments: str) -> list[dict[str, object]]:
    """Run the command with ``--json`` and read its lines."""
    result = CliRunner().invoke(budget, [*arguments, "--json"], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_budget_of_a_run(tmp_path: Path) -> None:
    """Every contribution and the whole, as strict JSON lines; the offset is the made one."""
    *parts, whole = lines_of(write_run(tmp_path / "run.csv"), *STATED)

    assert [part["name"] for part in parts] == [
        "noise", "resolution", "drift", "time base", "time base ageing",
    ]  # fmt: skip
    assert whole["missing"] == []
    assert whole["readings"] == 900
    assert whole["time"] == "2031-05-04T10:07:29.500Z"
    assert whole["offset"] == pytest.approx(2e-9, abs=2e-11)
    assert whole["offset_hz"] == pytest.approx(0.02, abs=2e-4)
    contributions = [part["contribution"] for part in parts]
    assert whole["u"] == pytest.approx(math.hypot(*contributions))  # type: ignore[arg-type]
    assert whole["expanded"] == pytest.approx(whole["k"] * whole["u"])  # type: ignore[operator]


def test_only_readings_after_the_nudge_count(tmp_path: Path) -> None:
    """Readings before the turn of the trimmer are left out, and that is reported."""
    path = write_run(tmp_path / "run.csv", turned=True)

    result = CliRunner().invoke(budget, [path, *STATED, "--json"], catch_exceptions=False)

    whole = json.loads(result.stdout.splitlines()[-1])
    assert whole["readings"] == pytest.approx(600, abs=2)
    assert whole["offset"] == pytest.approx(2e-9, abs=3e-11)
    assert "nudge" in result.stderr


def test_as_found_is_before_the_first_nudge(tmp_path: Path) -> None:
    """As found is the offset before the first turn."""
    path = write_run(tmp_path / "run.csv", turned=True)

    *_, whole = lines_of(path, "--kind", "as found")

    assert whole["record"] == "as found"
    assert whole["readings"] == pytest.approx(300, abs=2)
    assert whole["offset"] == pytest.approx(-198e-9, abs=3e-11)


def test_end_of_a_run(tmp_path: Path) -> None:
    """``--last`` uses the end of the run only."""
    *_, whole = lines_of(write_run(tmp_path / "run.csv"), "--last", "3min")

    assert whole["readings"] == 180


def test_table_for_people(tmp_path: Path) -> None:
    """The table names each contribution with its source, and what is not counted."""
    result = CliRunner().invoke(
        budget, [write_run(tmp_path / "run.csv"), "--kind", "as found"], catch_exceptions=False
    )

    assert result.stdout.startswith(
        "as found   main   around 2031-05-04T10:07:29.500Z   900 readings"
    )
    assert "√2 σy from the scatter of blocks" in result.stdout
    assert "Not counted: uncertainty of the time base." in result.stdout
    assert "lower limit" in result.stdout
    assert "degrees of freedom, about 95 %)" in result.stdout
    assert result.stdout.count("U = ") == 1


def test_stated_resolution(tmp_path: Path) -> None:
    """``--resolution`` in hertz replaces the last digit seen in the file."""
    path = write_run(tmp_path / "run.csv")

    resolution = next(
        part for part in lines_of(path, "--resolution", "0.01") if part.get("name") == "resolution"
    )

    assert resolution["u"] == pytest.approx(1e-9 / math.sqrt(12))


def test_conditions_of_the_run(tmp_path: Path) -> None:
    """Gate and an internal time base, if recorded, are on the record."""
    path = tmp_path / "run.jsonl"
    path.write_text(
        "".join(
            f'{{"kind":"reading","counter":"main","time":"2031-05-04T10:20:{k:02d}.500Z",'
            f'"elapsed_s":{k}.5,"gate_s":1.0,"frequency_hz":10000000.02,"offset_hz":0.02,'
            '"offset":2e-09,"flags":["internal-timebase"]}\n'
            for k in range(20)
        )
    )

    *_, whole = lines_of(str(path), "--nominal", "10MHz")
    shown = CliRunner().invoke(budget, [str(path), "--nominal", "10MHz"], catch_exceptions=False)

    assert whole["conditions"] == {
        "gate": "1 s",
        "time base": "internal",
    }
    assert "gate: 1 s" in shown.stdout


def test_offsets_without_a_nominal(tmp_path: Path) -> None:
    """A file of fractions gives a budget in fractions, without hertz."""
    path = tmp_path / "run.csv"
    path.write_text("time_s,offset\n" + "".join(f"{k},{1e-9 + k % 3 * 1e-11}\n" for k in range(90)))

    *_, whole = lines_of(str(path))

    assert whole["offset"] == pytest.approx(1.01e-9)
    assert whole["offset_hz"] is whole["nominal_hz"] is whole["time"] is None
    assert "resolution of the counter" in whole["missing"]  # type: ignore[operator]


def test_one_reading(tmp_path: Path) -> None:
    """A single reading has a mean, an unknown noise, and no uncertainty."""
    path = tmp_path / "run.csv"
    path.write_text("time_s,frequency_hz\n0,10000000.02\n")

    *_, whole = lines_of(str(path), "--nominal", "10MHz")

    assert whole["offset"] == pytest.approx(2e-9)
    assert whole["readings"] == 1
    assert any("noise" in str(name) for name in whole["missing"])  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("arguments", "error"),
    [
        (("--calibrated", "yesterday"), FileError),
        (("--calibrated", "2040-01-01"), UsageError),
        (("--reference-ageing", "fast"), QuantityError),
        (("--reference-u", "-1e-9"), UsageError),
        (("--coverage", "95"), UsageError),
        (("--coverage", "lots"), UsageError),
    ],
)
def test_bad_statements(
    tmp_path: Path, arguments: tuple[str, ...], error: type[BenchwatchError]
) -> None:
    """An impossible statement gives a sentence, not a traceback or a number."""
    with pytest.raises(error):
        CliRunner().invoke(
            budget, [write_run(tmp_path / "run.csv"), *arguments], catch_exceptions=False
        )


def test_date_of_calibration_needs_a_dated_run(tmp_path: Path) -> None:
    """For a file without dates the sentence asks for an age."""
    path = write_run(tmp_path / "run.csv", dated=False)

    with pytest.raises(UsageError, match="--calibrated 90d"):
        CliRunner().invoke(budget, [path, "--calibrated", "2031-01-01"], catch_exceptions=False)


def test_nothing_usable(tmp_path: Path) -> None:
    """A run of gaps only has no offset."""
    path = tmp_path / "run.csv"
    path.write_text("time_s,offset\n0,\n1,\n")

    with pytest.raises((FileError, NoReadings)):
        CliRunner().invoke(budget, [str(path)], catch_exceptions=False)


def test_ages_and_rates() -> None:
    """An age is read as such; a date is subtracted from the run's; ``none`` is a rate of zero."""
    assert calibration_age_s("90d", None) == 90 * 86400.0
    assert calibration_age_s("1970-01-02", 3 * 86400.0) == 2 * 86400.0
    assert parse_ageing("1ppb/1d") == pytest.approx(1e-9 / 86400)
    assert parse_ageing(" None ") == 0.0


def test_gaps_are_kept_as_nan() -> None:
    """A gap and an unfit reading are nan in the part, so that nothing is bridged."""

    def reading(at: float, *flags: str) -> Reading:
        return Reading(
            counter="main",
            utc_s=at,
            elapsed_s=at,
            gate_s=1.0,
            text="",
            frequency_hz=1e7,
            offset_hz=0.0,
            offset=1e-9,
            flags=frozenset(flags),  # type: ignore[arg-type]
        )

    part = budget_part(
        [
            reading(0.0),
            Gap(counter="main", utc_s=1.0, elapsed_s=1.0, lasted_s=5.0, reason="no reply"),
            reading(7.0, "repeat"),
            reading(8.0),
        ]
    )

    assert [math.isnan(offset) for offset in part.steady.offsets] == [False, True, True, False]
    assert part.steady.readings == 2


@pytest.mark.parametrize("text", ["0001-01-01", "1900-01-01"])
def test_a_calibration_a_hundred_years_ago_is_refused(text: str) -> None:
    """It must be a typing error."""
    with pytest.raises(UsageError, match="hundred years"):
        calibration_age_s(text, 1_935_656_420.5)


def test_one_notation_in_one_budget(tmp_path: Path) -> None:
    """An offset of 2 ppb with contributions of parts in 10^12 is in ppb throughout."""
    result = CliRunner().invoke(
        budget, [write_run(tmp_path / "run.csv"), *STATED], catch_exceptions=False
    )

    assert "u in ppb" in result.stdout
    assert "parts in" not in result.stdout
    assert "e-1" not in result.stdout
