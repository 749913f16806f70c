"""What a watch says of its visit when it is left."""

from shlex import split

import pytest
import screen_kit as kit

from benchwatch.commands.common.option_types import IDENT, Named
from benchwatch.estimate.results import Settle, Tolerance
from benchwatch.estimate.uncertainty.uncertainty_budget import USUAL_COVERAGE
from benchwatch.report.leaving_words import expanded_words, leaving_words
from benchwatch.snapshot import Records, Snapshot, VisitNow

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
        (
            "benchwatch watch TCPIP0::127.0.0.1::5025::SOCKET --unit 0417 goes on with it; "
            "benchwatch visits close 12 closes it at the hand-over."
        ),
    ]


def test_a_closed_visit_has_only_results():
    """It does not go on."""
    (said,) = left(FOUND, LEFT, closed=True)

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


def test_the_chain_is_said_where_it_is_proven_or_could_have_been():
    """What is on record, else that nothing is, and nothing for a counter that stands alone."""
    visit = VisitNow(unit="0417", number=12, chain="chain proven: main and spare agree")
    proven = kit.snapshot(visit=visit)
    open_still = kit.snapshot(visit=VisitNow(unit="0417", number=12))

    assert "chain proven: main and spare agree." in leaving_words(proven, could_compare=True)
    assert leaving_words(open_still, could_compare=True)[1].startswith("chain not proven: no")
    assert not [said for said in leaving_words(open_still) if "chain" in said]
