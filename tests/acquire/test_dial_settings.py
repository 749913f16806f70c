"""Tests of readings while the unit may be dialled to another setting."""

from decimal import Decimal

import pytest
from acquisition_kit import TEN_MHZ
from pipeline_kit import START_UTC_S, StillClock

from benchwatch.acquire.reading_loop import GapTracker
from benchwatch.acquire.reading_maker import ReadingMaker
from benchwatch.acquire.typed_acquisition import TypedAcquisition
from benchwatch.counter import Measurement, Setup
from benchwatch.errors import BetweenSettings, QuantityError, ReplyError
from benchwatch.reading import DIALLED, OTHER_DIAL, Gap, Mark, Reading

HUNDRED_MHZ = Decimal(100_000_000)


def maker(dial: Decimal | None = HUNDRED_MHZ) -> ReadingMaker:
    """Return a maker at 10 MHz that accepts another setting too."""
    made = ReadingMaker("main", TEN_MHZ, clock=StillClock(), origin_s=0.0)
    made.set_dial(dial)
    return made


def read(made: ReadingMaker, text: str) -> Reading:
    """Return the reading made of a number."""
    return made.make(Measurement(Decimal(text), resolution_hz=1e-3)).reading


def test_nearer_setting_decides() -> None:
    """A reading is relative to the setting it is near, exactly, and flagged at the other one."""
    made = maker()
    here, there = read(made, "10000000.05"), read(made, "100000000.5")

    assert (here.dial_hz, here.offset) == (None, 5e-9)
    assert (there.dial_hz, there.offset, there.offset_hz) == (1e8, 5e-9, 0.5)
    assert OTHER_DIAL in there.flags
    assert OTHER_DIAL not in here.flags


def test_settings_next_to_each_other() -> None:
    """Two settings closer than a part in 1000 are told apart by the nearer one."""
    made = maker(Decimal(10_001_000))

    assert read(made, "10000100").dial_hz is None
    assert read(made, "10000900").dial_hz == 10_001_000.0


def test_an_earlier_setting_stays_accepted() -> None:
    """Until the unit is dialled on it stands at the setting before; without checks at none."""
    made = maker(Decimal(1_000_000))
    made.set_dial(HUNDRED_MHZ)
    still, there = read(made, "1000000.002"), read(made, "100000000.5")
    made.set_dial(None)

    assert (still.dial_hz, still.offset) == (1e6, 2e-9)
    assert there.dial_hz == 1e8
    with pytest.raises(ReplyError, match="nowhere near"):
        read(made, "1000000.002")


def test_gates_over_the_change_are_no_alarm() -> None:
    """Two values between the settings are those of dialling; a third one is said."""
    made = maker()
    for text in ("55000000", "91000000"):
        with pytest.raises(BetweenSettings):
            read(made, text)

    with pytest.raises(ReplyError, match="reads 70 MHz, neither 10 MHz nor 100 MHz") as raised:
        read(made, "70000000")
    assert not isinstance(raised.value, BetweenSettings)


def test_without_a_check_other_settings_are_implausible() -> None:
    """Once no other setting is accepted, a reading there is refused as ever."""
    with pytest.raises(ReplyError, match="nowhere near the nominal"):
        read(maker(dial=None), "100000000.5")


def test_gap_of_a_check_lasts_from_main_to_main() -> None:
    """The gap that the check leaves names the setting, and holds all the time spent there."""
    made, gaps = maker(), GapTracker()
    assert gaps.close(read(made, "10000000.05")) is None
    gaps.dialled(1e8)
    gap = gaps.close(read(made, "10000000.05"))

    assert gap is not None
    assert gap.reason == f"{DIALLED} 100 MHz"


def test_typed_readings_at_the_other_setting() -> None:
    """A typed line near the other setting is taken while a check is open, and refused before."""
    events: list[Reading | Gap | Mark] = []
    typed = TypedAcquisition(
        name="main", setup=Setup(), nominal=TEN_MHZ, on_event=events.append,
        on_status=lambda _: None, clock=StillClock(), origin_s=START_UTC_S,
    )  # fmt: skip
    with pytest.raises(QuantityError):
        typed.enter("100000000.5")
    typed.set_dial(HUNDRED_MHZ)
    typed.enter("100000000.5")
    typed.stop()
    typed.run()

    assert [event.dial_hz for event in events if isinstance(event, Reading)] == [1e8]
