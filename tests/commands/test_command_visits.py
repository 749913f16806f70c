"""``benchwatch visits``: list, show, close, amend, import, verify."""

import json
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from register_kit import behind_the_triggers, made_register, read_all, visit_drafts

from benchwatch.commands.common import fitted_table
from benchwatch.commands.visits import visits
from benchwatch.errors import FileError, UsageError
from benchwatch.register import RegisterFile, Unit, read_register
from benchwatch.register.register_entry import Draft

MADE_AT = datetime.fromtimestamp(1.9e9, UTC)


@pytest.fixture
def register(tmp_path: Path) -> RegisterFile:
    """Return a register with two closed visits each of 0417, 0418 and 0419."""
    made = made_register(tmp_path / "register.db")
    for ident in ("0417", "0418", "0419"):
        made.add([Unit(ident=ident, tolerance=5e-9).draft()])
    return made


def run(register: RegisterFile, *words: str) -> Result:
    """Run the command on a register; an error is raised."""
    beside = ("--journal", str(register.path.parent / "journal.db"))
    named = words[:1] in [(name,) for name in visits.commands]
    typed = [*words[:1], *beside, *words[1:]] if named else [*beside, *words]
    return CliRunner().invoke(visits, typed, catch_exceptions=False, standalone_mode=False)


def lines(result: Result) -> list[dict[str, Any]]:
    """Return the JSON lines that were printed."""
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_list_newest_last(register: RegisterFile) -> None:
    """Every visit has a line, with its unit and both offsets with u."""
    rows = run(register).stdout.splitlines()

    assert len(rows) == 7
    assert rows[0].split()[:2] == ["visit", "unit"]
    assert rows[-1].split()[:2] == ["6", "0419"]
    assert "+36.970 ± 0.014 ppb" in rows[1]
    assert "+0.120 ± 0.014 ppb" in rows[1]


def test_a_narrow_terminal(register: RegisterFile, monkeypatch: pytest.MonkeyPatch) -> None:
    """On 80 columns the counter is left out, and no line is wider."""
    monkeypatch.setattr(fitted_table, "terminal_columns", lambda: 80)

    rows = run(register).stdout.splitlines()

    assert rows[0].split()[-2:] == ["as", "left"]
    assert max(map(len, rows)) <= 80


@pytest.mark.parametrize(
    ("words", "numbers"),
    [
        (("--unit", "0418"), [2, 5]),
        (("--text", "LID"), [1, 2, 3, 4, 5, 6]),
        (("--text", "nothing so"), []),
        (("--open",), []),
        (("--last", "2"), [5, 6]),
        (("--since", (MADE_AT).isoformat()), [1, 2, 3, 4, 5, 6]),
        (("--until", (MADE_AT).isoformat()), [1]),
        (("--until", "2030-01-01"), []),
        (("--since", "2040-01-01"), []),
    ],
)
def test_filters(register: RegisterFile, words: tuple[str, ...], numbers: list[int]) -> None:
    """Visits are chosen by unit, text, date, state and number."""
    result = run(register, *words, "--json")

    assert [line["number"] for line in lines(result)] == numbers
    assert ("no visit in" in result.stderr) == (not numbers)


def test_the_newest_where_nothing_else_is_typed(register: RegisterFile) -> None:
    """The newest 50 are listed; --all lists all, and a filter lists all that it finds."""
    for number in range(50):
        register.add(visit_drafts("0417", 1.91e9 + number)[:1])

    plain, everything = run(register, "--json"), run(register, "--json", "--all")
    of_unit = run(register, "--json", "--unit", "0417")

    assert [len(lines(one)) for one in (plain, everything, of_unit)] == [50, 56, 52]
    assert lines(plain)[-1]["number"] == 56
    assert "--all lists all" in plain.stderr


def test_a_date_means_its_whole_day(register: RegisterFile) -> None:
    """--since and --until of the local day on which all visits were opened hold them all."""
    day = MADE_AT.astimezone().date().isoformat()

    assert len(lines(run(register, "--since", day, "--until", day, "--json"))) == 6


def test_show(register: RegisterFile) -> None:
    """All of a visit: both records with u, U and k, the note, its run, its history."""
    text = run(register, "show", "4").stdout

    assert text.startswith("visit 4 of 0417\n")
    assert "as found  +36.970 ± 0.014 ppb" in text
    assert "U (about 95 %)" in text
    assert "kept automatically before the first turn" in text
    assert "the lid was loose" in text
    assert "changes from as left of one visit" in text
    assert "+36.850 ± 0.020 ppb" in text


def test_show_the_newest_comparison(register: RegisterFile) -> None:
    """All that it says, below the remarks; for programs its numbers."""
    visit = register_visit(register)
    for text, document in (
        ("chain not proven: older", {"comparison": {"sentences": ["older"]}}),
        ("chain proven: spare", {"comparison": {"agree": False, "sentences": ["spare is off."]}}),
    ):
        draft = Draft(
            kind="comparison", unit="0417", visit=visit, document={"text": text} | document
        )
        register.add([draft])
    text, line = run(register, "show", "4").stdout, lines(run(register, "show", "4", "--json"))[0]

    assert "measuring chain, " in text
    assert "spare is off." in text
    assert "\nolder" not in text
    assert line["remarks"][-1]["comparison"]["agree"] is False


def test_a_comparison_changed_by_hand_is_no_traceback(register: RegisterFile) -> None:
    """Numbers and sentences of another form are left out."""
    for document in ({"text": 3, "comparison": [1]}, {"comparison": {"sentences": "x"}}):
        register.add(
            [
                Draft(
                    kind="comparison",
                    unit="0417",
                    visit=register_visit(register),
                    document=document,
                )
            ]
        )

    assert run(register, "show", "4").exit_code == 0
    assert run(register, "show", "4", "--json").exit_code == 0


def register_visit(register: RegisterFile) -> str:
    """Return the name of visit 4."""
    with read_register(register.path) as reader:
        return reader.typed_visit("4").name


def test_show_json(register: RegisterFile) -> None:
    """The same for programs: the visit, its unit and the intervals, as JSON lines."""
    visit, unit, interval = lines(run(register, "show", "4", "--json"))

    assert (visit["kind"], visit["number"], visit["unit"]) == ("visit", 4, "0417")
    assert visit["records"][0]["offset"] == pytest.approx(36.97e-9)
    assert visit["records"][0]["expanded"]["k"] > 1.9
    assert visit["remarks"][0]["text"] == "the lid was loose"
    assert visit["runs"][0]["key"] == 100
    assert visit["closed"] is not None
    assert (unit["kind"], unit["ident"], unit["visits"]) == ("unit", "0417", 2)
    assert interval["change"] == pytest.approx(36.85e-9)


@pytest.mark.parametrize(
    "words", [("show", "99"), ("close", "x\x1b[31m"), ("show", "9" * 5000), ("show", "9" * 40)]
)
def test_no_such_visit(register: RegisterFile, words: tuple[str, ...]) -> None:
    """A number that no visit has gives a sentence, without control characters."""
    with pytest.raises(UsageError, match="there is no visit") as caught:
        run(register, *words)

    assert str(caught.value).isprintable()


def test_close_once(register: RegisterFile) -> None:
    """An open visit is closed, once; what is missing is said."""
    register.add(visit_drafts("0417", 1.95e9)[:3])

    done = run(register, "close", "7")

    assert "visit 7 of 0417 is closed; it has no record as left" in done.stderr
    assert lines(run(register, "--open", "--json")) == []
    with pytest.raises(UsageError, match="closed already"):
        run(register, "close", "7")


def entry_of(register: RegisterFile, visit: int, kind: str) -> str:
    """Return the number of the first entry of a kind in a visit."""
    found = (one for one in read_all(register) if (one.visit or "").endswith(f"/{visit}"))
    return str(next(one.number for one in found if one.kind == kind))


def test_amend_a_note(register: RegisterFile) -> None:
    """The new text stands with its reason; the old entry is still there."""
    entry = entry_of(register, 1, "note")

    done = run(register, "amend", "1", entry, "--text", "the lid was tight", "--reason", "a slip")

    assert f"entry {entry} of visit 1 is amended by entry" in done.stderr
    shown = run(register, "show", "1").stdout
    assert "the lid was tight (amended: a slip)" in shown
    assert shown.count("the lid was loose") == 1
    assert f"amended: note the lid was loose (entry {entry}) to note the lid was tight" in shown
    assert any("the lid was loose" in one.document for one in read_all(register))


def test_amend_a_record(register: RegisterFile) -> None:
    """A record gets another offset and u as typed; kind, time and readings stay."""
    entry = entry_of(register, 1, "record")
    what = ("--offset", "30ppb", "--u", "0.5ppb")

    run(register, "amend", "1", entry, *what, "--reason", "read off the wrong counter")

    record = lines(run(register, "show", "1", "--json"))[0]["records"][0]
    assert record["offset"] == pytest.approx(30e-9)
    assert record["u"] == pytest.approx(0.5e-9)
    assert record["record"]["kind"] == "as found"
    assert record["record"]["readings"] == 14
    assert record["amended"] == "read off the wrong counter"


def test_an_amended_offset_keeps_its_uncertainty(register: RegisterFile) -> None:
    """A slip of the pen is put right without --u: u and U are those of before, and it is said."""
    entry = entry_of(register, 1, "record")
    before = lines(run(register, "show", "1", "--json"))[0]["records"][0]

    done = run(register, "amend", "1", entry, "--offset", "37.2ppb", "--reason", "a slip")

    record = lines(run(register, "show", "1", "--json"))[0]["records"][0]
    assert record["offset"] == pytest.approx(37.2e-9)
    assert record["u"] == pytest.approx(before["u"]) != 0
    assert record["expanded"] == pytest.approx(before["expanded"])
    assert "keeps its own standard uncertainty, 0.014 ppb" in done.stderr


def test_what_was_amended_is_shown(register: RegisterFile) -> None:
    """Entry, the value before, the value now and the reason, of a change and a withdrawal."""
    entry = entry_of(register, 1, "record")
    run(register, "amend", "1", entry, "--offset", "37.2ppb", "--reason", "a slip")
    run(register, "amend", "1", entry, "--withdraw", "--reason", "the wrong unit")

    shown = run(register, "show", "1")
    values = lines(run(register, "show", "1", "--json"))[0]["amendments"]

    old, new = "as found +36.970 ± 0.014 ppb", "as found +37.200 ± 0.014 ppb"
    assert f"amended: {old} (entry {entry}) to {new}: a slip" in shown.stdout
    assert f"withdrawn: {new} (entry {entry}): the wrong unit" in shown.stdout
    assert [one["before"] for one in values] == [old, new]
    assert [one["withdrawn"] for one in values] == [False, True]


def test_withdraw_a_record(register: RegisterFile) -> None:
    """A record that was withdrawn no longer counts."""
    run(register, "amend", "1", entry_of(register, 1, "record"), "--withdraw", "--reason", "slip")

    assert lines(run(register, "--json"))[0]["as_found"] is None


def test_amend_the_unit(register: RegisterFile) -> None:
    """A visit under the wrong name is put right without naming an entry."""
    run(register, "amend", "1", "--unit", "0418", "--reason", "wrong label")

    assert [one["number"] for one in lines(run(register, "--unit", "0418", "--json"))] == [1, 2, 5]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--reason", "x"), "say what to amend"),
        (("5", "--reason", "x", "--withdraw", "--text", "y"), "say what to amend"),
        (("--text", "y", "--reason", "x"), "which entry"),
        (("2", "--text", "y", "--reason", "x"), "is a visit, which has no text"),
        (("99999", "--text", "y", "--reason", "x"), "there is no entry"),
        (("9" * 5000, "--text", "y", "--reason", "x"), "there is no entry"),
        (("9" * 40, "--text", "y", "--reason", "x"), "there is no entry"),
        (("2", "--offset", "1ppb", "--reason", "x"), "is no record"),
        (("--unit", "0999", "--reason", "x"), "there is no unit 0999"),
        (("5", "--text", "y", "--u", "1ppb", "--reason", "x"), "--u is that of --offset"),
        (("5", "--text", "y", "--reason", "  "), "needs its reason"),
    ],
)
def test_amendments_that_are_refused(
    register: RegisterFile, words: tuple[str, ...], sentence: str
) -> None:
    """Each is a sentence, and nothing is written."""
    before = len(read_all(register))

    with pytest.raises(UsageError, match=sentence):
        run(register, "amend", "1", *words)

    assert len(read_all(register)) == before


def test_amending_an_amendment(register: RegisterFile) -> None:
    """It names the entry that can be amended once more."""
    entry = entry_of(register, 1, "note")
    run(register, "amend", "1", entry, "--text", "tight", "--reason", "a slip")
    amendment = str(read_all(register)[-1].number)

    with pytest.raises(UsageError, match="is an amendment itself"):
        run(register, "amend", "1", amendment, "--text", "loose", "--reason", "again")


TABLE = """unit,date,as_found_ppb,u,as_left_ppb,u,note
0417,2028-05-04,37.0,0.05ppb,0.2,0.05ppb,lid was loose
0417,2029-05-10,1.9,0.05ppb,-0.1,0.05ppb,
"""


def import_table(register: RegisterFile, text: str, *words: str) -> Result:
    """Import a table."""
    path = register.path.parent / "earlier.csv"
    path.write_text(text, "utf-8")
    return run(register, "import", str(path), *words)


@pytest.fixture
def later(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let it be the year 2032."""
    monkeypatch.setattr(time, "time", lambda: 1.97e9)


@pytest.mark.usefixtures("later")
def test_import_twice(register: RegisterFile) -> None:
    """Earlier visits are added, marked as typed and closed on their day; twice adds nothing."""
    first = import_table(register, TABLE)
    count = len(read_all(register))
    second = import_table(register, TABLE)

    assert "2 visits imported." in first.stderr
    assert "nothing was added" in second.stderr
    assert len(read_all(register)) == count
    found = lines(run(register, "--unit", "0417", "--json"))
    assert [one["number"] for one in found] == [7, 8, 1, 4]
    assert [one["source"] for one in found] == ["typed table", "typed table", "watch", "watch"]
    assert found[0]["closed"] == found[0]["opened"]
    assert found[0]["as_left"]["u"] == pytest.approx(5e-11)


@pytest.mark.usefixtures("later")
def test_import_more_later(register: RegisterFile) -> None:
    """A longer table adds only what is not there; a unit that is not known is made with --new."""
    import_table(register, TABLE)

    done = import_table(register, TABLE + "0455,2029-05-10,1,0.1ppb,,,\n", "--new")

    assert "1 visit imported, and 1 new unit; 2 there already." in done.stderr
    with read_register(register.path) as reader:
        assert reader.unit("0455") is not None


@pytest.mark.usefixtures("later")
@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("0455,2029-05-10,1,,,,", "line 4: there is no unit 0455"),
        ("0417,2029-13-10,1,,,,", "line 4: '2029-13-10' is no date"),
        ("0417,2029-05-10,1.8,,,,", "line 4: 0417 has a row of 2029-05-10 already, line 3"),
        ("0417,2029-06-10,1.8 Celsius,,,,", "line 4, column as_found"),
    ],
)
def test_nothing_is_imported_of_a_file_with_an_error(
    register: RegisterFile, row: str, sentence: str
) -> None:
    """One bad row, and the register is as before."""
    before = len(read_all(register))

    with pytest.raises((FileError, UsageError), match=sentence):
        import_table(register, f"{TABLE}{row}\n")

    assert len(read_all(register)) == before


@pytest.mark.usefixtures("later")
def test_an_uncertainty_that_was_not_typed_is_unknown(register: RegisterFile) -> None:
    """Null for programs, a word for people, and no ± anywhere."""
    import_table(register, "unit,date,as_found_ppb\n0417,2028-05-04,37.5\n")

    listed = lines(run(register, "--unit", "0417", "--json"))[0]["as_found"]
    record = lines(run(register, "show", "7", "--json"))[0]["records"][0]
    text = run(register, "show", "7").stdout

    assert listed["u"] is None
    assert (record["u"], record["expanded"]) == (None, None)
    assert record["record"]["budget"]["lines"][0]["u"] is None
    assert "+37.50 ppb, u unknown" in text
    assert "u is unknown, for not known is: uncertainty: none was typed" in text


@pytest.mark.usefixtures("later")
def test_amend_the_nominal_of_an_imported_visit(register: RegisterFile) -> None:
    """The visit and both its records get it; a visit that was watched does not."""
    import_table(register, TABLE)

    run(register, "amend", "7", "--nominal", "10MHz", "--reason", "the other oscillator")

    visit = lines(run(register, "show", "7", "--json"))[0]
    assert visit["nominal_hz"] == 10e6
    assert [one["record"]["nominal_hz"] for one in visit["records"]] == [10e6, 10e6]
    assert [one["offset"] for one in visit["records"]] == pytest.approx([37e-9, 0.2e-9])
    shown = run(register, "show", "7").stdout
    assert "unit 0417 (entry" in shown
    assert "to unit 0417, nominal 10 MHz: the other oscillator" in shown
    with pytest.raises(UsageError, match="has the nominal 10 MHz already"):
        run(register, "amend", "7", "--nominal", "10MHz", "--reason", "again")
    with pytest.raises(UsageError, match="was watched"):
        run(register, "amend", "1", "--nominal", "10MHz", "--reason", "x")


@pytest.mark.usefixtures("later")
def test_the_header_of_the_docs_is_imported(register: RegisterFile) -> None:
    """The columns that docs/visits.md names are taken as they stand; a bare u is in ppb too."""
    page = Path(__file__).parents[2] / "docs/visits.md"
    (line,) = [one for one in page.read_text("utf-8").splitlines() if "visits import ea" in one]
    header = line.partition("#")[2].strip()

    import_table(register, f"{header}\n0417,2028-05-04,37.0,0.2,0.4,0.1,5MHz,lid was loose\n")

    found = lines(run(register, "--unit", "0417", "--json"))[0]
    assert "as_found_ppb,u," in header
    assert found["as_found"]["u"] == pytest.approx(0.2e-9)
    assert found["as_left"]["u"] == pytest.approx(0.1e-9)


@pytest.mark.usefixtures("later")
def test_import_of_other_values_for_a_day_that_is_there(register: RegisterFile) -> None:
    """The same day with other values is refused, by the number of the visit that is there."""
    import_table(register, TABLE)

    with pytest.raises(UsageError, match="visit 7, with other values"):
        import_table(register, TABLE.replace("37.0", "36.0"))


def test_verify(register: RegisterFile) -> None:
    """A sound register has a head for each chain, and it is found again."""
    head = lines(run(register, "verify", "--json"))[0]["head"]
    register.add(visit_drafts("0417", 1.95e9))

    result = run(register, "verify", "--head", head)

    assert result.return_value == 0
    assert "as written" in result.stdout
    assert f"head {head}: there" in result.stdout


def test_verify_names_what_was_changed(register: RegisterFile) -> None:
    """A digit changed behind the triggers: its entry is named, and the exit code is 1."""
    with behind_the_triggers(register.path) as connection:
        connection.execute(
            "UPDATE entries SET document = replace(document, 'loose', 'tight') WHERE number = 5"
        )

    result = run(register, "verify")

    assert result.return_value == 1
    assert "NOT as written" in result.stdout
    assert "entry 5" in result.stdout


def test_verify_finds_an_end_that_was_cut_off(register: RegisterFile) -> None:
    """The chain doesn't show it, the head that was printed before does."""
    head = lines(run(register, "verify", "--json"))[0]["head"]
    with behind_the_triggers(register.path) as connection:
        connection.execute("DELETE FROM entries WHERE number > 20")

    plain, compared = run(register, "verify"), run(register, "verify", "--head", head)

    assert plain.return_value == 0
    assert compared.return_value == 1
    assert "NOT there" in compared.stdout


@pytest.mark.parametrize("head", ["1234", "x" * 64, "\x1b[2J" * 20])
def test_a_head_that_is_none(register: RegisterFile, head: str) -> None:
    """A word that can't be a head is refused, not taken for one that is missing."""
    with pytest.raises(UsageError, match="64 digits"):
        run(register, "verify", "--head", head)


def test_a_register_with_hostile_text(tmp_path: Path) -> None:
    """Idents, notes and names that control a terminal, as of a register that was merged, do not."""
    register = RegisterFile(tmp_path / "register.db")
    hostile = "04\x1b[2J\x07\u202e17"
    register.add([Unit(ident=hostile, description=hostile).draft()])
    drafts = [replace(draft, unit=hostile) for draft in visit_drafts(hostile, 1.9e9)[:5]]
    note = Draft(kind="note", unit=hostile, document={"text": hostile}, at_utc_s=1.9e9)
    register.add([*drafts, note])

    said = [
        run(register), run(register, "show", "1"), run(register, "show", "1", "--json"),
        run(register, "close", "1"), run(register, "verify"),
    ]  # fmt: skip

    assert all(line.isprintable() for one in said for line in one.output.splitlines())


@pytest.mark.usefixtures("later")
def test_what_was_done_as_json(register: RegisterFile) -> None:
    """Closing, amending and importing say what they did, for programs."""
    register.add(visit_drafts("0417", 1.95e9)[:3])
    entry = entry_of(register, 1, "note")

    (closed,) = lines(run(register, "close", "7", "--json"))
    (amended,) = lines(
        run(register, "amend", "1", entry, "--withdraw", "--reason", "slip", "--json")
    )
    (imported,) = lines(import_table(register, TABLE, "--json"))

    assert (closed["kind"], closed["number"], closed["unit"]) == ("closed", 7, "0417")
    assert amended["entry"].endswith(f"/{entry}")
    assert amended["withdrawn"] is True
    assert imported == {"kind": "imported", "added": 2, "there_already": 0, "new_units": []}


def test_no_register_yet(tmp_path: Path) -> None:
    """Without a register there is a sentence, and the exit code is 0."""
    empty = RegisterFile(tmp_path / "register.db")

    assert "there are no visits" in run(empty).stderr
    assert "there is no register" in run(empty, "verify").stderr
    assert not empty.path.exists()


def test_simulated_visits_are_apart(register: RegisterFile) -> None:
    """--sim looks at the register of simulated benches, which is another file."""
    assert "there are no visits" in run(register, "--sim").stderr


def test_options_before_the_subcommand(register: RegisterFile) -> None:
    """They would do nothing there: a sentence says where they belong."""
    with pytest.raises(UsageError, match="after the word show"):
        CliRunner().invoke(
            visits, ["--sim", "show", "1"], catch_exceptions=False, standalone_mode=False
        )
