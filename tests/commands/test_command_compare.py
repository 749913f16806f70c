"""``benchwatch compare``: recordings of several counters on one signal."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from benchwatch.commands.compare import compare
from benchwatch.errors import NoReadings, UsageError

TIME_BASES = {"main": 0.0, "spare": 5e-9, "rack": 0.0}


@pytest.fixture
def files(tmp_path: Path) -> list[str]:
    """Write readings of one drifting signal by three counters; ``spare``'s time base is fast."""
    random = np.random.default_rng(8)
    signal = 2e-9 + 1e-12 * np.arange(600)
    paths = []
    for place, (name, time_base) in enumerate(TIME_BASES.items()):
        offsets = (1 + signal) / (1 + time_base) - 1 + random.normal(0, 1e-10, 600)
        rows = [
            f"2031-05-04T10:{k // 60:02d}:{k % 60:02d}.{place}Z,{10_000_000 + y * 1e7:.4f}"
            for k, y in enumerate(offsets)
            if not (name == "main" and 300 <= k < 310)
        ]
        path = tmp_path / f"{name}.csv"
        path.write_text("time,frequency_hz\n" + "\n".join(rows) + "\n")
        paths.append(str(path))
    return paths


def run(*arguments: str) -> str:
    """Run the command and return what it prints."""
    result = CliRunner().invoke(compare, list(arguments), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def lines_of(*arguments: str) -> list[dict[str, object]]:
    """Run the command with ``--json`` and read its lines."""
    return [json.loads(line) for line in run(*arguments, "--json").splitlines()]


def test_three_counters(files: list[str]) -> None:
    """All pairs, the time bases against the reference, the odd one out, and the hat.

    ``main`` lacks ten readings; the pair of the others does not.
    """
    lines = lines_of(*files, "--reference", "main", "--reference-u", "2e-11")

    pairs = [line for line in lines if line["kind"] == "difference"]
    bases = [line for line in lines if line["kind"] == "timebase"]
    hat = [line for line in lines if line["kind"] == "hat"]
    assert [line["agree"] for line in pairs] == [False, True, False]
    assert [line["readings"] for line in pairs] == [590, 590, 600]
    assert [(line["counter"], line["against"]) for line in bases] == [
        ("spare", "main"), ("rack", "main"), ("spare", None),
    ]  # fmt: skip
    assert bases[0]["offset"] == pytest.approx(5e-9, abs=4 * bases[0]["u"])  # type: ignore[operator]
    assert bases[0]["u"] >= 2e-11  # type: ignore[operator]
    assert hat[0]["adev"] == pytest.approx(dict.fromkeys(TIME_BASES, 1e-10), rel=0.25)


def test_table_for_people(files: list[str]) -> None:
    """The table names the counter that disagrees, and the offset of its time base."""
    text = run(*files)

    assert "main - spare" in text
    assert "spare disagrees with the others, which agree" in text
    assert "three-cornered hat" in text


def test_two_counters_name_no_odd_one_out(files: list[str]) -> None:
    """Two counters alone don't show which one is off, and the text states that."""
    assert "don't tell whose time base is off" in run(*files[:2])


def test_uncertainty_of_the_reference_is_needed(files: list[str]) -> None:
    """Without the reference's uncertainty that of the time base is null, not the pair's alone."""
    lines = lines_of(*files[:2], "--reference", "main")

    assert [line["u"] for line in lines if line["kind"] == "timebase"] == [None]


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("--reference", "other"), "There are: main, spare"),
        (("--coverage", "95"), "write 95% or 0.95"),
    ],
)
def test_bad_options(files: list[str], arguments: tuple[str, ...], expected: str) -> None:
    """Impossible options give a sentence."""
    with pytest.raises(UsageError, match=expected):
        run(*files[:2], *arguments)


def test_one_counter(files: list[str]) -> None:
    """One counter can't be compared."""
    with pytest.raises(UsageError, match="hold 1"):
        run(files[0])


def test_same_file_twice(files: list[str]) -> None:
    """A recording is not compared with itself."""
    with pytest.raises(UsageError, match="different ones"):
        run(files[0], files[0])


def test_different_days(files: list[str], tmp_path: Path) -> None:
    """Recordings of different days have no reading in common."""
    other = tmp_path / "other.csv"
    other.write_text(
        "time,frequency_hz\n2031-06-04T10:00:00Z,10000000.02\n2031-06-04T10:00:01Z,10000000.02\n"
    )

    with pytest.raises(NoReadings, match="--window"):
        run(files[0], str(other))


def test_different_nominals(files: list[str], tmp_path: Path) -> None:
    """A 5 MHz run and a 10 MHz run are not of one signal."""
    other = tmp_path / "five.csv"
    other.write_text(
        "time,frequency_hz\n2031-05-04T10:00:00Z,5000000.02\n2031-05-04T10:00:01Z,5000000.02\n"
    )

    with pytest.raises(UsageError, match="different nominals"):
        run(files[0], str(other))


def test_four_counters(files: list[str], tmp_path: Path) -> None:
    """All pairs are compared and the odd one named; the hat is for three counters only."""
    rows = Path(files[0]).read_text().splitlines()
    fourth = tmp_path / "fourth.csv"
    fourth.write_text("\n".join(rows) + "\n")

    lines = lines_of(*files, str(fourth))

    assert sum(line["kind"] == "difference" for line in lines) == 6
    assert [line["counter"] for line in lines if line["kind"] == "timebase"] == ["spare"]
    assert not [line for line in lines if line["kind"] == "hat"]
