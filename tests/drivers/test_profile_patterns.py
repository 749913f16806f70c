"""No pattern of a profile delays the program: each line is matched in a bounded time."""

import contextlib
import signal
import socket
import subprocess
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from profile_kit import MINIMUM, write_profile
from program_kit import COMMAND

from benchwatch.errors import DriverError
from benchwatch_drivers.bundled_profiles import bundled, load
from benchwatch_drivers.profile.patterns import MOST_CHARACTERS, Pattern, PatternFault
from benchwatch_drivers.profile.profile_file import read_profile

FREEZING = [
    r"F=(?P<number>\d{8}\.\d{4})(?: ?[A-Za-z]+)*;",
    r"(?P<number>(a+)+\d+)b",
    r"hz=(?P<number>(\d+,?)+);",
    r"(?:a|aa)+b",
    r"(.*)*x",
    r"(\d?){60}x",
    r"(?:\d?){30}\d{30}x",
    r"REF ([A-Z]+)+B",
    r"(a|b|ab)*c",
    r"\s*\s*\s*\s*\s*\s*x",
    r"(?:[+-]?\d*\.?\d*)*E",
    "a?" * 60 + "a" * 60,
    r"(?P<number>(\d+)+) Hz, as it is shown on the display of the counter",
    r"(?:(?:\w*\s*){20}){20}z",
    "((" * 100 + "a*" + ")*)*" * 100 + "b",
]
"""Python's own matcher needs more than a lifetime for most of these on one line."""
LINES = [
    "F=10000000.0231" + " a" * 92,
    "F=10000000.0231 " + "a" * 180,
    "a" * MOST_CHARACTERS,
    "1" * MOST_CHARACTERS,
    "hz=" + "1" * 190,
    "REF " + "A" * 190,
    "ab" * 100,
    " " * MOST_CHARACTERS,
]
SLOW_S = 0.5
"""Most processor seconds for one line and pattern; some hundredths are measured."""


@pytest.mark.parametrize("source", FREEZING, ids=lambda source: source[:24])
def test_no_line_takes_long_with_any_pattern(source: str) -> None:
    """Repeats within repeats, choices that overlap, many repeats in a row."""
    pattern = Pattern(source)
    began_s = time.thread_time()
    for line in LINES:
        pattern.match(line)

    assert time.thread_time() - began_s < SLOW_S * len(LINES)


@given(
    st.text(alphabet="ab1?*+|(){}[].,\\ds ", max_size=24),
    st.text(alphabet="ab1. ", max_size=12),
)
def test_any_made_pattern_is_refused_or_judges_like_pythons(source: str, line: str) -> None:
    r"""The reference is Python's `re` with ASCII classes, on lines so short that it ends.

    Left out is where the two differ by definition: an escape of Python only, `{,n}`, and `[` in a
    class, which begins a named class in RE2.
    """
    import re
    import warnings

    try:
        pattern = Pattern(source)
    except PatternFault:
        return
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FutureWarning)
        try:
            expected = re.compile(source, re.ASCII)
        except re.error:
            return

    assert (pattern.match(line) is not None) == (expected.fullmatch(line) is not None)


@pytest.mark.parametrize("path", bundled(), ids=lambda path: path.stem)
def test_patterns_of_bundled_profiles_are_small(path: Path) -> None:
    """A few hundred steps at most, a tenth of the limit."""
    form = load(path).profile.line

    assert form.pattern.size < 400


def test_groups_that_take_no_part_are_empty() -> None:
    """The names of groups are known before any line is matched."""
    pattern = Pattern(r"(?P<number>\d+)(?: (?P<unit>Hz))?")

    assert pattern.groups == {"number", "unit"}
    assert pattern.match("12") == {"number": "12", "unit": ""}
    assert pattern.match("12 Hz") == {"number": "12", "unit": "Hz"}
    assert pattern.match("12 ") is None


def test_overlong_lines_are_not_matched() -> None:
    """A counter may send anything."""
    anything = Pattern(".*")

    assert anything.match("9" * MOST_CHARACTERS) is not None
    assert anything.match("9" * (MOST_CHARACTERS + 1)) is None


@pytest.mark.parametrize(
    ("source", "why"),
    [
        (r"(?=F)(?P<number>\d+)", r"invalid perl operator: \(\?="),
        (r"(?P<number>\d+)(?<!0)", r"invalid perl operator: \(\?<"),
        (r"(\d)(?P<number>\1+)", r"invalid escape sequence: \\1"),
        (r"(?P<number>\d++)", "bad repetition operator"),
        (r"(?P<number>\d{,8})", "begins with a number"),
        (r"(?P<number>\d+)(?P<number>\d+)", "same name"),
        (r"(?P<number>(?:\\d{1,1000}){1,1000})", "repetition"),
        (r"(?P<number>\pL{900})", "too large"),
        (r"(?P<number>\d+", "missing"),
    ],
)
def test_a_pattern_that_re2_lacks_is_refused_with_file_and_key(
    tmp_path: Path, source: str, why: str
) -> None:
    """Look-around, back-references, and patterns that are too large."""
    path = write_profile(tmp_path, MINIMUM.replace(r"(?P<number>\d{8}\.\d{4})", source))

    with pytest.raises(DriverError, match=rf"line\.pattern: .*{why}") as caught:
        read_profile(path)

    assert str(path) in str(caught.value)


def test_examples_that_take_too_long_to_try_are_refused(tmp_path: Path) -> None:
    """All pieces of each are tried, which takes the square of their length."""
    many = "".join(f'[[examples]]\nline = "{"9" * 190}"\n' for _ in range(200))
    path = write_profile(tmp_path, MINIMUM.replace("(?P<number>", "(?:a?){300}(?P<number>") + many)
    began_s = time.thread_time()

    with pytest.raises(DriverError, match="examples: are too many or too long"):
        read_profile(path)

    assert time.thread_time() - began_s < 2


def test_a_line_of_letters_neither_freezes_the_watch_nor_its_end(tmp_path: Path) -> None:
    """From outside: a talk-only counter on a socket that sends one such line, then readings."""
    text = MINIMUM.replace(r"(?P<number>\d{8}\.\d{4})", FREEZING[0])
    path = write_profile(tmp_path, text.replace("10000000.0231", "F=10000000.0231;", 1))
    stop = threading.Event()

    def talk() -> None:
        client, _ = listener.accept()
        with client, contextlib.suppress(OSError):  # the program closes the connection at its end
            client.sendall(b"F=10000000.0000;\nF=10000000.0001;\n")
            client.sendall(b"F=10000000.0231 " + b"a" * 170 + b"\n")
            number = 2
            while not stop.wait(0.05):
                client.sendall(b"F=10000000.%04d;\n" % number)
                number += 1

    with socket.create_server(("127.0.0.1", 0)) as listener:
        threading.Thread(target=talk, daemon=True).start()
        resource = f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
        with subprocess.Popen(
            [*COMMAND, "watch", resource, "--driver", str(path),
             "--json", "--no-journal"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        ) as process:  # fmt: skip
            assert process.stdout is not None
            try:
                seen = [process.stdout.readline() for _ in range(5)]
                process.send_signal(signal.SIGTERM)
                process.communicate(timeout=100)
            finally:
                stop.set()
                process.kill()

    assert sum('"kind":"reading"' in line for line in seen) >= 3
    assert process.returncode != -signal.SIGKILL
