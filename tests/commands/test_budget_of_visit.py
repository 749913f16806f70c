"""``budget --visit`` prints the budget that the visit has on record, or says why it is another."""

from pathlib import Path

import pytest
from command_kit import Command, command_in
from report_kit import LEFT, MadeVisit, ageing_visits, empty_visit, good_visit, many_readings_visit

from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.report.record_document import record_text


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Run a command in this process, with a data folder of the test's own."""
    return command_in(capsys, monkeypatch, tmp_path)


def on_record(made: MadeVisit, kind: str = "as left") -> OffsetRecord:
    """Return the newest record of a kind in a visit, as the register has it."""
    return next(one.record for one in reversed(made.visit.records) if one.record.kind == kind)


@pytest.mark.parametrize("kind", ["as found", "as left"])
def test_the_record_is_printed(command: Command, tmp_path: Path, kind: str):
    """Character by character as the document of a record has it; nothing is computed anew."""
    made = good_visit(tmp_path)
    typed = "budget", "--visit", "1", "--kind", kind, "--journal", str(made.journal)
    done = command(*typed, "--coverage", "99%")

    assert done.code == 0, done.err
    assert done.out.rstrip() == record_text(on_record(made, kind), 0.99).rstrip()
    assert f"{kind} as it is on record in visit 1" in done.err


def test_the_record_as_json(command: Command, tmp_path: Path):
    """With the same keys as a computed one, and which entry of the register it is."""
    made = good_visit(tmp_path)
    done = command("budget", "--visit", "1", "--json", "--journal", str(made.journal))
    computed = command("budget", "--visit", "1", "--json", "--last", "60s",
                       "--journal", str(made.journal))  # fmt: skip
    record, last = on_record(made), done.lines[-1]
    found = made.visit.as_left

    assert found is not None
    assert last["offset"] == record.offset
    assert last["u"] == record.u
    assert [line["name"] for line in done.lines[:-1]] == [row.name for row in record.budget.lines]
    assert last["on_record"] == {
        "visit": "1", "entry": found.entry, "automatic": False, "amended": "",
    }  # fmt: skip
    assert set(last) - {"on_record"} <= set(computed.lines[-1])


def test_the_journal_is_not_needed(command: Command, tmp_path: Path):
    """The register alone has the record."""
    made = good_visit(tmp_path)
    made.journal.unlink()
    done = command("budget", "--visit", "1", "--journal", str(made.journal))

    assert done.code == 0, done.err
    assert "as left" in done.out


def test_an_amended_record(command: Command, tmp_path: Path):
    """Is printed as amended, with the reason."""
    made = good_visit(tmp_path)
    found = made.visit.as_left
    assert found is not None
    amended = command("visits", "amend", "1", found.entry.rpartition("/")[2], "--offset", "0.2ppb",
                      "--reason", "lead was loose", "--journal", str(made.journal))  # fmt: skip
    done = command("budget", "--visit", "1", "--json", "--journal", str(made.journal))

    assert amended.code == 0, amended.err
    assert done.lines[-1]["offset"] == pytest.approx(2e-10)
    assert "amended: lead was loose" in done.err


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("--last", "60s"), "--last"),
        (("--reference-u", "1e-11", "--resolution", "0.0001"), "--resolution and --reference-u"),
        (("--since", "nudge"), "--since"),
        (("--counter", "main"), "--counter"),
    ],
)
def test_another_computation_that_is_asked_for(
    command: Command, tmp_path: Path, words: tuple[str, ...], named: str
):
    """Is made, and the sentence says because of which options."""
    made = good_visit(tmp_path)
    done = command("budget", "--visit", "1", "--json", *words, "--journal", str(made.journal))

    assert done.code == 0, done.err
    assert f"computed from the readings, because of {named};" in done.err
    assert "on_record" not in done.lines[-1]
    assert done.lines[-1]["offset"] == pytest.approx(LEFT, abs=2e-10)  # no reference is stated


def test_a_file_that_is_typed_is_read(command: Command, tmp_path: Path):
    """It says where the readings are, so that they are meant."""
    made = good_visit(tmp_path / "home" / "benchwatch")
    done = command("budget", str(made.journal), "--visit", "1", "--json")

    assert done.code == 0, done.err
    assert "because of FILE;" in done.err
    assert "on_record" not in done.lines[-1]


def test_without_such_a_record_it_is_computed(command: Command, tmp_path: Path):
    """As found of a visit that has none."""
    made = many_readings_visit(tmp_path, 500)
    done = command("budget", "--visit", "1", "--kind", "as found", "--journal", str(made.journal))

    assert done.code == 0, done.err
    assert "visit 1 has no record as found: computed from its readings" in done.err
    assert "as found" in done.out


def test_a_visit_with_nothing(command: Command, tmp_path: Path):
    """There is neither record nor reading, and that is said."""
    made = empty_visit(tmp_path)
    done = command("budget", "--visit", "1", "--journal", str(made.journal))

    assert done.code == 2
    assert "visit 1 has no record as left" in done.err
    assert "no run of visit 1 with readings" in done.err


@pytest.mark.parametrize("words", [("--visit", "sim/1"), ("--visit", "1", "--sim"),
                                   ("--visit", "sim/1", "--sim")], ids=" ".join)  # fmt: skip
def test_a_visit_of_a_simulated_bench(command: Command, tmp_path: Path, words: tuple[str, ...]):
    """It is in a register of its own, which both ways of typing name."""
    made = good_visit(tmp_path, simulated="tide gauge")
    done = command("budget", *words, "--journal", str(made.journal))

    assert done.code == 0, done.err
    assert done.out.rstrip() == record_text(on_record(made)).rstrip()
    assert "visit sim/1" in done.err


@pytest.mark.parametrize("name", ["budget", "stability", "replay", "compare"])
def test_sim_needs_a_visit(command: Command, name: str):
    """Alone it says nothing."""
    done = command(name, "--sim")

    assert done.code == 2
    assert "--sim says which visits are meant: give one with --visit N." in done.err


def test_the_newest_record_of_several_visits(command: Command, tmp_path: Path):
    """Each visit has its own."""
    made = ageing_visits(tmp_path, years=3)
    first = command("budget", "--visit", "1", "--json", "--kind", "as found",
                    "--journal", str(made.journal))  # fmt: skip
    last = command("budget", "--visit", "3", "--json", "--kind", "as found",
                   "--journal", str(made.journal))  # fmt: skip

    assert first.lines[-1]["offset"] == pytest.approx(3e-9, abs=1e-10)
    assert last.lines[-1]["offset"] == on_record(made, "as found").offset
