"""What a watch says of its visit when it is left."""

from dataclasses import replace
from shlex import split
from typing import Any

import pytest
import screen_kit as kit
from check_kit import dial_check

from benchwatch.commands.common.option_types import IDENT, Named
from benchwatch.estimate.results import Settle, Tolerance
from benchwatch.estimate.uncertainty.uncertainty_budget import USUAL_COVERAGE
from benchwatch.report.leaving_words import bench_leaving_words, expanded_words, leaving_words
from benchwatch.snapshot import CheckRow, ChecksNow, LoggedEvent, Records, Snapshot, VisitNow

FOUND, LEFT = kit.record("as found", 36.97e-9), kit.record("as left", 0.12e-9)
SETTLED = Settle("settled", 100.0, None, None, None, "")


def left(
    *records: object, limit: float = 5e-9, settle: Settle | None = SETTLED, **visit: object
) -> list[str]:
    """Return what is said on leaving a visit of 0417 with these records."""
    found, as_left = (*records, None, None)[:2]
    made = kit.snapshot(
        visit=VisitNow(**({"unit": "0417", "number": 12} | visit)),  # type: ignore[arg-type] # its fields
        records=Records(as_found=found, as_left=as_left) if records else None,  # type: ignore[arg-type] # records
        numbers=kit.numbers(tolerance=Tolerance(limit, inside=True), settle=settle),
        reading=kit.reading(0.12e-9, elapsed_s=700.0),
    )
    return leaving_words(made)


def test_results_first_then_what_is_open_then_how_to_go_on():
    """As found, as left with U, the side, for how long it has settled."""
    said = left(FOUND, LEFT)

    assert said == [
        (
            f"visit 12 of 0417: as found {expanded_words(FOUND)}; as left {expanded_words(LEFT)}, "
            "inside 5 ppb; settled for 10 min."
        ),
        "benchwatch report 12 --out . writes the report into this folder.",
        (
            "benchwatch watch TCPIP0::127.0.0.1::5025::SOCKET --unit 0417 goes on with it; "
            "benchwatch visits close 12 closes it at the hand-over."
        ),
    ]


def test_a_closed_visit_has_only_results():
    """It does not go on; what is left to do is its report."""
    said, report = left(FOUND, LEFT, closed=True)

    assert report == "benchwatch report 12 --out . writes the report into this folder."

    assert said.startswith("visit 12 of 0417 is closed: as found +36.97")
    assert "goes on" not in said


def test_what_is_open_is_named():
    """Records, the name, the register that can't be written."""
    said = left(unit=None, trouble="the register's disk is full.")

    assert said[0] == "visit 12 without a unit: nothing on record; settled for 10 min."
    assert said[1] == (
        "still open: as found is not on record, as left is not on record, the unit has no name "
        "(:unit IDENT), entries wait for the register."
    )
    assert said[2].startswith("the same command, without --unit, goes on with it")


@pytest.mark.parametrize("on", [True, False])
def test_a_tool_on_the_trimmer_is_open(on: bool):
    """It pulls, and is forgotten easily."""
    trim = kit.trim_now()
    tool = None if trim.tool is None else type(trim.tool)(on=on)
    made = kit.snapshot(visit=VisitNow(unit="0417", number=12), trim=kit.trim_now(tool=tool))

    assert ("the tool is on the trimmer" in " ".join(leaving_words(made))) == on


@pytest.mark.parametrize(
    ("offset", "said"),
    [
        (0.12e-9, "inside 1 ppb"),
        (-0.12e-9, "inside 1 ppb"),
        (0.99e-9, "too near 1 ppb to tell"),
        (-1.01e-9, "too near 1 ppb to tell"),
        (1.9e-9, "outside 1 ppb"),
    ],
)
def test_the_side_is_said_only_where_it_can_be_told(offset: float, said: str):
    """Its expanded uncertainty, about 0.15 ppb, counts."""
    record = kit.record("as left", offset)
    expanded = record.budget.expanded(USUAL_COVERAGE)

    assert expanded is not None
    assert 0.01e-9 < expanded.half_width < 0.5e-9
    assert f", {said};" in left(FOUND, record, limit=1e-9)[0]


@pytest.mark.parametrize(
    ("settle", "said"),
    [
        (Settle("warming", None, None, None, None, ""), "; not settled."),
        (Settle("unsure", None, None, None, None, ""), "; not known to have settled."),
        (None, "inside 5 ppb."),
    ],
)
def test_settling_in_words(settle: Settle | None, said: str):
    """Nothing where no settle limit was asked."""
    assert left(FOUND, LEFT, settle=settle)[0].endswith(said)


@pytest.mark.parametrize("now", [kit.snapshot(), kit.snapshot(visit=VisitNow(unit="0417"))])
def test_without_a_visit_nothing_is_said(now: Snapshot):
    """None in the register, or no register."""
    assert leaving_words(now) == []


@pytest.mark.parametrize("ident", ["0417", "no 3", "S/N=12", "5' case", 'a"b', "$(true)"])
def test_the_command_that_goes_on_can_be_typed_in_a_shell(ident: str):
    """Its words come out of a shell as the ident, for the counter that has no name."""
    (how,) = [one for one in left(FOUND, LEFT, unit=ident) if "goes on" in one]
    words = split(how.partition(" goes on with it")[0])
    name, value = Named(IDENT).convert(words[-1], None, None)

    assert words[:2] == ["benchwatch", "watch"]
    assert words[-2] == "--unit"
    assert value == ident
    assert name in {None, "main"}


def test_no_escape_of_an_ident_reaches_the_terminal():
    """One that was written by another program."""
    assert "\x1b" not in " ".join(left(FOUND, LEFT, unit="0417\x1b[31m"))


def test_the_chain_of_the_only_counter_is_said_where_it_is_on_record():
    """By an earlier run with another counter; else nothing is said of it."""
    visit = VisitNow(unit="0417", number=12, chain="chain proven: main and spare agree")
    proven = kit.snapshot(visit=visit)
    open_still = kit.snapshot(visit=VisitNow(unit="0417", number=12))

    assert "chain proven: main and spare agree." in leaving_words(proven)
    assert not [said for said in leaving_words(open_still) if "chain" in said]


def bench(**visits: dict[str, Any]) -> list[Snapshot]:
    """Return one counter for each visit, all of 10 MHz but those whose name begins with five."""
    return [
        replace(
            kit.snapshot(
                visit=VisitNow(**({"number": place, "simulated": True} | visit)),
                numbers=kit.numbers(settle=SETTLED),
                reading=kit.reading(0.12e-9, elapsed_s=700.0),
            ),
            counter=name,
            nominal_hz=5e6 if name.startswith("five") else 1e7,
        )
        for place, (name, visit) in enumerate(visits.items(), 1)
    ]


def test_a_bench_says_once_what_holds_for_all():
    """One sentence a counter; names, chain and how to go on stand once."""
    said = bench_leaving_words(bench(ten={}, five={}, synth={}, spare={}), groups=())

    assert said == [
        "ten: visit 1 without a unit: nothing on record; settled for 10 min.",
        "five: visit 2 without a unit: nothing on record; settled for 10 min.",
        "synth: visit 3 without a unit: nothing on record; settled for 10 min.",
        "spare: visit 4 without a unit: nothing on record; settled for 10 min.",
        "chain not proven: ten, synth and spare have one nominal; :prove compares them.",
        "4 units have no name (:unit IDENT).",
        (
            "a visit of a simulated bench goes on only under the name of its unit; benchwatch "
            "visits close NUMBER --sim closes one at the hand-over."
        ),
    ]


def test_with_stated_groups_only_their_counters_are_said_to_be_unproven():
    """Counters outside every group are not asked for a comparison."""
    group = ("synth", "spare")
    said = bench_leaving_words(bench(ten={}, synth={}, spare={}), groups=[group])

    assert [one for one in said if "chain" in one] == [
        "chain not proven: no comparison of synth and spare is on record."
    ]


def test_a_proven_chain_is_said_once_for_its_group():
    """It names its counters itself."""
    chain = {"chain": "chain proven: synth and spare agree"}
    counters = bench(ten={}, synth=chain, spare=chain)

    stated = bench_leaving_words(counters, groups=[("synth", "spare")])
    without_groups = bench_leaving_words(counters, groups=())

    assert [one for one in stated if "chain" in one] == ["chain proven: synth and spare agree."]
    assert (
        "chain of ten not proven: ten, synth and spare have one nominal; :prove compares them."
        in without_groups
    )


def test_what_is_open_with_one_counter_stands_beside_it():
    """As left is missing, and the unit is dialled elsewhere."""
    (now, other) = bench(ten={"unit": "0417"}, spare={"unit": "0418"})
    now = replace(now, records=Records(as_found=FOUND), checks=ChecksNow(rows=(), dialled_hz=1e8))

    said = bench_leaving_words([now, other], groups=())

    assert said[0].endswith(
        " Still open: as left is not on record, the unit is dialled to 100 MHz, and not to 10 MHz."
    )
    assert "Still open" not in said[1]
    assert not [one for one in said if "no name" in one]


def test_a_setting_that_the_partner_checked_is_not_open():
    """Both count one unit, and one walks through its settings."""
    synth, spare = bench(synth={"unit": "0417"}, spare={"unit": "0417"})
    listed = (CheckRow(setting_hz=1e6), CheckRow(setting_hz=1e8))
    done = CheckRow(setting_hz=1e6, check=dial_check(1e6, 0.0))
    synth = replace(synth, checks=ChecksNow(rows=(done, listed[1])))
    spare = replace(spare, checks=ChecksNow(rows=listed))

    together = bench_leaving_words([synth, spare], groups=[("synth", "spare")])
    apart = bench_leaving_words([synth, spare], groups=())

    assert together[1].endswith("Still open: not checked at 100 MHz.")
    assert apart[1].endswith("Still open: not checked at 1 MHz, 100 MHz.")


def test_named_units_of_a_bench_go_on_by_their_names():
    """Each option names its counter and can be typed in a shell."""
    said = bench_leaving_words(
        bench(
            ten={"unit": "no 3", "simulated": False},
            five={"unit": "S/N=12", "simulated": False},
            old={"simulated": False},
        ),
        groups=(),
    )
    words = split(said[-1].partition(" goes on with")[0].partition("the same command with ")[2])

    assert [Named(IDENT).convert(word, None, None) for word in words[1::2]] == [
        ("ten", "no 3"),
        ("five", "S/N=12"),
    ]
    assert "the same command goes on with a visit without a unit within 12 hours" in said[-1]
    assert said[-1].endswith("; benchwatch visits close NUMBER closes one at the hand-over.")


def test_a_closed_visit_of_a_bench_has_only_results():
    """Nothing is open, and nothing goes on."""
    said = bench_leaving_words(bench(ten={"closed": True}, five={"closed": True}), groups=())

    assert said == [
        "ten: visit 1 without a unit is closed: nothing on record; settled for 10 min.",
        "five: visit 2 without a unit is closed: nothing on record; settled for 10 min.",
    ]


def test_of_many_counters_with_one_nominal_the_first_are_named():
    """Fifty names would hide the rest."""
    said = bench_leaving_words(bench(**{f"c{at}": {} for at in range(1, 51)}), groups=())

    assert "chain not proven: c1, c2, c3, c4, c5 and 45 more have one nominal;" in said[50]
    assert len(said) == 53


ISSUED = "report: /home/op/reports/0417-visit-12-issue-1.pdf, 0417 / visit 12 / issue 1"
COMMAND = "benchwatch report 12 --out . writes the report into this folder."


def test_a_report_that_was_issued_is_named_in_place_of_the_command():
    """The command would only issue another one."""
    said = left(FOUND, LEFT, report=ISSUED, report_s=700.0)

    assert f"{ISSUED}." in said
    assert "benchwatch report" not in " ".join(said)


@pytest.mark.parametrize(("kind", "changed"), [("record", True), ("nudge", False)])
def test_what_is_recorded_after_the_report_needs_the_next_issue(kind, changed):
    """As left again: the file does not have it. What no report states needs none."""
    now = kit.snapshot(
        visit=VisitNow(unit="0417", number=12, report=ISSUED, report_s=700.0),
        records=Records(as_found=FOUND, as_left=LEFT),
        reading=kit.reading(0.12e-9, elapsed_s=800.0),
    )
    later = LoggedEvent(utc_s=1.9e9, elapsed_s=750.0, kind=kind)

    said = " ".join(leaving_words(replace(now, logged_events=(later,))))

    assert f"{ISSUED}." in said
    assert ("benchwatch report 12 --out . writes the next issue." in said) == changed


def test_on_a_bench_the_command_stays_for_visits_without_a_report():
    """One has its file, the other only its record."""
    one, other = (
        kit.snapshot(
            counter=name,
            visit=VisitNow(unit=name, number=number, report=report, report_s=700.0),
            records=Records(as_left=LEFT),
            reading=kit.reading(0.12e-9, elapsed_s=800.0),
        )
        for name, number, report in (("ten", 12, ISSUED), ("five", 13, ""))
    )

    both = bench_leaving_words([one, other], groups=())
    alone = bench_leaving_words([one], groups=())

    assert f"{ISSUED}." in both
    assert f"{ISSUED}." in alone
    assert COMMAND.replace("12", "NUMBER") in both
    assert "benchwatch report" not in " ".join(alone)
