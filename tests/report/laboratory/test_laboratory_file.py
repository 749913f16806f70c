"""The laboratory file: its values, the sentence for each mistake, and its draft."""

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.config_tables import parse_toml, read_tables
from benchwatch.errors import BenchwatchError, FileError, UsageError
from benchwatch.report.laboratory.laboratory import (
    FILE_NAME,
    Laboratory,
    load_laboratory,
    read_laboratory,
    usual_laboratory_file,
)
from benchwatch.report.laboratory.laboratory_draft import laboratory_draft
from benchwatch.report.laboratory.laboratory_keys import LABORATORY_FILE, NO_ACCREDITATION

FULL = """
name = "Workshop of the gauge station"
address = ["Harbour wall 3", "Northern pier"]
place = "at the station"
phone = "+00 555 0417"
email = "workshop@gauge.example"
person = "A. Keeper"
method = ["Our procedure 12."]
deviations = ["None."]
traceability = ["By the standard's papers of 2026-03-02."]
accreditation = "Accredited by nobody yet."
opinions = ["Leave it on."]
remarks = ["Keep this report with the unit.", "Thank you."]
decision_rule = "guarded"
forecasts = false
"""


def test_every_key_is_read() -> None:
    """A file with all keys gives all values, texts as they are written."""
    laboratory = read_laboratory(FULL, "lab.toml")

    assert laboratory == Laboratory(
        name="Workshop of the gauge station",
        address=("Harbour wall 3", "Northern pier"),
        place="at the station",
        phone="+00 555 0417",
        email="workshop@gauge.example",
        person="A. Keeper",
        method=("Our procedure 12.",),
        deviations=("None.",),
        traceability=("By the standard's papers of 2026-03-02.",),
        accreditation="Accredited by nobody yet.",
        opinions=("Leave it on.",),
        remarks=("Keep this report with the unit.", "Thank you."),
        decision_rule="guarded",
        forecasts=False,
    )


def test_an_empty_file_states_nothing() -> None:
    """Without a key, it is as without a file: not accredited, three answers."""
    laboratory = read_laboratory("", "lab.toml")

    assert laboratory == Laboratory()
    assert laboratory.accreditation == NO_ACCREDITATION
    assert laboratory.decision_rule == "three-answers"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('nam = "x"', r"lab\.toml: unknown key 'nam'.*did you mean"),
        ("name = 7", r"lab\.toml: name: expected one line of plain text .*found 7\. Write it like"),
        ('name = "a\\u001b[31mb"', r"expected one line of plain text"),
        ('name = "a\\u202eb"', r"expected one line of plain text"),
        ('name = "a\\nb"', r"expected one line of plain text"),
        ('address = "Pier 3"', r"expected a list of lines"),
        ('method = ["' + "x" * 601 + '"]', r"at most 600 characters"),
        ('decision_rule = "guardd"', r'did you mean "guarded"'),
        ('forecasts = "yes"', r"expected true or false"),
        ('logo = "a.png"', r"unknown key 'logo'\. Known: name, address"),
        ("name = ", r"lab\.toml is no TOML"),
    ],
)
def test_a_mistake_gets_a_sentence(text: str, sentence: str) -> None:
    """A wrong key, a wrong value or no TOML: what, where and what to do, in plain characters."""
    with pytest.raises(BenchwatchError, match=sentence) as refused:
        read_laboratory(text, "lab.toml")

    assert str(refused.value).isprintable()
    assert str(refused.value).endswith((".", ")"))


def test_the_laboratorys_own_sentences_are_its_own() -> None:
    """No word is forbidden in them, also where the program would not write it itself."""
    laboratory = read_laboratory('remarks = ["The certificate of the reference is on file."]', "x")

    assert laboratory.remarks == ("The certificate of the reference is on file.",)


def test_a_file_that_is_none(tmp_path: Path) -> None:
    """A folder, a missing file, an endless device and a file that is too large are refused."""
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 200_001)

    for path in (tmp_path, tmp_path / "absent.toml", Path("/dev/zero"), large):
        with pytest.raises(FileError, match=r"laboratory file") as refused:
            load_laboratory(path)
        assert str(refused.value).isprintable()


def test_a_file_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    """An editor may begin a file with a byte order mark."""
    path = tmp_path / FILE_NAME
    path.write_bytes('\ufeffname = "Gauge workshop"\n'.encode())

    assert load_laboratory(path).name == "Gauge workshop"


def test_the_draft_explains_every_key_and_states_nothing() -> None:
    """As written it counts for nothing; with the signs taken away, every key has its example."""
    text = laboratory_draft()

    used = re.sub(r"(?m)^# (?=[a-z_]+ = )", "", text)
    assert read_laboratory(text, "lab.toml") == Laboratory()
    assert set(tomllib.loads(used)) == set(LABORATORY_FILE.keys)
    read_tables(parse_toml(used, "the draft is no TOML"), LABORATORY_FILE, "lab.toml")
    for key in LABORATORY_FILE.keys.values():
        assert f"# {key.explanation}\n" in text


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused_with_a_sentence(text: str) -> None:
    """Nothing else than one of both happens, whatever the file holds."""
    try:
        done = read_laboratory(text, "lab.toml")
    except BenchwatchError as refused:
        done = refused

    assert isinstance(done, Laboratory) or str(done).isprintable()


def test_the_usual_place_is_the_configuration_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    """It lies beside the user's own profiles."""
    from benchwatch.driver_registry import own_profiles

    assert usual_laboratory_file() == own_profiles().parent / FILE_NAME


def test_a_wrong_value_is_a_usage_error() -> None:
    """The command's exit code is that of a mistake in what was asked."""
    with pytest.raises(UsageError):
        read_laboratory("forecasts = 3", "lab.toml")
