"""Whose slow statistics are updated when: the counters looked at always, the others in turn."""

import math
from types import SimpleNamespace

from benchwatch.run.refresh_turns import LOOKED_AT_S, OTHERS_AT_ONCE_S, OTHERS_SHARE, RefreshTurns

COST_S = OTHERS_AT_ONCE_S / 2


class Counter:
    """A counter whose update takes `COST_S` on the clock."""

    def __init__(self, clock):
        self.looked_at_s, self.updates = -math.inf, 0
        self.pipeline, self._clock = SimpleNamespace(refresh=self._refresh), clock

    def _refresh(self):
        self.updates += 1
        self._clock.now_s += COST_S


def made(count):
    """Return a clock that stands still between updates, and counters."""
    clock = SimpleNamespace(now_s=100.0)
    clock.monotonic = lambda: clock.now_s
    return clock, [Counter(clock) for _ in range(count)]


def test_the_counter_looked_at_is_updated_every_time():
    """Of fifty, the one on the screen, however many others there are."""
    clock, counters = made(50)
    turns = RefreshTurns(clock)
    for _ in range(10):
        counters[7].looked_at_s = clock.now_s
        turns.take(counters)
        clock.now_s += 1.0

    assert counters[7].updates == 10


def test_the_others_take_a_small_share_of_the_time_and_all_have_their_turn():
    """Each of fifty is updated as often as any other, and together they take one percent."""
    clock, counters = made(50)
    turns = RefreshTurns(clock)
    began_s = clock.now_s
    while min(counter.updates for counter in counters) < 3:
        turns.take(counters)
        clock.now_s += 1.0
    spent_s = COST_S * sum(counter.updates for counter in counters)

    assert max(counter.updates for counter in counters) <= 4
    assert spent_s / (clock.now_s - began_s) < 1.1 * OTHERS_SHARE


def test_a_counter_that_nobody_looks_at_any_more_is_one_of_the_others():
    """A trace fetched long ago does not count."""
    clock, counters = made(3)
    for counter in counters:
        counter.looked_at_s = clock.now_s - LOOKED_AT_S
    turns = RefreshTurns(clock)
    turns.take(counters)

    assert sum(counter.updates for counter in counters) == 2
