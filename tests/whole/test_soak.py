"""An hour of bench time with a fault a minute; a day is in `tests/benchmarks/test_soak_day.py`."""

from array import array
from pathlib import Path

import pytest
from pipeline_kit import START_UTC_S, reading
from soak_kit import SESSIONS, Soak, check_nothing_lost_or_invented, soak

from benchwatch.reading import Gap, Reading


def test_an_hour_with_a_fault_a_minute_loses_and_invents_nothing(tmp_path: Path) -> None:
    """A watch on real sockets: each reading is once in the journal, each fault is one gap."""
    result = soak(tmp_path, hours=1.0, sample_every_s=600.0)

    check_nothing_lost_or_invented(result)
    first, last = result.samples[0], result.samples[-1]
    assert result.outcome == "count reached"
    assert last.sessions == first.sessions == SESSIONS
    assert last.handles <= first.handles + 1  # a connection that is just being opened or closed
    assert last.threads <= first.threads + 2


def soaked(*events: Reading | Gap, faults: tuple[tuple[float, str], ...] = ()) -> Soak:
    """Return a soak of a counter that read 10 MHz + 0 to 9 tenths of a millihertz."""
    given = array("d", (1e7 + number * 1e-4 for number in range(10)))
    return Soak(issued=given, faults=list(faults), events=list(events))


WHOLE = [reading(number, f"10000000.{number:04d}") for number in range(10)]
HOLE = Gap(
    counter="main",
    utc_s=START_UTC_S + 3,
    elapsed_s=3.0,
    lasted_s=2.0,
    reason="no reply within 2.5 s",
)


@pytest.mark.parametrize(
    ("events", "faults"),
    [
        ([*WHOLE[:4], *WHOLE[5:]], ()),
        ([*WHOLE[:4], WHOLE[3], *WHOLE[4:]], ()),
        ([*WHOLE[:4], WHOLE[5], WHOLE[4], *WHOLE[6:]], ()),
        ([*WHOLE[:4], reading(4, "10000000.9999"), *WHOLE[4:]], ()),
        ([*WHOLE[:4], HOLE, *WHOLE[5:]], ()),
        ([*WHOLE[:4], HOLE, HOLE, *WHOLE[5:]], ((3.5, "cut"),)),
        (WHOLE, ((3.5, "cut"),)),
    ],
    ids=["lost", "twice", "out of order", "invented", "a gap for nothing", "two gaps", "unseen"],
)
def test_the_check_of_a_soak_finds_each_kind_of_damage(events, faults) -> None:
    """Each kind of damage is found, and a run with one fault and one gap passes."""
    check_nothing_lost_or_invented(soaked(*WHOLE[:4], HOLE, *WHOLE[5:], faults=((3.5, "cut"),)))

    with pytest.raises(AssertionError):
        check_nothing_lost_or_invented(soaked(*events, faults=faults))
