"""``benchwatch visits merge`` and ``visits repair``, as a person or a program runs them."""

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from register_kit import check_by_hand, made_register, rows_of

from benchwatch.commands.visits import visits
from benchwatch.errors import RegisterError, UsageError
from benchwatch.register import RegisterFile

PAGE = 4096  # bytes; https://www.sqlite.org/fileformat2.html, section 1.2


@pytest.fixture
def register(tmp_path: Path) -> RegisterFile:
    """Return a register with many visits of three units."""
    return made_register(tmp_path / "register.db", visits=6)


def run(register: RegisterFile, *words: str) -> Result:
    """Run the command on a register; an error is raised."""
    beside = ("--journal", str(register.path.parent / "journal.db"))
    return CliRunner().invoke(
        visits, [*words, *beside], catch_exceptions=False, standalone_mode=False
    )


def test_merge_says_what_was_taken_over(register: RegisterFile, tmp_path: Path) -> None:
    """In words on standard error, and as a JSON line; the second time nothing is new."""
    other = made_register(tmp_path / "other.db", units=1, visits=1, machine="another")
    first = run(register, "merge", str(other.path))
    second = run(register, "merge", str(other.path), "--json")

    assert "7 entries taken over from" in first.stderr
    assert "with 1 visit begun there; 0 entries had been there already." in first.stderr
    assert json.loads(second.stdout) == {
        "kind": "merged", "register": str(register.path), "from": str(other.path),
        "new_entries": 0, "there_already": 7, "new_visits": 0,
    }  # fmt: skip
    check_by_hand(register.path)


def test_repair_keeps_the_damaged_file_and_names_what_is_missing(
    register: RegisterFile, tmp_path: Path
) -> None:
    """Exit code 1 while entries are missing; a copy brings them back; then it is sound."""
    copied = tmp_path / "copied.db"
    shutil.copy(register.path, copied)
    content = bytearray(register.path.read_bytes())
    content[12 * PAGE : 14 * PAGE] = b"\xa5" * 2 * PAGE
    register.path.write_bytes(content)
    with pytest.raises(RegisterError, match="benchwatch visits repair sets it aside"):
        run(register, "verify")
    repaired = run(register, "repair")
    run(register, "merge", str(copied))
    again = run(register, "repair", "--json")

    assert repaired.return_value == 1
    assert repaired.stdout.startswith("entr")
    assert "missing" in repaired.stdout
    (aside,) = tmp_path.glob("register-damaged-*.db")
    assert f"the damaged register is kept as {aside}." in repaired.stderr
    assert rows_of(register.path) == rows_of(copied)
    assert json.loads(again.stdout) == {
        "kind": "repaired", "register": str(register.path), "was_sound": True,
    }  # fmt: skip
    assert again.return_value == 0


def test_what_can_not_be_done_is_a_sentence(register: RegisterFile, tmp_path: Path) -> None:
    """No such file, no register yet."""
    with pytest.raises(UsageError, match=r"there is no file .*none\.db"):
        run(register, "merge", str(tmp_path / "none.db"))
    with pytest.raises(RegisterError, match="there is no register at"):
        run(RegisterFile(tmp_path / "none" / "register.db"), "repair")
