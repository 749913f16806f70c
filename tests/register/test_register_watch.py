"""A watch in a process of its own and its register: blocked, killed, resumed, closed elsewhere."""

import re
import signal
from pathlib import Path

import pytest
from counter_kit import tiny_counter
from program_kit import Watching, run_program
from register_kit import check_by_hand, rows_of

GATE_S = 0.01
UNIT = ("--unit", "0417", "--new", "--tolerance", "5ppb")


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the path of the register beside the journal that the watches write."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))
    return tmp_path / "register.db"


def kinds(path: Path) -> list[str]:
    """Return the kinds of the register's entries, without those that make chains and units."""
    return [row["kind"] for row in rows_of(path) if row["kind"] not in {"chain", "unit"}]


def test_a_watch_goes_on_and_writes_its_visit_when_the_register_can_be_written(path):
    """A folder stands in the register's place, and is removed during the watch."""
    path.mkdir()
    journal = path.with_name("journal.db")
    with (
        tiny_counter(GATE_S) as counter,
        Watching(counter.resource, journal=journal, options=UNIT) as watch,
    ):
        watch.wait_for_narration("Entries wait in memory; the watch goes on.")
        watch.wait_for_more(20)
        path.rmdir()
        watch.wait_for_narration("the register is written again.")
        watch.wait_for_more(20)
        code = watch.end(signal.SIGINT)

    assert code == 130, watch.narration
    assert "Traceback" not in watch.narration
    assert kinds(path) == ["visit", "run"]
    check_by_hand(path)
    assert not list(path.parent.rglob("*left*"))


def test_what_a_watch_leaves_over_is_taken_over_by_the_command_that_it_names(path):
    """The register is blocked to the end; the command in the sentence works as it stands."""
    path.mkdir()
    journal = path.with_name("journal.db")
    with (
        tiny_counter(GATE_S) as counter,
        Watching(counter.resource, journal=journal, options=UNIT) as watch,
    ):
        watch.wait_for_narration("Entries wait in memory; the watch goes on.")
        watch.wait_for_more(20)
        watch.end(signal.SIGTERM)
    path.rmdir()
    command = re.search(r"benchwatch (visits merge \S+\.db) takes them over", watch.narration)
    assert command is not None, watch.narration
    merged = run_program(*command[1].split(), "--journal", str(journal))

    assert merged.returncode == 0, merged.stderr
    assert "with 1 visit begun there" in merged.stderr
    assert kinds(path) == ["visit", "run"]
    check_by_hand(path)


def test_after_a_kill_the_same_command_goes_on_with_the_visit(path):
    """Both runs are in one visit, and the chain is sound."""
    journal = path.with_name("journal.db")
    with tiny_counter(GATE_S) as counter:
        for end in (signal.SIGKILL, signal.SIGINT):
            with Watching(counter.resource, journal=journal, options=UNIT) as watch:
                watch.wait_for_lines(20)
                watch.end(end)

    check_by_hand(path)
    assert kinds(path) == ["visit", "run", "run"]
    assert len({row["visit"] for row in rows_of(path) if row["visit"]}) == 1


def test_a_visit_that_another_program_closes_is_not_gone_on_with(path):
    """Closed while it is watched; the next watch of the unit opens a further one."""
    journal = path.with_name("journal.db")
    with tiny_counter(GATE_S) as counter:
        with Watching(counter.resource, journal=journal, options=UNIT) as watch:
            watch.wait_for_lines(20)
            closed = run_program("visits", "close", "1", "--journal", str(journal))
            again = run_program("visits", "close", "1", "--journal", str(journal))
            watch.end(signal.SIGINT)
        with Watching(counter.resource, journal=journal, options=UNIT) as watch:
            watch.wait_for_lines(20)
            watch.end(signal.SIGINT)

    assert (closed.returncode, again.returncode) == (0, 2)
    assert re.search(r"visit 1 is closed already, since .* by ", again.stderr)
    assert kinds(path) == ["visit", "run", "closed", "visit", "run"]
    check_by_hand(path)
