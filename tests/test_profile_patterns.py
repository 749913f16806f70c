"""Patterns that take for ever are found before a counter is read with them."""

import re
import time
from pathlib import Path

import pytest
from profile_kit import MINIMUM, write_profile

from benchwatch.errors import DriverError
from benchwatch_drivers.patterns import LONGEST_LINE, match, slow_line
from benchwatch_drivers.profile import Profile
from benchwatch_drivers.profile_file import read_profile
from benchwatch_drivers.shelf import bundled, load

EXAMPLE = "10000000.0231"
PROFILES = [load(path).profile for path in bundled()]


@pytest.mark.parametrize(
    "pattern",
    [
        r"(?P<number>(a+)+\d+)b",
        r"hz=(?P<number>(\d+,?)+);",
        r"(?:a|aa)+b",
        r"(.*)*x",
        r"(\d?){60}x",
        r"REF ([A-Z]+)+B",
        r"(a|b|ab)*c",
        r"\s*\s*\s*\s*\s*\s*x",
        r"(?:[+-]?\d*\.?\d*)*E",
        "a?" * 30 + "a" * 30,
        r"(?P<number>(\d+)+) Hz, as it is shown on the display of the counter",
    ],
)
def test_a_pattern_with_endless_ways_to_fit_is_found(pattern: str) -> None:
    """Repeats within repeats, choices that overlap, and too many repeats in a row."""
    slow = slow_line(re.compile(pattern, re.ASCII), [EXAMPLE])

    assert slow is not None
    assert len(slow) < LONGEST_LINE


@pytest.mark.parametrize(
    "pattern",
    [
        r"(?P<number>\d{8}\.\d{4})",
        r"(?P<number>[+-]?\d+(?:\.\d*)?(?:E[+-]\d+)?)",
        r"(?:\d{1,3} )*(?:\d{3})",
        r".*F *(?P<number>\d+\.\d+).*",
        r"\w+,\w+,\w+,\w+",
    ],
)
def test_a_sound_pattern_passes(pattern: str) -> None:
    """Repeats side by side, and groups of fixed width repeated, are quick."""
    assert slow_line(re.compile(pattern, re.ASCII), [EXAMPLE]) is None


@pytest.mark.parametrize("profile", PROFILES, ids=lambda profile: profile.name)
def test_the_patterns_that_come_along_are_sound(profile: Profile) -> None:
    """They are tried here, and not whenever the program starts."""
    lines = [example.line for example in profile.examples]

    assert [key for key, form in profile.patterns() if slow_line(form, lines)] == []


def test_such_a_profile_is_refused_with_file_key_and_what_to_do(tmp_path: Path) -> None:
    """Within seconds of computing, though its own example would take years to judge."""
    text = MINIMUM.replace(r"\d{8}\.\d{4}", r"(a+)+\d+)b(")
    path = write_profile(tmp_path, text.replace('line = "10000000.0231"', f'line = "{"a" * 45}"'))
    began_s = time.thread_time()

    with pytest.raises(DriverError, match=r"line\.pattern: takes for ever.*\(a\+\)\+") as caught:
        read_profile(path)

    assert str(path) in str(caught.value)
    assert time.thread_time() - began_s < 10


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ("[line]", "line.ignore"),
        ("[identity]\nquery = '*IDN?'", "identity.pattern"),
        ("[gate]\nquery = 'G?'", "gate.pattern"),
    ],
)
def test_every_pattern_of_a_profile_is_tried(tmp_path: Path, table: str, key: str) -> None:
    """What is asked of a counter is answered in lines too."""
    query = MINIMUM.replace('"stream"', '"query"') + '\n[reading]\ncommand = "READ?"\n'
    written = f"{table}\n{key.split('.')[1]} = '(x+)+y'\n"
    text = query.replace("[line]\n", written) if table == "[line]" else f"{query}\n{written}"

    with pytest.raises(DriverError, match=f"{key}: takes for ever"):
        read_profile(write_profile(tmp_path, text))


def test_what_is_longer_than_any_line_is_not_even_tried() -> None:
    """A counter may send anything."""
    anything = re.compile(".*")

    assert match(anything, "9" * LONGEST_LINE) is not None
    assert match(anything, "9" * (LONGEST_LINE + 1)) is None
