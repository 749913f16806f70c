"""Numbers for lines are those that the whole pipeline gives, event by event."""

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from made_sessions import FAMILIES, make_session
from pipeline_kit import NOMINAL, START_UTC_S, reading

from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.pipeline.numbers_pipeline import NumbersPipeline
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.reading import DIALLED, Event, Gap, Mark, Touch

PLAN = Plan(
    name="main",
    resource="",
    nominal=NOMINAL,
    tolerance=5e-9,
    settle=SettleLimit(1e-9, 60.0),
    own_time_base=Reference(name="own", offset=2e-8),
)


def made_events(family: str, seed: int) -> list[Event]:
    """Return the events of a made session: readings of all kinds, gaps, marks and touches."""
    rng = np.random.default_rng(seed)
    events: list[Event] = []
    now_s = 0.0
    for number, offset in enumerate(make_session(family, rng, readings=300).readings.tolist()):
        now_s += 1.0
        where = {"counter": "main", "utc_s": START_UTC_S + now_s, "elapsed_s": now_s}
        kind = int(rng.integers(0, 150))
        if kind in {0, 1, 2}:
            lasted_s = float(rng.choice([1.5, 8.0, 300.0]))
            reason = f"{DIALLED} 5 MHz" if kind == 1 else "no reply within 2.5 s"
            events.append(Gap(**where, lasted_s=lasted_s, reason=reason))
            now_s += lasted_s
        elif kind in {3, 4}:
            events.append(Touch(**where, on=kind == 3))
        elif kind == 5:
            events.append(Mark(**where, text="cover on"))
        made = reading(number, str(NOMINAL + Decimal(offset) * NOMINAL))
        made = replace(made, elapsed_s=now_s, utc_s=START_UTC_S + now_s)
        flags = {6: "repeat", 7: "overrange", 8: "typed"}.get(kind)
        if flags == "typed":
            now_s += float(rng.choice([2.0, 30.0, 900.0]))
            made = replace(made, elapsed_s=now_s)
        if flags is not None:
            made = replace(made, flags=frozenset({flags}))
        if 100 < number < 160:
            made = replace(made, flags=made.flags | {"internal-timebase"})
        events.append(made)
    return events


@pytest.mark.parametrize("family", FAMILIES)
def test_numbers_are_those_of_the_whole_pipeline(family):
    """Turns, wild readings, gaps, touches, typed readings and another time base: no difference."""
    whole, numbers = Pipeline(PLAN, utc_s=START_UTC_S), NumbersPipeline(PLAN)
    for event in made_events(family, seed=13):
        now = whole.take(event)

        assert numbers.take(event) == (now.corrected(event), now.numbers)
    assert (numbers.readings, numbers.gaps) == (whole.snapshot.readings, whole.snapshot.gaps)


def test_made_events_hold_what_they_should():
    """The comparison above is worth something only if there is something of each kind."""
    events = [event for family in FAMILIES for event in made_events(family, seed=13)]
    flags = {flag for event in events for flag in getattr(event, "flags", ())}

    assert {type(event).__name__ for event in events} == {"Reading", "Gap", "Touch", "Mark"}
    assert flags == {"repeat", "overrange", "typed", "internal-timebase"}
