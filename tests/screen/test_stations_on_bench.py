"""The bench view of hundreds of stations elsewhere: the worst first, the rest in one sentence."""

from dataclasses import replace

import bench_kit
import pytest
import screen_kit as kit

from benchwatch.counter import LinkStatus
from benchwatch.estimate.results import Settle
from benchwatch.run.bench_ranking import bench_state, sum_of_troubles
from benchwatch.screen.panels.bench_table import bench_table
from benchwatch.screen.view import picture
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.snapshot import RelayNow, Snapshot

SIZES = [(80, 24), (120, 36)]


def drawn(shown: list[Snapshot], size: tuple[int, int]) -> list[str]:
    """Return the rows of the bench view as text."""
    made = bench_kit.bench_frame(shown)
    return kit.text_of(picture(VIEWS.named("bench"), made, *size), made).splitlines()


def sick(shown: list[Snapshot]) -> list[Snapshot]:
    """Let ten of them be in trouble."""
    made = list(shown)
    for at, why in (
        (41, "tide-042 is gone from the broker. Lines go on when it is back."),
        (60, "the broker mqtts://broker:8883 is away: it does not answer. It is tried again."),
        (77, "no line comes from tide-078. It is asked again."),
    ):
        made[at] = replace(made[at], link=LinkStatus("lost", kit.NOW_S - 20.0, why))
    for at in (2, 150, 299):
        made[at] = bench_kit.counter(made[at].counter, 9e-9, station=made[at].station)
    for at in (100, 101, 102):
        made[at] = bench_kit.counter(
            made[at].counter, 2e-8, settle=bench_kit.WARMING, station=made[at].station
        )
    made[11] = replace(made[11], relay=RelayNow(unsent=4286, behind=True))
    return made


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_ten_in_trouble_of_three_hundred_are_the_top_rows(size: tuple[int, int]) -> None:
    """Each with its whole name and its state; all others are one sentence."""
    rows = drawn(sick(bench_kit.elsewhere(300)), size)
    head = next(at for at, row in enumerate(rows) if "counter" in row and "state" in row)
    top = rows[head + 1 : head + 11]

    states = ["lost"] * 3 + ["outside"] * 6 + ["unsent"]
    assert [next(s for s in {*states} if f" {s}" in row) for row in top] == states
    assert "tide-042/main" in top[0]
    assert "4286" in top[9]
    (rest,) = [row for row in rows if "more below" in row]
    shown = next(at for at, row in enumerate(rows[head + 1 :]) if "more below" in row)
    assert f"{300 - shown} more below, all ok; nearest to its limit tide-299/main at 40 %" in rest
    assert all(len(row) <= size[0] for row in rows)


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_the_reason_of_a_lost_link_stands_beside_it(size: tuple[int, int]) -> None:
    """Shortened where it is narrow."""
    rows = drawn(sick(bench_kit.elsewhere(300)), size)
    words = "no line comes" if size[0] == 80 else "no line comes from tide-078"

    assert any(words in row for row in rows if "tide-078" in row and " lost" in row)


def test_the_last_row_says_as_much_as_fits_and_is_never_cut() -> None:
    """Of stations in every state; words are left out, and no row ends in the sign of a cut."""
    shown = (
        bench_kit.elsewhere(150) + bench_kit.every_state() + sick(bench_kit.elsewhere(300))[150:]
    )
    made = bench_kit.bench_frame(shown)
    said = []
    for width in range(36, 200):
        rest = bench_table(made, width, 6)[-1]
        said.append(rest.plain.strip())
        assert rest.width <= width
        assert not rest.plain.endswith("…")

    states = "3 outside, 1 own time base, 1 moving, 1 warming, 1 unsure, 299 ok"
    assert list(dict.fromkeys(said)) == [
        "306 more below",
        "306 more below: 3 outside, 303 better",
        "306 more below: 3 outside, 1 own time base, 302 better",
        "306 more below: 3 outside, 1 own time base, 1 moving, 301 better",
        "306 more below: 3 outside, 1 own time base, 1 moving, 1 warming, 300 better",
        f"306 more below: {states}",
        f"306 more below: {states}; farthest old at 2800 %",
        f"306 more below: {states}; farthest outside old at 2800 % of its limit",
    ]


def test_what_is_on_record_elsewhere_is_shown_and_landing_is_left_to_the_station() -> None:
    """As found is said of each; whether it has landed only of a counter here."""
    alone = drawn(bench_kit.elsewhere(5), (120, 36))
    beside = drawn([*bench_kit.elsewhere(5), bench_kit.counter("ten")], (120, 36))

    assert any("as found" in row and "landed" not in row for row in alone)
    assert any("as found" in row and "landed" in row for row in beside)
    assert {row.split().count("no") for row in beside if "tide-" in row and " ok " in row} == {1}
    assert [row.split().count("no") for row in beside if " ten " in row and " ok " in row] == [2]


def test_a_common_power_on_is_no_alarm() -> None:
    """All are unsure at first: no trouble is counted, and one sentence says it of the rest."""
    unsure = bench_kit.elsewhere(300)
    unsure = [
        bench_kit.counter(one.counter, 1e-10, None, settle=Settle("unsure", None, None),
                          station=one.station)
        for one in unsure
    ]  # fmt: skip
    states = {one.counter: bench_state(one, kit.NOW_S) for one in unsure}

    assert set(states.values()) == {"unsure"}
    assert sum_of_troubles(states) == ()
    assert any("more below, all unsure; nearest" in row for row in drawn(unsure, (80, 24)))


def test_a_row_outside_that_is_not_shown_is_not_called_near_its_limit() -> None:
    """All are outside, so the worst of those below is said by how far it is out."""
    shown = [bench_kit.counter(f"c{at}", 9e-9 - at * 1e-12) for at in range(60)]
    (rest,) = [row for row in drawn(shown, (80, 24)) if "more below" in row]

    assert "all outside; farthest outside c" in rest
    assert "% of its limit" in rest
