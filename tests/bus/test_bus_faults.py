"""Every bus times every fault: what it costs, shown by real servers, ptys and acquisitions.

The table of docs/counters.md is made here:

    python -m pytest tests/bus/test_bus_faults.py -s

prints it, with the times of that run, and fails when that page says something else. With
BENCHWATCH_UPDATE_SNAPSHOTS=1 it is put into the page instead, to be looked at.
"""

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from fault_kit import (
    BUSES,
    LASTS_S,
    MARGIN_S,
    PIPED,
    PULSE_S,
    Case,
    Found,
    bench_file,
    run_all,
    run_alone,
)

from benchwatch.reading import Gap
from benchwatch_simulators.faults import FAULT_KINDS

pytestmark = pytest.mark.long

UPDATE = "BENCHWATCH_UPDATE_SNAPSHOTS"
PAGE = Path(__file__).parents[2] / "docs/counters.md"
BEGINS, ENDS = "<!-- bus table -->", "<!-- /bus table -->"

SEEN_S = 0.1
"""A peer that closes is shown as lost within this."""
BACK_S = 1.0
"""And read again so soon after it is there again, when it was away for a short while."""
AT_MOST_S = 6.0
"""No fault that is over costs longer than this; a missed answer is asked for by identity, which
is waited for 2 s, and a link that is opened again waits 1 s first."""

NOTHING = "nothing lost"
GAP = "gap"
AGAIN = "gap, opened again"
TWICE = "counted twice"
"""Out of a pipe nothing comes twice but what was written twice, so that both are readings."""
NO_SUCH = "–"
"""Nothing is asked of a counter that talks by itself, so that nothing can be out of step."""

TALKS = [bus for bus, (_, dialect) in BUSES.items() if dialect not in {"scpi", "interval"}]
"""Counters that talk by themselves, or whenever they are addressed."""
SHARED = [bus for bus in BUSES if bus.startswith("LAN-GPIB")]
"""Behind a controller it is the counter that goes off, and the link stands."""
STAYS = [*SHARED, *PIPED]
"""A pipe stands too, whoever writes into it or not."""

COSTS_A_GAP = ("late", "cut", "mute", "garbage", "huge", "slow", "wrong-answer")
EXPECTED: dict[str, dict[str, str]] = {
    "doubled": {bus: TWICE if bus in PIPED else NOTHING for bus in BUSES},
    **{kind: dict.fromkeys(BUSES, GAP) for kind in COSTS_A_GAP},
    "closed": {bus: GAP if bus in PIPED else AGAIN for bus in BUSES},
    "restart": {bus: GAP if bus in STAYS else AGAIN for bus in BUSES},
    "out-of-step": {bus: NO_SUCH if bus in TALKS else AGAIN for bus in BUSES},
}


CELLS = [(bus, kind) for bus in BUSES for kind in FAULT_KINDS if EXPECTED[kind][bus] != NO_SUCH]


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], Found]:
    """Run them all; again, twice at most, what went wrong while the program was kept from reading.

    It says so itself: on a busy machine a line may be read too late to tell when it came.
    """
    folder = tmp_path_factory.mktemp("benches")
    found = run_all(CELLS, folder)
    for bus, kind in 2 * CELLS:
        if found[bus, kind].blames_computer and found[bus, kind].outcome != EXPECTED[kind][bus]:
            found[bus, kind] = run_alone(bus, kind, folder)
    print("\n" + markdown(found))
    return found


@pytest.mark.parametrize(("bus", "kind"), CELLS)
def test_a_fault_costs_what_the_table_says(
    table: dict[tuple[str, str], Found], bus: str, kind: str
) -> None:
    """No invented reading, the gap reported, and steady readings again."""
    found = table[bus, kind]

    assert found.invented == []
    assert found.outcome == EXPECTED[kind][bus]
    assert found.back_s < AT_MOST_S


@pytest.mark.parametrize(("bus", "kind"), [c for c in CELLS if c[1] != "doubled"])
def test_the_gap_covers_what_is_missing(
    table: dict[tuple[str, str], Found], bus: str, kind: str, tmp_path: Path
) -> None:
    """It lasts as long as the hole between the readings, to a few gates, and says why."""

    def covers(found: Found) -> bool:
        return longest(found).lasted_s == pytest.approx(found.longest_hole_s, abs=4 * found.gate_s)

    def longest(found: Found) -> Gap:
        return max(found.gaps, key=lambda gap: gap.lasted_s)

    found = undisturbed(table[bus, kind], covers, tmp_path)

    assert covers(found), (longest(found).lasted_s, found.longest_hole_s)
    assert longest(found).reason
    assert longest(found).reason.isprintable()


@pytest.mark.parametrize("bus", list(BUSES))
def test_what_costs_nothing_leaves_no_hole(
    table: dict[tuple[str, str], Found], bus: str, tmp_path: Path
) -> None:
    """Said twice, it is heard once, and the next reading is there in time."""

    def has_none(found: Found) -> bool:
        return found.longest_hole_s < 3 * found.gate_s

    found = undisturbed(table[bus, "doubled"], has_none, tmp_path)

    assert has_none(found), found.longest_hole_s


@pytest.mark.parametrize("bus", [bus for bus in BUSES if bus not in PIPED])
def test_a_closed_peer_is_seen_at_once_and_read_again_soon(
    table: dict[tuple[str, str], Found], bus: str, tmp_path: Path
) -> None:
    """Seen under 100 ms; back within 1 s of the peer's return after half a second away.

    Of intervals it takes three more to tell that two of them are neighbours.
    """

    def is_quick(found: Found) -> bool:
        soon_s = BACK_S + (3 * found.gate_s if "intervals" in bus else 0.0)
        return found.seen_s is not None and found.seen_s < SEEN_S and found.back_s < soon_s

    found = undisturbed(table[bus, "closed"], is_quick, tmp_path)

    assert is_quick(found), (found.seen_s, found.back_s)


def undisturbed(found: Found, in_time: Callable[[Found], bool], folder: Path) -> Found:
    """Try a fault again, twice at most, whose times a busy machine may have lengthened."""
    for _ in range(2):
        if in_time(found):
            break
        found = run_alone(found.bus, found.fault, folder)
        assert found.invented == []
        assert found.outcome == EXPECTED[found.fault][found.bus]
    return found


def test_the_docs_show_this_table(table: dict[tuple[str, str], Found]) -> None:
    """Its cells are those found here; the times in its last column are of whatever run."""
    before, begins, rest = PAGE.read_text("utf-8").partition(BEGINS)
    shown, ends, after = rest.partition(ENDS)
    assert begins, f"docs/counters.md holds no {BEGINS} to put the table behind"
    assert ends
    if os.environ.get(UPDATE) == "1":
        shown = f"\n{markdown(table)}\n"
        PAGE.write_text(f"{before}{begins}{shown}{ends}{after}", "utf-8")

    assert [_cells(line) for line in shown.strip().splitlines()] == [
        _cells(line) for line in markdown(table).splitlines()
    ]


def _cells(line: str) -> list[str]:
    return [cell.strip() for cell in line.strip().strip("|").split("|")][:-1]


def markdown(found: dict[tuple[str, str], Found]) -> str:
    """Render the table; the last column is the longest time to a good reading, of all buses."""
    head = ["fault", *BUSES, "read again after"]
    rows = [head, ["---"] * len(head)]
    for kind in FAULT_KINDS:
        here = [found[bus, kind] for bus in BUSES if (bus, kind) in found]
        cells = [found[bus, kind].outcome if (bus, kind) in found else NO_SUCH for bus in BUSES]
        slowest = max(result.back_s for result in here)
        rows.append([kind, *cells, "at once" if kind == "doubled" else f"{slowest:.1f} s"])
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)


# ------------------------------------------------------------------ beside the table


def test_the_harness_notices_an_invented_reading(tmp_path: Path) -> None:
    """A counter that gives a reading twice over is caught, so that the table can be believed."""
    case = Case("raw socket", "doubled", bench_file("raw socket", tmp_path))
    counted = case._count
    counter = case._bench._counters["main"]
    last: list[object] = []

    def repeat(start_s: float, gate_s: float) -> object:
        last.append(counted(start_s, gate_s) if len(last) != 8 else last[-1])
        if len(last) == 9:
            case._taken_s[len(case._taken_s) + 1] = time.monotonic()
        return last[-1]

    counter._cycle._count = repeat  # type: ignore[attr-defined]
    found = case.run()

    assert found.invented != []


def test_the_whole_table_is_of_short_gates() -> None:
    """So that the run stays short, and a fault lasts longer than a reading is waited for."""
    assert min(LASTS_S[kind] for kind in ("late", "mute", "slow")) > PULSE_S + MARGIN_S
