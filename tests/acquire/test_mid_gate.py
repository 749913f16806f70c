"""Whether the reported gate can be right, judged by when readings come."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchwatch.acquire.mid_gate import MOST_SPACINGS, SHORT_SPACINGS, MidGate

GATE_S = 0.1
DELAYS = st.lists(
    st.floats(0.0, 3 * GATE_S) | st.sampled_from([0.74 * GATE_S, 0.75 * GATE_S]), max_size=80
)


def mid_gate(gate_s: float) -> MidGate:
    """Return a `MidGate` for a counter that reports `gate_s`."""
    made = MidGate(origin_s=0.0)
    made.set_gate(gate_s)
    return made


@given(DELAYS)
@example([1.99 * GATE_S, 0.5 * GATE_S, 0.5 * GATE_S, 0.5 * GATE_S, 0.0])
def test_readings_that_are_fetched_late_do_not_prove_a_gate_wrong(delays_s: list[float]) -> None:
    """A counter that measures on and on is queried by a busy computer: two gates are caught up."""
    made = mid_gate(GATE_S)
    gates_read, now_s = 0, 0.0
    for delay_s in delays_s:
        gates_read = max(math.floor(now_s / GATE_S), gates_read + 1)  # the newest result, once
        now_s = max(now_s, gates_read * GATE_S) + delay_s

        made.place(now_s, is_new=True)

        assert made.doubt is None


@pytest.mark.parametrize(("times", "readings"), [(100.0, SHORT_SPACINGS), (1.5, MOST_SPACINGS)])
def test_a_gate_that_is_too_long_is_found_out(times: float, readings: int) -> None:
    """Far too long: by the fifth reading; half as long again: by the thirty-third."""
    made = mid_gate(times * GATE_S)
    for number in range(readings + 1):
        made.place(1.0 + number * GATE_S, is_new=True)

    assert made.doubt is not None
    assert made.gate_s is None


def test_one_reading_a_gate_later_clears_the_doubt() -> None:
    """The gate was short, and is now as reported."""
    made = mid_gate(1.0)
    for number in range(10):
        made.place(1.0 + number * GATE_S, is_new=True)
    doubted = made.doubt
    made.place(3.0, is_new=True)

    assert doubted is not None
    assert (made.doubt, made.gate_s) == (None, 1.0)
