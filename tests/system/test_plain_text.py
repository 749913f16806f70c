"""Standard output and error never fail for a character that their encoding lacks."""

from pathlib import Path

import pytest
from forks_kit import run_each
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.system.plain_text import ERRORS, spelled

ENCODINGS = ("ascii", "cp1252", "cp437", "cp850", "latin-1", "cp932", "koi8-r")
"""Code pages of consoles and of pipes on Windows, and others."""


@given(text=st.text(), encoding=st.sampled_from([*ENCODINGS, "utf-8"]))
def test_any_text_can_be_written(text: str, encoding: str) -> None:
    """No text raises, what the encoding has stays, and the spelling is ASCII."""
    written = text.encode(encoding, ERRORS).decode(encoding)

    assert spelled(text).isascii()
    if text.encode(encoding, "ignore").decode(encoding) == text:
        assert written == text


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("+2.3 ± 0.1 ppb", "+2.3 +/- 0.1 ppb"),
        ("−4.5e−9", "-4.5e-9"),
        ("σ(τ) at τ = 10 s", "sigma(tau) at tau = 10 s"),
        ("5 µs, 5 μs", "5 us, 5 us"),
        ("10⁻⁹ and 3·10⁸", "10^-9 and 3*10^8"),
        ("×2, √2 ≤ 1.5 …", "x2, sqrt 2 <= 1.5 ..."),
        ("Zürich, café", "Zurich, cafe"),
        ("日本", "??"),
    ],
)
def test_signs_of_the_trade_are_spelled(text: str, plain: str) -> None:
    """Minus, plus-minus, sigma, tau, micro and powers stay readable."""
    assert text.encode("ascii", ERRORS) == plain.encode()


@pytest.mark.parametrize("encoding", ["cp1252", "cp437"])
def test_a_character_that_the_code_page_has_stays(encoding: str) -> None:
    """Plus-minus is in both code pages; the minus sign and superscript minus are in neither."""
    written = "±1 −2 10⁻⁹".encode(encoding, ERRORS).decode(encoding)

    assert written == "±1 -2 10^-9"


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "utf-8", "ascii"])
def test_commands_write_in_any_encoding(encoding: str, tmp_path: Path) -> None:
    """Tables, help and errors with signs come out with the usual exit code and no traceback."""
    readings = tmp_path / "µ σ − Zürich.csv"
    rows = "".join(f"{at},{10_000_000 + at % 3 / 1000}\n" for at in range(40))
    readings.write_text(f"time_s,frequency_hz\n{rows}", "utf-8")
    commands = [
        ["stability", str(readings), "--nominal", "10MHz"],
        ["budget", str(readings), "--nominal", "10MHz"],
        ["replay", str(readings), "--nominal", "10MHz"],
        ["replay", str(readings), "--nominal", "10MHz", "--json"],
        ["replay", str(tmp_path / "σ − not there.csv")],
        ["stability", "--help"],
    ]

    if encoding == "ascii":  # the library of commands writes its help and usage as UTF-8 then
        del commands[-2:]

    ended = run_each(commands, tmp_path, PYTHONIOENCODING=encoding)

    for command, done in zip(commands, ended, strict=True):
        words = (done.stdout + done.stderr).decode(encoding)
        assert done.returncode == (5 if "not there" in command[-1] else 0), words
        assert "Traceback" not in words
        assert "UnicodeEncodeError" not in words
