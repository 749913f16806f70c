"""Another nominal during a run, or after a run that is continued."""

import math
import random
from dataclasses import replace
from decimal import Decimal

from pipeline_kit import START_UTC_S, reading
from seed_kit import unseen_seed

from benchwatch.acquire import CounterStatus
from benchwatch.counter import LinkStatus
from benchwatch.estimate.results import Nudge, SettleLimit
from benchwatch.journal.resume import EarlierRuns
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.quantity import difference
from benchwatch.snapshot import Records, Snapshot

TEN_MHZ, OTHER, FIVE_MHZ = Decimal(10_000_000), Decimal("10000000.5"), Decimal(5_000_000)
TURN_AT, END = 60, 120


def pipeline(nominal: Decimal | None, earlier: EarlierRuns | None = None) -> Pipeline:
    """Return the pipeline of a settled oscillator."""
    plan = Plan(
        name="main",
        resource="x",
        driver="scpi",
        nominal=nominal,
        tolerance=1e-9,
        settle=SettleLimit(1e-9, 20),
    )
    return Pipeline(plan, utc_s=START_UTC_S, earlier=earlier)


def connected(nominal: Decimal) -> CounterStatus:
    """Report that the link reads, with this nominal."""
    return CounterStatus(link=LinkStatus("reading", 0.0), nominal=nominal)


def feed(run: Pipeline, nominal: Decimal, levels: list[tuple[int, float]]) -> Snapshot:
    """Feed so many readings of each offset from 10 MHz, with offsets from `nominal`."""
    noise, number = random.Random(unseen_seed()), run.snapshot.readings
    for count, level in levels:
        for _ in range(count):
            value = TEN_MHZ * (1 + Decimal(noise.gauss(level, 2e-11)))
            text = f"{value:.5f}"
            offset_hz, offset = difference(Decimal(text), nominal)
            one = reading(number, text)
            run.take(replace(one, offset_hz=offset_hz, offset=offset))
            number += 1
    return run.snapshot


def test_what_was_turned_is_not_kept_as_found_under_another_nominal() -> None:
    """As found was kept automatically; after the change a further turn keeps no second one."""
    run = pipeline(TEN_MHZ)
    run.connect(connected(TEN_MHZ))
    found = feed(run, TEN_MHZ, [(TURN_AT, 8e-9), (40, 3e-9)]).records
    run.connect(connected(OTHER))
    after = feed(run, OTHER, [(TURN_AT, 3e-9), (END, -4e-9)])

    assert found is not None
    assert found.as_found is not None
    assert after.numbers.last_nudge is not None
    assert after.records is None
    assert any("on record was held against 10 MHz" in one.text for one in after.logged_events or ())


def test_what_nobody_turned_is_kept_as_found_under_another_nominal() -> None:
    """A wrong nominal that is corrected before the first turn costs nothing."""
    run = pipeline(OTHER)
    run.connect(connected(OTHER))
    feed(run, OTHER, [(30, 8e-9)])
    run.connect(connected(TEN_MHZ))
    records = feed(run, TEN_MHZ, [(TURN_AT, 8e-9), (40, 3e-9)]).records

    assert records is not None
    assert records.as_found is not None
    assert math.isclose(records.as_found.offset, 8e-9, abs_tol=1e-10)


def test_the_tool_and_its_pull_outlive_another_nominal() -> None:
    """The tool is still on the trimmer, with the same fractional pull."""
    earlier = EarlierRuns(
        runs=(7,), utc_s=START_UTC_S - 60, samples=((6e-9, 1e-10),), tool_on=True, nominal=TEN_MHZ
    )
    run = pipeline(TEN_MHZ, earlier)
    run.connect(connected(TEN_MHZ))
    feed(run, TEN_MHZ, [(20, 8e-9)])
    run.connect(connected(OTHER))
    trim = feed(run, OTHER, [(20, 8e-9)]).trim

    assert trim is not None
    assert trim.tool.on
    assert trim.tool.pull is not None
    assert math.isclose(trim.tool.pull.size, 6e-9)


def test_a_run_of_another_nominal_leaves_no_record_in_view() -> None:
    """No nominal was typed, and the counter reads 5 MHz instead of 10 MHz: that is noted."""
    found = feed_found()
    turn = Nudge(-30.0, -5e-9, 1e-11)
    earlier = EarlierRuns(
        runs=(7,), utc_s=START_UTC_S - 60, records=found, turn=turn, nominal=TEN_MHZ
    )
    run = pipeline(None, earlier)
    before = run.snapshot
    run.connect(connected(FIVE_MHZ))

    assert before.records == found
    assert run.snapshot.records is None
    assert [one.text for one in run.snapshot.logged_events or ()][-1] == (
        "nominal 5 MHz; what is on record was held against 10 MHz"
    )


def feed_found() -> Records:
    """Return the records of a run with as found."""
    run = pipeline(TEN_MHZ)
    run.connect(connected(TEN_MHZ))
    found = feed(run, TEN_MHZ, [(TURN_AT, 8e-9), (40, 3e-9)]).records
    assert found is not None
    return found
