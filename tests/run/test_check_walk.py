"""Tests of what the operator types and presses in the walk through dial settings."""

from decimal import Decimal

import pytest
from pipeline_kit import NOMINAL, StillClock, reading

from benchwatch.acquire import Acquisition
from benchwatch.errors import QuantityError, UsageError
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.run.live_counter import LiveCounter
from benchwatch.run.live_watch import LiveWatch


class DialAcquisition:
    """An acquisition that notes near which settings readings are accepted."""

    def __init__(self) -> None:
        self.dials: list[Decimal | None] = []

    def set_dial(self, setting: Decimal | None) -> None:
        """Note the setting."""
        self.dials.append(setting)


def counter(*checks: float) -> tuple[LiveCounter, DialAcquisition]:
    """Return a counter at 10 MHz with some readings, and its acquisition."""
    plan = Plan(name="main", resource="TCPIP0::127.0.0.1::5025::SOCKET", nominal=NOMINAL,
                checks=checks)  # fmt: skip
    made, acquisition = LiveCounter(Pipeline(plan), StillClock(), 1000.0), DialAcquisition()
    made.acquisition = acquisition  # type: ignore[assignment] # it notes only what is asked
    for number in range(60):
        made.pipeline.take(reading(number, f"10000000.02{number % 3}"))
    return made, acquisition


def test_a_typed_setting_is_opened() -> None:
    """The setting is accepted from now on, and the person is told what to dial, with cautions."""
    made, acquisition = counter()
    made.check("100MHz")
    now = made.snapshot.checks

    assert acquisition.dials == [Decimal(100_000_000)]
    assert now is not None
    assert now.instruction.startswith("Dial the unit to 100 MHz")
    assert "nothing that follows it may be connected" in now.cautions[0]


def test_the_list_is_walked_through() -> None:
    """Without a setting the list is walked through; Enter only says that it is dialled."""
    made, acquisition = counter(100e6, 1e6)
    made.check("")
    first = made.snapshot.checks
    said = made.go_on_checking()

    assert first is not None
    assert "(1 of 2)" in first.instruction
    assert said == "Waiting for readings at 100 MHz (1 of 2)."
    assert acquisition.dials == [Decimal(100_000_000)]


def test_the_partner_on_the_signal_follows_the_walk() -> None:
    """It accepts readings at the setting too, and its state names the counter that checks."""
    plans = [
        Plan(name=name, resource=f"TCPIP0::127.0.0.1::{port}::SOCKET", nominal=NOMINAL)
        for port, name in ((5025, "synth"), (5026, "spare"), (5027, "ten"))
    ]
    watch = LiveWatch(
        plans,
        lines=True,
        clock=StillClock(),
        acquire=Acquisition,
        proof=[("synth", "spare")],
    )
    dials = {}
    for name in watch.names:
        dials[name] = watch.counter(name).acquisition = DialAcquisition()  # type: ignore[assignment] # it notes only what is asked
    watch.counter("synth").check("100MHz")
    walkers = {name: watch.counter(name).pipeline.checks.walked_by() for name in watch.names}

    assert [len(dials[name].dials) for name in watch.names] == [1, 1, 0]
    assert walkers == {"synth": "", "spare": "synth", "ten": ""}


def test_a_unit_is_checked_by_one_counter_at_a_time() -> None:
    """Two walks would dial against each other."""
    made, acquisition = counter(100e6)
    made.pipeline.checks.walked_by = lambda: "spare"

    with pytest.raises(UsageError, match="spare checks this unit now"):
        made.check("")
    assert acquisition.dials == []


def test_stop_ends_the_walk_at_any_time() -> None:
    """Nothing is left to be dialled; the rows stay."""
    made, _ = counter(100e6, 1e6)
    made.check("")
    said, now = made.check("stop"), made.snapshot.checks

    assert said == "the checks are ended"
    assert now is not None
    assert (now.phase, len(now.rows)) == (None, 2)
    assert made.check("stop") == "no check is open"


@pytest.mark.parametrize(
    ("typed", "error", "words"),
    [("", UsageError, "there is no list"), ("10 MHz", UsageError, "is the main setting"),
     ("hundred", QuantityError, "hundred"), ("1e30 Hz", UsageError, "above all that")],
)  # fmt: skip
def test_what_cannot_be_checked_is_said(typed: str, error: type[Exception], words: str) -> None:
    """One sentence says what is wrong, and nothing is opened."""
    made, acquisition = counter()
    with pytest.raises(error, match=words):
        made.check(typed)

    assert acquisition.dials == []
    assert made.snapshot.checks is None


def test_the_nominal_is_not_checked_in_a_list() -> None:
    """The main setting in a list is passed over."""
    made, acquisition = counter(10e6, 1e6)
    made.check("all")

    assert acquisition.dials == [Decimal(1_000_000)]
