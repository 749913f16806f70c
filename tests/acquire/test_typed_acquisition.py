"""Typed readings: accepted or refused at once, dated when typed, and never a gap."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from itertools import pairwise

import pytest
from acquisition_kit import TEN_MHZ, EventRecorder
from hypothesis import given
from hypothesis import strategies as st
from load_kit import LONGEST_WAIT_S

from benchwatch.acquire import TypedAcquisition, TypedInput, typed_acquisition
from benchwatch.acquire.typed_input import WholeLines
from benchwatch.clock import SystemClock
from benchwatch.counter import Setup
from benchwatch.errors import (
    BenchwatchError,
    FewerDigits,
    FileError,
    InputEnded,
    NoReadings,
    QuantityError,
)
from benchwatch.reading import TYPED


class LaterClock(SystemClock):
    """The computer's clock, set ahead by so much."""

    ahead_s = 0.0

    def monotonic(self) -> float:
        """Return seconds that are set ahead."""
        return super().monotonic() + self.ahead_s


class Typing:
    """Typed readings under test, with all that came of them."""

    def __init__(
        self,
        *,
        nominal: Decimal | None = TEN_MHZ,
        gate_s: float | None = None,
        source: TypedInput | None = None,
    ) -> None:
        self.clock = LaterClock()
        self.recorder = EventRecorder(enough=10**9)
        self.ended: list[BenchwatchError] = []
        self.thread = TypedAcquisition(
            name="main",
            setup=Setup(gate_s=gate_s),
            nominal=nominal,
            on_event=self.recorder.take,
            on_status=self.recorder.on_status,
            on_failure=self.ended.append,
            clock=self.clock,
            origin_s=self.clock.monotonic(),
            source=source,
        )

    @property
    def texts(self) -> list[str]:
        """The readings as they are written in the journal."""
        return [reading.text for reading in self.recorder.readings]


@pytest.fixture(scope="module", autouse=True)
def _patient() -> Iterator[None]:
    """Let each reading be there once it is entered, also on a busy computer."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(typed_acquisition, "TAKEN_S", LONGEST_WAIT_S)
        yield


@contextmanager
def typing(*, nominal: Decimal | None = TEN_MHZ, gate_s: float | None = None) -> Iterator[Typing]:
    """Run a typed acquisition until the context is left."""
    made = Typing(nominal=nominal, gate_s=gate_s)
    made.thread.start()
    yield made
    made.thread.stop()
    made.thread.join(LONGEST_WAIT_S)
    assert not made.thread.is_alive()


def piped(data: bytes) -> tuple[Typing, list[str]]:
    """Type the bytes of a file; return what came of them, and what was said."""
    there, here = os.pipe()
    os.write(here, data)
    os.close(here)
    said: list[str] = []
    made = Typing(source=TypedInput(there, say=said.append, prompt=said.append))
    made.thread.start()
    made.thread.join(LONGEST_WAIT_S)
    os.close(there)
    return made, said


def test_a_typed_reading_is_there_once_it_is_entered() -> None:
    """Exact, flagged, with the last digit typed as its resolution."""
    with typing() as now:
        now.thread.enter("10 000 000,090")

        reading = now.recorder.readings[0]
    assert reading.text == "10000000.090"
    assert reading.offset_hz == 0.09
    assert reading.resolution_hz == pytest.approx(1e-3)
    assert reading.flags == {TYPED}
    assert reading.gate_s is None


def test_a_wrong_line_leaves_no_trace() -> None:
    """It is refused with a sentence, and the next one is taken."""
    with typing() as now:
        with pytest.raises(QuantityError, match="is a digit missing"):
            now.thread.enter("1000000.09")
        now.thread.enter("10000000.09")

        assert now.texts == ["10000000.09"]


def test_a_long_pause_is_no_gap() -> None:
    """Hours between two readings: both stand at their times, and nothing is missing."""
    with typing() as now:
        now.thread.enter("10000000.09")
        now.clock.ahead_s = 7200.0
        now.thread.enter("10000000.10")

        first, second = now.recorder.readings
    assert second.elapsed_s - first.elapsed_s == pytest.approx(7200.0, abs=LONGEST_WAIT_S)
    assert not now.recorder.gaps
    assert now.recorder.states == ["reading", "ended"]


def test_the_first_line_sets_the_nominal() -> None:
    """The round number near it; the next lines are judged by that."""
    with typing(nominal=None) as now:
        now.thread.enter("5000000,10")
        with pytest.raises(
            QuantityError,
            match=r"the nominal of 5 MHz that the first reading gave.* or set the nominal",
        ):
            now.thread.enter("10000000.09")

        assert now.recorder.connections[-1].nominal == Decimal(5_000_000)


def test_another_nominal_counts_from_the_next_line_on() -> None:
    """As where the first line was wrong by a digit."""
    with typing(nominal=None) as now:
        now.thread.enter("1000000.09")
        now.thread.set_nominal(TEN_MHZ)
        now.thread.enter("10000000.09")

        assert now.recorder.readings[-1].offset_hz == 0.09


def test_the_gate_is_the_one_that_was_stated() -> None:
    """Half of it before the moment of typing; a gate stated later counts from then on."""
    with typing(gate_s=10.0) as now:
        now.clock.ahead_s = 60.0
        now.thread.enter("10000000.09")
        now.thread.request(Setup(gate_s=1.0))
        now.thread.enter("10000000.10")

        first, second = now.recorder.readings
    assert first.gate_s == 10.0
    assert first.elapsed_s == pytest.approx(55.0, abs=LONGEST_WAIT_S)
    assert second.gate_s == 1.0


def test_a_gate_that_can_not_be_right_is_taken_as_unknown() -> None:
    """Readings typed faster than the stated gate gives any are noted once."""
    with typing(gate_s=100.0) as now:
        for _ in range(7):
            now.thread.enter("10000000.09")

    assert [mark.text.partition(":")[0] for mark in now.recorder.marks] == [
        "readings are typed faster than a gate of 1 min 40 s gives them"
    ]
    assert now.recorder.readings[-1].gate_s is None
    assert now.recorder.connections[-1].gate_s is None


@pytest.mark.parametrize(
    ("whole", "cut"),
    [
        ("10000000.09", "10000000"),
        ("10000000.091", "10000000.0"),
        ("9.99999912 MHz", "9.999999 MHz"),
    ],
)
def test_a_number_that_may_be_cut_is_asked_for_again(whole: str, cut: str) -> None:
    """Once: the same line again is what the counter shows, and so are others like it from then."""
    with typing() as now:
        now.thread.enter(whole)
        with pytest.raises(FewerDigits, match=f"'{cut}' ends 2 digits before the newest readings"):
            now.thread.enter(cut)
        before = len(now.texts)
        now.thread.enter(cut)
        now.thread.enter(cut)

        assert before == 1
        assert len(now.texts) == 3


def test_a_cut_number_is_asked_for_each_time_that_a_whole_one_was_typed() -> None:
    """What was asked about is forgotten with the next reading; another cut one is asked for."""
    with typing() as now:
        now.thread.enter("10000000.09")
        for cut, whole in (("10000000", "10000000.10"), ("10000000", "10000000.11")):
            with pytest.raises(FewerDigits):
                now.thread.enter(cut)
            with pytest.raises(FewerDigits):
                now.thread.enter("10000001")
            now.thread.enter(whole)

        assert now.texts == ["10000000.09", "10000000.10", "10000000.11"]


def test_a_gate_or_a_nominal_that_is_stated_makes_any_digits_usual() -> None:
    """A counter shows fewer digits with a shorter gate."""
    with typing(gate_s=10.0) as now:
        now.thread.enter("10000000.091")
        now.thread.request(Setup(gate_s=0.1))
        now.thread.enter("10000000.1")
        now.thread.set_nominal(TEN_MHZ)
        now.thread.enter("1000000e1")

        assert len(now.texts) == 3


@given(
    numbers=st.lists(
        st.decimals(9_999_999, 10_000_001, places=4).flatmap(
            lambda value: st.integers(0, 4).map(lambda places: f"{value:.{places}f}")
        ),
        max_size=6,
    )
)
def test_every_line_is_taken_at_the_second_time_at_the_latest(numbers: list[str]) -> None:
    """However the number of decimals changes; nothing is taken twice, and nothing lost."""
    with typing() as now:
        for number in numbers:
            try:
                now.thread.enter(number)
            except FewerDigits:
                now.thread.enter(number)

        assert [float(text) for text in now.texts] == [float(number) for number in numbers]


def test_the_lines_of_a_file_are_readings() -> None:
    """Whatever ends them; blank lines are passed over, and q ends the run."""
    made, said = piped(b"10000000.09\n\n10 000 000,10\r\n10000000.11\rq\n10000000.12\n")

    assert made.texts == ["10000000.09", "10000000.10", "10000000.11"]
    assert [type(error) for error in made.ended] == [InputEnded]
    assert said == []


def test_wrong_lines_of_a_file_are_named_and_the_run_goes_on() -> None:
    """With their numbers; the end says how many they were, as an error of the file."""
    made, said = piped(b"10000000.09\nhello\n\x1b[2J\n\xff\xfe\n10000000.10\n\x00\n10000000.1")

    assert made.texts == ["10000000.09", "10000000.10"]
    assert [line.partition(":")[0] for line in said] == [
        f"line {number} was not used" for number in (2, 3, 4, 6, 7)
    ]
    assert all(line.isprintable() for line in said)
    assert "has no end" in said[-1]
    assert isinstance(made.ended[0], FileError)
    assert str(made.ended[0]) == "standard input has ended. 5 of 7 lines could not be used."


def test_lines_of_a_file_that_may_be_cut_are_taken_and_said_once() -> None:
    """Nobody can be asked: they have the resolution of their last digit, and are no error."""
    made, said = piped(b"10000000.09\n10000000\n10000000.10\n10000000.11\n10000000\n")

    assert made.texts == ["10000000.09", "10000000", "10000000.10", "10000000.11", "10000000"]
    assert [reading.resolution_hz for reading in made.recorder.readings][1::3] == [1.0, 1.0]
    assert [type(error) for error in made.ended] == [InputEnded]
    assert [line.partition(":")[0] for line in said] == [
        "line 2 ends two or more digits before the lines above it"
    ]


def test_a_file_without_readings_ends_with_that() -> None:
    """An empty one, and one of wrong lines only, which are named up to a number."""
    empty, _ = piped(b"")
    wrong, said = piped(b"x\n" * 1000)

    assert isinstance(empty.ended[0], NoReadings)
    assert isinstance(wrong.ended[0], NoReadings)
    assert len(said) == 21


@given(
    lines=st.lists(st.sampled_from([b"10000000.09", b"10000000,10", b"x", b"", b"1" * 9000])),
    ends=st.sampled_from([b"\n", b"\r\n", b"\r"]),
    cuts=st.lists(st.integers(0, 200), max_size=8),
)
def test_lines_are_the_same_however_the_input_is_cut(
    lines: list[bytes], ends: bytes, cuts: list[int]
) -> None:
    """A piece of input may end anywhere, also between CR and LF."""
    data = b"".join(line + ends for line in lines)
    places = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    cutter = WholeLines()

    found = [line for start, end in pairwise(places) for line in cutter.feed(data[start:end])]

    assert [line for line in found if line] == [line.decode()[:1000] for line in lines if line]
    assert len(found) == len(lines)
    assert not cutter.is_cut
