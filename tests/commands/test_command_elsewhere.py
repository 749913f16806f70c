"""``benchwatch elsewhere``: an offset carried to other frequencies."""

import json
from decimal import Decimal
from pathlib import Path

import pytest
from click.testing import CliRunner
from register_kit import made_register

from benchwatch.commands.elsewhere import elsewhere
from benchwatch.errors import QuantityError, UsageError
from benchwatch.register import Unit


def output_of(*arguments: str) -> str:
    """Run the command and return what it prints."""
    result = CliRunner().invoke(elsewhere, list(arguments), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def test_lines_for_programs() -> None:
    """24 mHz low at 10 MHz is 240 mHz low at 100 MHz (common practice, no source)."""
    lines = [
        json.loads(line)
        for line in output_of(
            "-24mHz", "--nominal", "10MHz", "--at", "100MHz", "--at", "5MHz", "--json"
        ).splitlines()
    ]

    assert [line["frequency_hz"] for line in lines] == [1e7, 1e8, 5e6, 1.0]
    assert [line["offset_hz"] for line in lines] == pytest.approx([-0.024, -0.24, -0.012, -2.4e-9])
    assert {line["offset"] for line in lines} == {-2.4e-9}
    assert lines[1]["phase_noise_db"] == pytest.approx(20.0)
    assert lines[0]["u"] is lines[0]["u_seconds_per_day"] is None
    assert {line["nominal_hz"] for line in lines} == {1e7}


def test_table_for_people() -> None:
    """Hertz and the fraction side by side, the beat and the clock in words."""
    text = output_of("1ppm", "--nominal", "10MHz", "--at", "100MHz", "--u", "1ppb")

    assert "+1000.0 ± 1.0 ppb" in text
    assert "+100.00 ± 0.10 Hz" in text
    assert "+20.00 dB" in text
    assert "gains 0.086400 ± 0.000086 s a day" in text


def test_a_clocks_second() -> None:
    """At 1 Hz 1 ppm is 1000 nHz, a beat in 11 days; a day's error is 0.0864 s (1 ppm: common)."""
    text = output_of("1ppm", "--nominal", "10MHz")
    small = output_of("2.4ppb", "--nominal", "10MHz", "--u", "0.2ppb")
    last = json.loads(
        output_of("1ppm", "--nominal", "10MHz", "--u", "1ppb", "--json").splitlines()[-1]
    )

    assert "gains 0.08640 s a day" in text
    assert "gains 0.207 ± 0.017 ms a day" in small
    assert "+2.40 ± 0.20 nHz" in small
    assert last["frequency_hz"] == 1.0
    assert last["beat_period_s"] == pytest.approx(1e6)
    assert last["seconds_per_day"] == pytest.approx(0.0864)
    assert last["u_seconds_per_day"] == pytest.approx(8.64e-5)


def test_one_hertz_once() -> None:
    """1 Hz that was typed, and a frequency typed twice, are shown once."""
    lines = output_of(
        "1ppb", "--nominal", "10MHz", "--at", "1Hz", "--at", "10MHz", "--json"
    ).splitlines()

    assert [json.loads(line)["frequency_hz"] for line in lines] == [1e7, 1.0]


def test_no_offset() -> None:
    """Without an offset there is no beat: a word for people, null for programs."""
    assert "never" in output_of("0", "--nominal", "10MHz")
    first = output_of("0", "--nominal", "10MHz", "--json").splitlines()[0]
    assert json.loads(first)["beat_period_s"] is None


@pytest.mark.parametrize("offset", ["10000000", "fast", "5 bananas"])
def test_bad_offset(offset: str) -> None:
    """A text that is no offset gives a sentence with the forms that are."""
    with pytest.raises(QuantityError):
        output_of(offset, "--nominal", "10MHz")


@pytest.mark.parametrize("u", ["-1ppb", "-1e-9", "-10mHz", "much"])
def test_bad_uncertainty(u: str) -> None:
    """An uncertainty below zero, or that is no number, is refused by the option's name."""
    with pytest.raises(QuantityError, match="--u: "):
        output_of("2ppb", "--nominal", "10MHz", f"--u={u}")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("1ppb",), "of which frequency"),
        (("--nominal", "10MHz"), "which offset"),
    ],
)
def test_what_is_needed(words: tuple[str, ...], sentence: str) -> None:
    """Without a nominal, or without an offset, there is a sentence."""
    with pytest.raises(UsageError, match=sentence):
        output_of(*words)


def test_a_unit_of_the_register(tmp_path: Path) -> None:
    """A unit gives its nominal, the frequencies at which it is used, and its newest record."""
    register = made_register(tmp_path / "register.db", units=1)
    unit = Unit(ident="0417", nominal_hz=Decimal(10_000_000), working_hz=(162.4e6,))
    register.add([unit.draft()])
    beside = ("--unit", "0417", "--journal", str(tmp_path / "journal.db"), "--json")

    newest = [json.loads(line) for line in output_of(*beside).splitlines()]
    typed = [json.loads(line) for line in output_of("1ppb", *beside).splitlines()]

    assert [line["frequency_hz"] for line in newest] == [1e7, 162.4e6, 1.0]
    assert [line["offset"] for line in newest] == pytest.approx([0.12e-9] * 3)
    assert newest[0]["u"] > 0
    assert {line["offset"] for line in typed} == {1e-9}
    assert typed[0]["u"] is None


def test_a_unit_that_is_not_there(tmp_path: Path) -> None:
    """A unit that the register has not is a sentence."""
    with pytest.raises(UsageError, match="there is no unit 0999"):
        output_of("1ppb", "--unit", "0999", "--journal", str(tmp_path / "journal.db"))
