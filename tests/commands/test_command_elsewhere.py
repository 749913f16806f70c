"""``benchwatch elsewhere``: an offset carried to other frequencies."""

import json

import pytest
from click.testing import CliRunner

from benchwatch.commands.elsewhere import elsewhere
from benchwatch.errors import QuantityError


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

    assert [line["frequency_hz"] for line in lines] == [1e7, 1e8, 5e6]
    assert [line["offset_hz"] for line in lines] == pytest.approx([-0.024, -0.24, -0.012])
    assert {line["offset"] for line in lines} == {-2.4e-9}
    assert lines[1]["phase_noise_db"] == pytest.approx(20.0)
    assert lines[0]["u"] is None


def test_table_for_people() -> None:
    """Hertz and the fraction side by side, the beat and the clock in words."""
    text = output_of("1ppm", "--nominal", "10MHz", "--at", "100MHz", "--u", "1ppb")

    assert "+1000.0 ± 1.0 ppb" in text
    assert "+100.00 ± 0.10 Hz" in text
    assert "+20.00 dB" in text
    assert "gains 0.086400 ± 0.000086 s a day" in text


def test_no_offset() -> None:
    """Without an offset there is no beat: a word for people, null for programs."""
    assert "never" in output_of("0", "--nominal", "10MHz")
    assert json.loads(output_of("0", "--nominal", "10MHz", "--json"))["beat_period_s"] is None


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


def test_nominal_is_needed() -> None:
    """Without a nominal there is a sentence."""
    assert CliRunner().invoke(elsewhere, ["1ppb"]).exit_code == 2
