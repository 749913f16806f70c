"""Profiles in TOML: accepted ones, and for others a sentence with file, key and expectation."""

from pathlib import Path

import pytest
from profile_kit import MINIMUM, write_profile

from benchwatch.errors import DriverError
from benchwatch_drivers.bundled_profiles import bundled, load
from benchwatch_drivers.profile.profile_file import LARGEST_FILE_BYTES, read_profile
from benchwatch_drivers.profile.profile_keys import PROFILE

QUERY = MINIMUM.replace('"stream"', '"query"') + '\n[reading]\ncommand = "READ?"\n'


def complaint(folder: Path, text: str) -> str:
    """Return the sentence for a profile that can't be used."""
    path = write_profile(folder, text)
    with pytest.raises(DriverError) as caught:
        read_profile(path)
    said = str(caught.value)
    assert said.isprintable()
    assert str(path) in said
    return said


def test_a_dozen_lines_describe_a_counter(tmp_path: Path) -> None:
    """The least that a profile needs; it is named after its file."""
    profile = read_profile(write_profile(tmp_path, name="my-counter"))

    assert (profile.name, profile.family) == ("my-counter", "counter of a made-up kind")
    assert len([line for line in MINIMUM.splitlines() if line]) <= 8


@pytest.mark.parametrize("path", bundled(), ids=lambda path: path.stem)
def test_bundled_profiles_are_valid_and_begin_with_an_explanation(path: Path) -> None:
    """Each passes the checks of a user's own profile."""
    driver = load(path)

    assert driver.family.isprintable()
    assert path.read_text().startswith("# ")


@pytest.mark.parametrize(
    ("written", "instead", "parts"),
    [
        ("pattern =", "patern =", ("line: unknown key 'patern'", "did you mean 'pattern'")),
        ("family =", "famly =", ("famly", "did you mean 'family'")),
        ('mode = "stream"', 'mode = "streem"', ("mode", '"addressed", "stream"', "streem")),
        ('family = "counter of a made-up kind"', "", ("family", "missing")),
        ("[line]", "[lines]", ("lines", "did you mean 'line'")),
        ("[line]", "command = 'X'\n[line]", ("'command'", "belongs in [reading]")),
        (r"(?P<number>\d{8}\.\d{4})", r"\d{8}\.\d{4}", ("line.pattern", "(?P<number>")),
        (r"(?P<number>\d{8}\.\d{4})", r"(?P<number>\d{8}", ("line.pattern", "regular expression")),
        (r"(?P<number>\d{8}\.\d{4})", r"(?P<value>\d+)(?P<number>\d)",
         ("line.pattern", "'value' is not known", "number, unit, header")),
        ("[line]", '[line]\nunit = "furlong"', ("line.unit", "Hz, kHz, MHz or GHz", "furlong")),
        ("[line]", '[line]\nscale = "-1"', ("line.scale", "above zero")),
        ("[line]", "[line]\nscale = true", ("line.scale", "above zero")),
        ("[line]", '[line]\nterminator = "X"', ("line.terminator", "one of")),
        ("[line]", '[line]\nresolution = "good"', ("line.resolution", "0.01 Hz", "good")),
        ("[line]", '[line]\nheaders = {F = "frequency"}', ("line.headers", "header")),
        ("[line]", "[line]\nignore = 5", ("line.ignore", "regular expression")),
        ("[line]", '[reading]\ncommand = "READ?"\n[line]', ("reading", "nothing can be sent")),
        ("[line]", '[gate]\nfixed = "1 s"\nquery = "G?"\n[line]', ("gate", "only fixed")),
        ("[line]", '[gate]\nfixed = "1 m"\n[line]', ("gate.fixed", "minutes or milliseconds")),
        ("[line]", "[gate]\nfixed = 1\n[line]", ("gate.fixed", '"1 s"')),
        ("[line]", '[interval]\nperiod = "1 s"\n[line]', ("interval", "belongs to measures")),
        ("[line]", "[timeout]\ngates = 0.5\n[line]", ("timeout.gates", "from 1")),
        ('line = "10000000.0231"', 'line = "10000000.023"', ("examples 1", "own example")),
        ('value = "10000000.0231 Hz"', 'value = "10000000.0232 Hz"', ("examples 1", "says")),
        ('value = "10000000.0231 Hz"', "", ("examples", "at least one line with its value")),
        ("[[examples]]", "[[examples]]\nline = '10000001.0000'\n[[examples]]",
         ("examples 1", "say so with value")),
        ('value = "10000000.0231 Hz"', 'value = "1 V"', ("examples 1.value", "no number of Hz")),
        ("[[examples]]", "[examples]", ("examples", "[[examples]]")),
        ("mode", "mode =", ("TOML",)),
    ],
)  # fmt: skip
def test_a_fault_is_named_with_file_key_and_expectation(
    tmp_path: Path, written: str, instead: str, parts: tuple[str, ...]
) -> None:
    """One mistake at a time; the sentence has place, value and expectation."""
    assert written in MINIMUM

    said = complaint(tmp_path, MINIMUM.replace(written, instead, 1))

    for part in parts:
        assert part in said


@pytest.mark.parametrize(
    ("more", "parts"),
    [
        ('[gate]\ncommand = "GATE"', ("gate.command", "{gate}")),
        ('[gate]\nanswers = {"2" = "1 s"}', ("gate.answers", "needs gate.query")),
        ('[gate]\nchoices = {fast = "G0"}', ("gate.choices", "duration")),
        ('[gate]\nchoices = {"1 s" = "G\\n2"}', ("gate.choices", "without a line end")),
        ('[gate]\ncommand = "G {gate}"\nchoices = {"1 s" = "G2"}', ("gate.choices", "exclude")),
        ('[reference]\nquery = "REF?"', ("reference:", '"internal" is missing')),
        ("[identity]\nquery = 7", ("identity.query", "plain ASCII")),
        ('[errors]\nquery = "E?"\nnone = "0"', ("errors", "never asked")),
        ('[channels]\n0 = "A"', ("channels", "number of an input")),
    ],
)  # fmt: skip
def test_a_fault_in_commands_is_named(tmp_path: Path, more: str, parts: tuple[str, ...]) -> None:
    """Commands, gates, references."""
    said = complaint(tmp_path, f"{QUERY}\n{more}\n")

    for part in parts:
        assert part in said


STRANGE: list[str] = [
    "0", "-1", "1e400", "nan", "inf", "true", "[]", "[1]", "{}", "{a = 1}", '""', '" "', "'('",
    "'a{99999999999}'", "'\\u001b'", '"\\u001b[31m"', '"1 s"', '"sNaN"', "2031-05-04", '"é"',
]  # fmt: skip


@pytest.mark.parametrize("table", ["", *[name for name in PROFILE.tables if name != "examples"]])
def test_any_value_of_any_key_is_read_or_refused_in_a_sentence(tmp_path: Path, table: str) -> None:
    """Every key with every strange value."""
    keys = PROFILE.tables[table].keys if table else PROFILE.entries
    path, surprises = tmp_path / "mine.toml", []
    for key in keys:
        rest = "\n".join(line for line in MINIMUM.splitlines() if not line.startswith(f"{key} ="))
        for value in STRANGE:
            written = f"{key} = {value}"
            if not table:
                path.write_text(f"{written}\n{rest}")
            elif table == "line":
                path.write_text(rest.replace("[line]", f"[line]\n{written}"))
            else:
                path.write_text(f"{rest}\n[{table}]\n{written}\n")
            try:
                read_profile(path)
            except DriverError as error:
                if not str(error).isprintable():
                    surprises.append((written, "not printable"))
            except Exception as error:  # noqa: BLE001 - that is what must not happen
                surprises.append((written, repr(error)))

    assert surprises == []


@pytest.mark.parametrize(
    ("written", "parts"),
    [
        ('mode = "quary"', ("mode", 'did you mean "query"', '"query", "addressed", "stream"')),
        ("[line]\npatern = 'x'", ("line: unknown key 'patern'", "did you mean 'pattern'")),
        ('famly = "x"', ("famly", "did you mean 'family'")),
        ("[line]\npattern = '('", ("line.pattern", "regular expression")),
        ("[gate]\nfixed = 1", ("gate.fixed", '"1 s"')),
        ("[[examples]]\nlin = 'x'", ("examples 1: unknown key 'lin'", "did you mean 'line'")),
    ],
)
def test_misspelt_keys_are_reported_before_missing_ones(
    tmp_path: Path, written: str, parts: tuple[str, ...]
) -> None:
    """A misspelt key is often the missing one."""
    said = complaint(tmp_path, written)

    for part in parts:
        assert part in said
    assert "is missing and needed" not in said


@pytest.mark.parametrize(
    ("written", "parts"),
    [
        ("", ("family", 'write family = "')),
        ('family = "x"', ("mode", 'write mode = "query"')),
        ('family = "x"\nmode = "query"', ("line", "write [line]", "(?P<number>")),
        ('family = "x"\nmode = "query"\n[line]\nunit = "Hz"', ("examples", "[[examples]]")),
        ('family = "x"\nmode = "query"\n[line]\n[[examples]]', ("line:", "write pattern =")),
        (MINIMUM.replace("[line]", "[identity]\n[line]"), ("identity:", '"query"', '"*IDN?"')),
        (MINIMUM.replace("line =", "#"), ("examples 1:", "write line =")),
        (MINIMUM.replace('"stream"', '"query"'), ("reading.command", "[reading]", '"READ?"')),
    ],
)
def test_a_missing_key_is_reported_with_an_example(
    tmp_path: Path, written: str, parts: tuple[str, ...]
) -> None:
    """One after the other, until it is a profile."""
    said = complaint(tmp_path, written)

    assert "is missing and needed" in said
    for part in parts:
        assert part in said


def test_mode_query_needs_the_query_of_a_reading(tmp_path: Path) -> None:
    """Without it nothing can be read."""
    said = complaint(tmp_path, MINIMUM.replace('"stream"', '"query"'))

    assert "reading.command" in said


def test_a_pattern_that_accepts_pieces_is_refused_with_the_piece(tmp_path: Path) -> None:
    """A number with any number of digits: a line without its end would be a reading."""
    said = complaint(tmp_path, MINIMUM.replace(r"\d{8}\.\d{4}", r"\d+\.?\d*"))

    assert "line.pattern" in said
    assert "'10000000'" in said
    assert 'cuts = "terminator"' in said


def test_a_profile_may_rely_on_the_terminator_if_it_states_that(tmp_path: Path) -> None:
    """Where the number of digits varies, only the terminator shows a whole number."""
    loose = MINIMUM.replace(r"\d{8}\.\d{4}", r"\d+\.?\d*")
    path = write_profile(tmp_path, loose.replace("[line]", '[line]\ncuts = "terminator"'))

    assert read_profile(path).line.by_terminator


@pytest.mark.parametrize(
    "data",
    [b"\xff\xfe\x00", b"a" * (LARGEST_FILE_BYTES + 1), b"[" * 5000, b"", b"x = \x1b[31m"],
    ids=["no text", "huge", "deep", "empty", "escape"],
)
def test_a_file_that_is_no_profile_is_refused(tmp_path: Path, data: bytes) -> None:
    """With a sentence, for any content."""
    path = tmp_path / "mine.toml"
    path.write_bytes(data)

    with pytest.raises(DriverError) as caught:
        read_profile(path)

    assert str(caught.value).isprintable()


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    """With its path, and the reason."""
    with pytest.raises(DriverError, match=r"none\.toml.*no such file"):
        read_profile(tmp_path / "none.toml")
