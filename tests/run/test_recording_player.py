"""Playing a recording: the same numbers as live, at any speed, after any seek."""

import random
from decimal import Decimal
from itertools import pairwise

import pytest
from load_kit import LONGEST_WAIT_S

from benchwatch.clock import Clock
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.recording import EventStream, Extent, StatedFacts
from benchwatch.run.recorded_timeline import RecordedTimeline
from benchwatch.run.recording_player import LONGEST_REST_S, LONGEST_WORK_S, SPEEDS, RecordingPlayer

ROWS = 300
BEGIN_S, HOLE_S, STEP = 5000.0, 20.0, -4e-9
HOLE_AT, STEP_AT = 100, 200


class ManualClock:
    """A clock that advances when it is set, or by a little at each read."""

    def __init__(self, a_look_s=0.0):
        self.now_s, self.a_look_s = 50.0, a_look_s

    def monotonic(self):
        """Return the time, after advancing it by the step for each read."""
        self.now_s += self.a_look_s
        return self.now_s

    def utc(self):
        """Fail: it must not be read."""
        raise AssertionError

    def wait(self, event, timeout_s):
        """Fail: the tests call `step`."""
        raise AssertionError


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    """Write a recording without dates: 300 s, a gap, and one turn of the trimmer."""
    random.seed(31)
    lines, offset = ["time_s,frequency_hz"], 6e-9
    for row in range(ROWS):
        offset += STEP if row == STEP_AT else 0.0
        if not HOLE_AT < row <= HOLE_AT + HOLE_S:
            value = 1e7 * (1 + offset + random.gauss(0, 2e-10))
            lines.append(f"{BEGIN_S + row:.1f},{value:.5f}")
    path = tmp_path_factory.mktemp("replaying") / "made.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return str(path)


def timeline_of(file):
    """Return the timeline of the file."""
    stated = StatedFacts(nominal=Decimal(10_000_000))

    def pipeline(outline):
        plan = Plan(
            name="main", resource=file, driver="replay", nominal=outline.nominal, tolerance=1e-9
        )
        return Pipeline(plan)

    def events():
        return EventStream(file, stated, say=lambda _: None)

    return RecordedTimeline(Extent(file, stated), events, pipeline)


def player_of(file, clock: Clock | None = None, speed=1.0):
    """Return a player that moves only by `step`."""
    return RecordingPlayer(timeline_of(file), speed=speed, clock=clock or ManualClock())


def straight(file, to_s):
    """Return the snapshot after all events up to `to_s`, without seeks."""
    way = timeline_of(file).new_pass()
    way.feed(to_s, lambda: False)
    return way.pipelines["main"].snapshot


def settle(player, steps=1000):
    """Step until a seek has finished."""
    for count in range(steps):
        if player.playing.state != "seeking":
            return count
        player.step()
    raise AssertionError("the seek never arrives")


def seek(player, to_s):
    """Seek and wait until it has finished."""
    player.seek(to_s)
    settle(player)


def test_time_counts_from_the_first_row(file):
    """A file that begins at 5000 s is played from 0 to its length."""
    player = player_of(file)

    assert player.elapsed_s() == 0.0
    assert player.playing.length_s == ROWS - 1
    assert player.names == ("main",)


def test_it_plays_at_its_speed(file):
    """Ten seconds at the speed of 5 play fifty seconds, reading by reading."""
    clock = ManualClock()
    player = player_of(file, clock, speed=5.0)
    seen = []
    for _ in range(100):
        clock.now_s += 0.1
        player.step()
        seen.append(player.counter("main").snapshot.readings)

    assert player.elapsed_s() == pytest.approx(50.0)
    assert seen[-1] == 51
    assert max(b - a for a, b in pairwise(seen)) == 1


@pytest.mark.parametrize("to_s", [0.0, 57.3, 110.0, 205.0, 299.0])
def test_after_any_seek_the_numbers_are_those_of_a_straight_run(file, to_s):
    """Ahead, to the end, back, and there: snapshot and chart equal those without seeks."""
    player = player_of(file)
    for through_s in (150.0, 299.0, 20.0, to_s):
        seek(player, through_s)

    assert player.elapsed_s() == to_s
    assert player.counter("main").snapshot.numbers == straight(file, to_s).numbers
    assert player.counter("main").snapshot.link == straight(file, to_s).link
    assert player.counter("main").snapshot.readings == straight(file, to_s).readings


def test_a_seek_is_done_in_pieces(file):
    """With a clock that runs during work, no step works longer than its limit."""
    clock = ManualClock(a_look_s=LONGEST_WORK_S / 3)
    player = player_of(file, clock)
    player.seek(299.0)
    began_s = clock.now_s
    player.step()
    worked_s = clock.now_s - began_s

    assert player.playing.state == "seeking"
    assert player.playing.at_s == 299.0
    assert worked_s < 2.5 * LONGEST_WORK_S
    assert settle(player) > 3


def test_during_a_seek_back_the_old_picture_stays(file):
    """The snapshot changes only when the seek has finished."""
    clock = ManualClock(a_look_s=LONGEST_WORK_S / 3)
    player = player_of(file, clock)
    seek(player, 299.0)
    before = player.counter("main").snapshot
    player.seek(250.0)
    player.step()
    during = player.counter("main").snapshot
    settle(player)

    assert during is before
    assert player.counter("main").snapshot.readings < before.readings


def test_a_seek_can_be_replaced_by_another(file):
    """Back, then to the end before that has finished: the state ahead is kept and continued."""
    clock = ManualClock(a_look_s=LONGEST_WORK_S / 3)
    player = player_of(file, clock)
    seek(player, 280.0)
    player.seek(100.0)
    player.step()
    player.seek(299.0)

    assert settle(player) <= 3
    assert player.counter("main").snapshot.numbers == straight(file, 299.0).numbers


def test_seeks_stop_at_the_ends(file):
    """Before the beginning is the beginning, after the end the end."""
    player = player_of(file)
    seek(player, 1e9)
    end_s = player.elapsed_s()
    seek(player, -5.0)

    assert (player.elapsed_s(), end_s) == (0.0, 299.0)


def test_pause_and_resume(file):
    """Time passes without changing the position, which then continues."""
    clock = ManualClock()
    player = player_of(file, clock)
    player.pause()
    clock.now_s += 30.0
    rest_s = player.step()
    paused = player.playing
    player.pause()
    clock.now_s += 3.0
    player.step()

    assert (paused.state, paused.at_s, rest_s) == ("paused", 0.0, LONGEST_REST_S)
    assert player.playing.state == "playing"
    assert player.elapsed_s() == pytest.approx(3.0)


def test_at_the_end_it_waits_and_begins_again(file):
    """The end is shown; the pause key then plays from the beginning."""
    clock = ManualClock()
    player = player_of(file, clock)
    seek(player, 299.0)
    ended = player.playing.state
    player.pause()
    settle(player)
    clock.now_s += 2.0
    player.step()

    assert ended == "ended"
    assert player.playing.state == "playing"
    assert player.elapsed_s() == pytest.approx(2.0)


def test_speeds_go_up_and_down_in_steps(file):
    """From any speed to the next round one, up to the last."""
    player = player_of(file, speed=42.0)
    seen = []
    for steps in (1, -1, -1, 99, -99):
        player.faster(steps)
        seen.append(player.playing.speed)

    assert seen == [60.0, 20.0, 10.0, SPEEDS[-1], SPEEDS[0]]


def test_an_unreachable_speed_is_played_as_fast_as_possible(file):
    """The position stays with the readings."""
    clock = ManualClock(a_look_s=LONGEST_WORK_S / 3)
    player = player_of(file, clock, speed=1e6)
    player.step()
    snapshot = player.counter("main").snapshot

    assert snapshot.reading.elapsed_s == player.elapsed_s() < 299.0


def test_a_gap_is_silence_on_the_screen(file):
    """During the gap the link is silent with its reason; then it reads again."""
    player = player_of(file)
    seek(player, HOLE_AT + HOLE_S / 2)
    silent = player.counter("main").snapshot
    seek(player, HOLE_AT + HOLE_S + 5)

    assert silent.link.state == "silent"
    assert silent.link.detail
    assert player.counter("main").snapshot.link.state == "reading"
    assert player.counter("main").snapshot.gaps == 1


def test_the_first_turn_keeps_as_found_without_dates(file):
    """A file without dates, replayed over its nudge: as found is kept, its date unknown."""
    player = player_of(file)
    seek(player, STEP_AT + 30.0)
    records = player.counter("main").snapshot.records

    assert records.as_found_automatic
    assert records.as_found.utc_s is None
    assert records.as_found.offset == pytest.approx(6e-9, abs=1e-10)


def test_a_mark_stays_where_it_was_put(file):
    """After a seek it is there again from its time on; the file is unchanged."""
    player = player_of(file)
    seek(player, 50.0)
    player.mark("here")
    seek(player, 10.0)
    before = player.counter("main").snapshot.marks
    seek(player, 60.0)
    (mark,) = player.counter("main").snapshot.marks

    assert before == ()
    assert (mark.text, mark.elapsed_s) == ("here", 50.0)


def test_slow_statistics_are_computed(file):
    """Deviations and the offset elsewhere are there after a seek, as in a live watch."""
    player = player_of(file)
    seek(player, 90.0)
    player.step()
    snapshot = player.counter("main").snapshot

    assert snapshot.stability.readings > 0
    assert snapshot.elsewhere.rows


def test_the_thread_plays_and_ends(file):
    """With the real thread and clock it plays, and stops on request."""
    moved = []

    class Watched(RecordingPlayer):
        def step(self):
            rest_s = super().step()
            moved.append(self.elapsed_s())
            if self.elapsed_s() >= 299.0:
                self.stop()
            return rest_s

    player = Watched(timeline_of(file), speed=10_000.0)
    player.start()
    player._stopping.wait(LONGEST_WAIT_S)

    assert moved == sorted(moved)
    assert moved[-1] == 299.0
