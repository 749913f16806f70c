"""What is sent next, against a keeper and a network that do everything they may do.

The journal, the keeper and the network are small models that share no code with the sending: at the
end, when everything works again, the record must hold what the journal holds.
"""
# ruff: noqa: D102 - the methods of the models are named for what may happen

import itertools
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import pytest
from batch_kit import MADE_RUN, UTC_S
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwatch.errors import JournalError
from benchwatch.journal.late_events import LateEvents
from benchwatch.journal.schema import JournalRun
from benchwatch.register.register_entry import RegisterEntry
from benchwatch.relay.answers import Answer, Refusal
from benchwatch.relay.batch import ChainBatch, Question, RunBatch, decode
from benchwatch.relay.station.keeper_questions import NO_ANSWER
from benchwatch.relay.station.transfer import Transfer
from benchwatch.relay.station.transfer_times import LONGEST_LOOK_S, REST_S, SEND_WITHIN_S
from benchwatch.relay.station.unsent_events import CanNotBeSent

MOST = 3
"""Events of a batch, few so that runs take many."""


@dataclass
class MadeJournal:
    """Runs with marks whose numbers have holes, one chain, and who writes them."""

    runs: dict[int, JournalRun] = field(default_factory=dict)
    marks: dict[int, dict[int, str]] = field(default_factory=dict)
    own: tuple[int, ...] = ()
    holes: dict[int, list[int]] = field(default_factory=dict)
    late: dict[int, LateEvents] = field(default_factory=dict)
    entries: int = 0
    number: int = 0
    damaged: set[int] = field(default_factory=set)
    away: set[int] = field(default_factory=set)
    broken: bool = False

    def begin(self) -> None:
        key = len(self.runs) + 1
        self.runs[key] = replace(MADE_RUN, key=key)
        self.marks[key], self.holes[key] = {}, []
        self.own = (*self.own, key)

    def write(self, which: int) -> None:
        key = self.own[which % len(self.own)]
        self.number += 2
        self.marks[key][self.number] = f"mark {self.number}"
        self.holes[key].append(self.number - 1)

    def end(self, which: int) -> None:
        key = self.own[which % len(self.own)]
        self.runs[key] = replace(self.runs[key], ended_utc_s=UTC_S, end_reason="stopped")

    def change_row(self, which: int) -> None:
        key = self.own[which % len(self.own)]
        self.runs[key] = replace(self.runs[key], identity=f"counter {which}")

    def add_late(self, which: int) -> None:
        holes = [(key, number) for key, some in self.holes.items() for number in some]
        if holes:
            key, number = holes[which % len(holes)]
            self.holes[key].remove(number)
            self.marks[key][number] = f"late {number}"
            before = self.late.get(key, LateEvents(number, 0))
            self.late[key] = LateEvents(min(number, before.first), before.changes + 1)

    # What `Transfer` asks.

    def refresh(self) -> None:
        if self.broken:
            raise JournalError("the journal is away.")

    def earlier_runs(self, own: Collection[int], known: Collection[int | str]) -> list[int]:
        return [key for key in self.runs if key not in {*own, *known, *self.away}]

    def batch(self, key: int, after: int) -> tuple[RunBatch, bool] | None:
        if key in self.damaged:
            raise CanNotBeSent(f"run {key} is damaged")
        if key in self.away:
            return None
        rows = [(n, UTC_S, 0.0, text) for n, text in sorted(self.marks[key].items()) if n > after]
        to = rows[:MOST][-1][0] if rows else after
        return RunBatch(self.runs[key], after, to, marks=rows[:MOST]), len(rows) > MOST

    def count(self, key: int, after: int) -> tuple[int, float | None]:
        return sum(number > after for number in self.marks[key]), UTC_S

    def late_events(self) -> Mapping[int, LateEvents]:
        return dict(self.late)

    def forget_late_events(self, key: int, known: LateEvents) -> None:
        if self.late.get(key) == known:
            del self.late[key]


class MadeRegister:
    """The chain ``c`` of a journal."""

    def __init__(self, journal: MadeJournal) -> None:
        self._journal, self._seen = journal, -1
        self.trouble = ""

    @property
    def chains(self) -> Mapping[str, int]:
        return {"c": self._journal.entries} if self._journal.entries else {}

    def refresh(self) -> bool:
        before, self._seen = self._seen, self._journal.entries
        return before != self._seen

    def in_record(self, _chain: str, number: int, _last_hash: str) -> bool:
        return number > self._journal.entries

    def batch(self, chain: str, after: int) -> ChainBatch | None:
        last = min(after + MOST, self._journal.entries)
        entries = tuple(
            RegisterEntry(
                chain=chain, number=number, at="", who="", kind="note", unit=None, visit=None,
                amends=None, document="{}", hash="",
            )
            for number in range(after + 1, last + 1)
        )  # fmt: skip
        return ChainBatch(chain, after, max(last, after), entries)


@dataclass
class MadeRecord:
    """A keeper and its record."""

    marks: dict[int, dict[int, str]] = field(default_factory=dict)
    has: dict[int | str, int] = field(default_factory=dict)
    ended: set[int] = field(default_factory=set)
    rows: dict[int, JournalRun] = field(default_factory=dict)

    def copy(self) -> "MadeRecord":
        marks = {key: dict(some) for key, some in self.marks.items()}
        return MadeRecord(marks, dict(self.has), set(self.ended), dict(self.rows))

    def take(self, payload: bytes) -> Answer:
        """Do as the plan says, and answer."""
        message = decode(payload)
        if isinstance(message, Question):
            return Answer(
                tuple((key, self.has.get(key, 0)) for key in message.runs),
                tuple((chain, self.has.get(chain, 0)) for chain in message.chains),
                ended=tuple(key for key in message.runs if key in self.ended),
            )
        if isinstance(message, ChainBatch):
            if message.after <= self.has.get(message.chain, 0):
                self.has[message.chain] = max(self.has.get(message.chain, 0), message.to)
            return Answer(chains=((message.chain, self.has.get(message.chain, 0)),))
        key = message.run.key
        if message.after > self.has.get(key, 0):
            return Answer(((key, self.has.get(key, 0)),))
        if key not in self.ended or message.run.ended_utc_s is not None:
            self.rows[key] = message.run
        kept = self.marks.setdefault(key, {})
        for number, _, _, text in message.marks:
            kept.setdefault(number, text)
        self.has[key] = max(self.has.get(key, 0), message.to)
        if message.run.ended_utc_s is not None:
            self.ended.add(key)
        ended = (key,) if key in self.ended else ()
        return Answer(
            ((key, self.has[key]),), taken=((key, message.after, message.to),), ended=ended
        )


class World:
    """A station, a network and a keeper, with a clock that is set forward by hand."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.journal = MadeJournal()
        self.record, self.backup = MadeRecord(), MadeRecord()
        self.up: list[bytes] = []
        self.down: list[Answer] = []
        self.journal.begin()
        self.restart(0)

    # What may happen; `which` chooses among what there is.

    def restart(self, _which: int) -> None:
        """Kill the station's program and start it: the runs so far become earlier ones."""
        self.journal.own = ()
        self.journal.begin()
        self.station = Transfer(self.journal, MadeRegister(self.journal), lambda: self.journal.own)
        self.down.clear()
        self.station.connected(self.now_s)

    def write(self, which: int) -> None:
        for _ in range(1 + which % 9):
            self.journal.write(which)
        self.station.woken(self.now_s)

    def end(self, which: int) -> None:
        self.journal.end(which)
        self.station.woken(self.now_s)

    def change_row(self, which: int) -> None:
        self.journal.change_row(which)
        self.station.woken(self.now_s)

    def add_late(self, which: int) -> None:
        self.journal.add_late(which)

    def add_entry(self, which: int) -> None:
        self.journal.entries += 1 + which % 5

    def step(self, which: int) -> None:
        for _ in range(1 + which % 6):
            payload = self.station.step(self.now_s)
            if payload is not None:
                self.up.append(payload)

    def deliver(self, which: int) -> None:
        if self.up:
            payload = self.up.pop(which % len(self.up) if which % 3 else 0)
            self.down.append(self.record.take(payload))

    def deliver_twice(self, which: int) -> None:
        if self.up:
            self.down.append(self.record.take(self.up[which % len(self.up)]))

    def drop(self, which: int) -> None:
        if self.up:
            self.up.pop(which % len(self.up))

    def answer(self, which: int) -> None:
        if self.down:
            answer = self.down.pop(which % len(self.down) if which % 3 else 0)
            self.station.answered(answer, self.now_s)

    def answer_twice(self, which: int) -> None:
        if self.down:
            self.station.answered(self.down[which % len(self.down)], self.now_s)

    def drop_answer(self, which: int) -> None:
        if self.down:
            self.down.pop(which % len(self.down))

    def wait(self, which: int) -> None:
        self.now_s += 0.1 + (which % 40) / 5

    def reconnect(self, _which: int) -> None:
        self.station.lost("the line was cut")
        self.down.clear()
        self.station.connected(self.now_s)

    def keeper_restarts(self, _which: int) -> None:
        self.up.clear()
        self.station.ask_anew(self.now_s)

    def back_up(self, _which: int) -> None:
        self.backup = self.record.copy()

    def restore(self, _which: int) -> None:
        self.record = self.backup.copy()

    # The end.

    def heal(self, within_s: float = 1000.0) -> None:
        """Let everything work until there is nothing left to do, for `within_s`."""
        end_s = self.now_s + within_s
        while self.now_s < end_s:
            payload = self.station.step(self.now_s)
            if payload is not None:
                self.up.append(payload)
            while self.up:
                self.down.append(self.record.take(self.up.pop(0)))
            while self.down:
                self.station.answered(self.down.pop(0), self.now_s)
            if payload is None:
                self.now_s = max(self.station.next_s(self.now_s), self.now_s + 0.01)

    def check(self) -> None:
        marks = {key: some for key, some in self.journal.marks.items() if some}
        assert {key: some for key, some in self.record.marks.items() if some} == marks
        assert self.record.has.get("c", 0) == self.journal.entries
        over = {key for key, run in self.journal.runs.items() if run.ended_utc_s is not None}
        assert over == self.record.ended
        assert self.record.rows == self.journal.runs
        assert not self.journal.late
        assert self.station.is_done
        assert self.station.refused == 0
        assert all(not stream.unsent for stream in self.station.streams.values())


OFTEN = ["write", "step", "step", "step", "deliver", "deliver", "answer", "answer", "wait"]
SELDOM = [
    "restart", "end", "change_row", "add_late", "add_entry", "deliver_twice", "drop",
    "answer_twice", "drop_answer", "reconnect", "keeper_restarts", "back_up", "restore",
]  # fmt: skip
happenings = st.lists(
    st.tuples(st.sampled_from(OFTEN) | st.sampled_from(SELDOM), st.integers(0, 1000)), max_size=120
)


@given(happenings)
@settings(max_examples=150)
def test_the_record_ends_equal_to_the_journal(happened: list[tuple[str, int]]) -> None:
    """Whatever was lost, doubled, late, restarted or set back: in the end all is in the record."""
    world = World()
    for name, which in happened:
        getattr(world, name)(which)
        for key, some in world.record.marks.items():
            assert some.items() <= world.journal.marks[key].items()

    world.heal()

    world.check()


def healed() -> World:
    """Return a world in which one run of some events is in the record."""
    world = World()
    world.write(8)
    world.heal(20.0)
    assert world.station.is_done
    return world


def test_no_answer_makes_it_ask_at_growing_intervals() -> None:
    """While no keeper answers there is one small question at a time, every 3 to 5 s."""
    world = healed()
    world.write(0)
    sent: list[float] = []
    end_s = world.now_s + 60.0
    while world.now_s < end_s:
        payload = world.station.step(world.now_s)
        if payload is not None:
            sent.append(world.now_s)
        world.now_s = max(world.station.next_s(world.now_s), world.now_s + 0.01)

    spacings = [later - before for before, later in itertools.pairwise(sent[1:])]
    assert 10 <= len(sent) <= 22
    assert 2.9 <= min(spacings) <= max(spacings) <= 5.1
    assert max(spacings[-3:]) > 4.8
    assert world.station.why == NO_ANSWER
    world.heal(20.0)
    world.check()
    assert world.station.why == ""


def test_a_lost_batch_of_one_run_is_missed_while_others_are_answered() -> None:
    """A lost batch of one run is sent again, though another run is answered all the time."""
    world = healed()
    world.journal.begin()
    world.heal(20.0)
    quiet, busy = world.journal.own
    world.journal.number += 2
    world.journal.marks[quiet][world.journal.number] = "lost"
    world.station.woken(world.now_s)
    world.now_s += 1.0
    world.step(0)
    world.up.clear()
    for _ in range(6):
        world.journal.number += 2
        world.journal.marks[busy][world.journal.number] = "busy"
        world.station.woken(world.now_s)
        end_s = world.now_s + 1.0
        world.heal(1.0)
        world.now_s = end_s

    assert world.record.marks[quiet] == world.journal.marks[quiet]


def test_a_refused_batch_holds_up_nothing_else() -> None:
    """A refusal is told once, the others go on, and it is tried again after an hour."""
    world = healed()
    first = world.journal.own[0]
    world.station.answered(
        Answer(refused=(Refusal(run=first, after=0, to=4, why="it is \x1b[2Jbad."),)), world.now_s
    )
    world.journal.begin()
    world.write(0)
    world.write(1)
    world.heal(60.0)

    assert world.station.refused == 1
    assert len(world.station.notices) == 1
    assert "refused a batch of run" in world.station.notices[0]
    assert "\x1b" not in world.station.notices[0]
    assert world.record.marks[first] != world.journal.marks[first]
    assert world.record.marks[first + 1] == world.journal.marks[first + 1]
    world.heal(REST_S)
    world.check()
    assert len(world.station.notices) == 1


def test_a_run_that_can_not_be_sent_holds_up_nothing_else() -> None:
    """A damaged run is told once, and the others go on."""
    world = World()
    world.journal.damaged.add(1)
    world.write(3)
    world.heal(60.0)

    assert world.station.notices == [
        "run 1 is damaged. It is tried again in an hour; the others go on."
    ]
    assert world.record.marks[2] == world.journal.marks[2]


def test_an_unreadable_journal_is_an_error_and_no_end() -> None:
    """A journal that is away for a while is an error of the step, after which all goes on."""
    world = World()
    world.write(3)
    world.journal.broken = True
    with pytest.raises(JournalError):
        world.station.step(world.now_s)
    world.journal.broken = False
    world.heal(30.0)

    world.check()


def test_the_journal_is_looked_at_every_two_seconds() -> None:
    """While events come all the time, a run is read at one moment of two seconds each."""
    world = healed()
    reads: list[float] = []
    original = world.journal.batch
    world.journal.batch = lambda key, after: (  # type: ignore[method-assign]
        reads.append(world.now_s) or original(key, after)
    )
    for _ in range(100):
        world.write(0)
        end_s = world.now_s + 0.1
        world.heal(0.1)
        world.now_s = end_s

    assert 4 <= len(set(reads)) <= 7


def test_few_events_are_sent_together_and_read_once() -> None:
    """Without many events a run is read once within the time promised, and never counted."""
    world = healed()
    calls: list[tuple[str, float]] = []
    for name in ("batch", "count"):
        method = getattr(world.journal, name)

        def noted(key: int, after: int, name: str = name, method: Any = method) -> Any:
            calls.append((name, world.now_s))
            return method(key, after)

        setattr(world.journal, name, noted)
    began_s = world.now_s
    for _ in range(600):
        world.journal.write(0)
        end_s = world.now_s + 0.1
        world.heal(0.1)
        world.now_s = end_s

    reads = sorted({at_s for name, at_s in calls if name == "batch"})
    spacings = [later - before for before, later in itertools.pairwise([began_s, *reads])]
    assert 2 <= len(reads) <= 4
    assert max(spacings) <= SEND_WITHIN_S + 0.2
    assert [name for name, _ in calls if name == "count"] == []


def test_nothing_is_done_again_and_again_while_nothing_happens() -> None:
    """In twenty minutes of quiet the thread wakes for its looks and questions, and never spins."""
    world = healed()
    world.now_s += 7.0  # so that no look comes when the keeper is asked anew
    world.station.woken(world.now_s, at_once=True)
    times: list[float] = []
    end_s = world.now_s + 1200.0
    while world.now_s < end_s:
        times.append(world.now_s)
        payload = world.station.step(world.now_s)
        if payload is not None:
            world.station.answered(world.record.take(payload), world.now_s)
        else:
            next_s = world.station.next_s(world.now_s)
            assert next_s > world.now_s
            world.now_s = next_s

    assert len(times) < 3 * 1200 / SEND_WITHIN_S


def test_what_is_unsent_is_known_without_counting() -> None:
    """What is under way, after a run was read to its end, is what the record lacks."""
    world = healed()
    run = world.station.streams[world.journal.own[0]]
    world.journal.write(0)
    world.journal.write(0)
    world.now_s += SEND_WITHIN_S
    payload = world.station.step(world.now_s)
    assert payload is not None
    assert (run.unsent, run.oldest_utc_s) == (2, None)  # marks, which have no reading's time
    world.station.answered(world.record.take(payload), world.now_s)

    assert run.unsent == 0


def test_own_runs_go_first() -> None:
    """With a backlog of earlier runs, what is written now is sent first."""
    world = World()
    for _ in range(9):
        world.write(8)
    world.restart(0)
    world.write(8)
    sent = []
    while len(sent) < 6:
        payload = world.station.step(world.now_s)
        if payload is None:
            world.now_s += 0.1
            continue
        message = decode(payload)
        if isinstance(message, RunBatch):
            sent.append(message.run.key)
        world.station.answered(world.record.take(payload), world.now_s)

    (own,) = world.journal.own
    assert sent[:3] == [own, own, own]
    assert sent[-1] == own - 1


def test_the_end_waits_for_entries_of_the_register_too() -> None:
    """An entry that was written right before the end is sent before the station leaves."""
    world = healed()
    assert world.station.is_own_done
    world.add_entry(0)
    world.station.woken(world.now_s, at_once=True)
    while (payload := world.station.step(world.now_s)) is not None:
        assert not world.station.is_own_done
        world.station.answered(world.record.take(payload), world.now_s)

    assert world.record.has["c"] == world.journal.entries
    assert world.station.is_own_done


def test_a_lost_batch_of_late_events_is_missed() -> None:
    """That the record has all up to a later number says nothing of events that came late."""
    world = healed()
    key = world.journal.own[0]
    world.journal.add_late(0)
    payload = None
    while payload is None or not isinstance(decode(payload), RunBatch):
        payload = world.station.step(world.now_s)
        world.now_s += 0.1
    batch = decode(payload)
    assert isinstance(batch, RunBatch)
    assert batch.after == 0
    world.station.answered(Answer(((key, world.record.has[key]),)), world.now_s)
    world.heal(60.0)

    world.check()


def test_late_events_after_all_that_was_sent_of_an_ended_run() -> None:
    """A run that has ended is read again where a recovery adds events behind the others."""
    world = healed()
    key = world.journal.own[0]
    world.journal.end(0)
    world.restart(0)
    world.heal(20.0)
    last = max(world.journal.marks[key]) + 1
    world.journal.marks[key][last] = "late"
    world.journal.late[key] = LateEvents(last, 1)
    world.heal(30.0)

    world.check()


def test_a_run_that_leaves_the_journal_and_comes_back() -> None:
    """What was archived is unsent no more; what comes back is sent to its end."""
    world = World()
    world.write(8)
    world.write(8)
    key = world.journal.own[0]
    world.journal.end(0)
    world.restart(0)
    while not world.record.marks.get(key):
        payload = world.station.step(world.now_s)
        if payload is not None:
            world.station.answered(world.record.take(payload), world.now_s)
        else:
            world.now_s = max(world.station.next_s(world.now_s), world.now_s + 0.01)
    assert world.record.marks[key] != world.journal.marks[key]
    world.journal.away.add(key)
    world.heal(30.0)
    assert key not in world.station.streams
    assert world.station.is_done
    world.journal.away.clear()
    world.heal(90.0)

    world.check()


def test_an_end_that_a_record_lost_when_it_was_set_back() -> None:
    """A backup has all events and no end: the end is sent again, on the same connection."""
    world = healed()
    world.back_up(0)
    world.end(0)
    world.heal(20.0)
    assert world.record.ended
    world.restore(0)
    assert not world.record.ended
    world.heal(400.0)

    world.check()


def test_what_waits_is_counted_soon_after_a_loss() -> None:
    """A person sees the count then, and not that of the last look, which may be 20 s old."""
    world = healed()
    assert world.station.step(world.now_s) is None
    looked_s = world.station.looked_s
    world.journal.write(0)
    world.journal.write(0)
    world.station.lost("the line was cut")
    world.now_s = world.station.next_s(world.now_s)
    world.station.step(world.now_s)

    assert world.now_s <= looked_s + LONGEST_LOOK_S
    assert sum(one.unsent or 0 for one in world.station.streams.values()) == 2


def test_what_waits_is_counted_soon_where_no_answer_comes() -> None:
    """That a keeper is away is seen when it does not answer; then the count is to be new."""
    world = healed()
    world.write(0)
    began_s = world.now_s
    while world.now_s < began_s + 12.0:
        if world.station.step(world.now_s) is None:
            world.now_s = max(world.station.next_s(world.now_s), world.now_s + 0.01)
        if world.station.why and len(world.journal.marks[world.journal.own[0]]) == 10:
            world.journal.write(0)

    assert sum(one.unsent or 0 for one in world.station.streams.values()) == 2


def test_a_look_that_is_broken_off_is_done_again_soon() -> None:
    """What else it would have found waits no longer than while something is known to be wrong."""
    world = healed()
    original = world.journal.late_events

    def fail_once() -> Mapping[int, LateEvents]:
        world.journal.late_events = original  # type: ignore[method-assign]
        raise JournalError("the journal is locked.")

    world.journal.late_events = fail_once  # type: ignore[method-assign]
    world.now_s = world.station.next_s(world.now_s)
    with pytest.raises(JournalError):
        world.station.step(world.now_s)

    assert world.station.step(world.now_s) is None
    assert world.station.next_s(world.now_s) <= world.now_s + LONGEST_LOOK_S


def test_nothing_is_done_while_the_journal_could_not_be_looked_at() -> None:
    """A journal that is locked at the first look is not taken for one without runs."""
    world = World()
    world.write(8)
    world.journal.broken = True
    with pytest.raises(JournalError):
        world.station.step(world.now_s)
    world.now_s += 0.5
    assert world.station.step(world.now_s) is None
    assert not world.station.is_done
    world.now_s += 5.0
    with pytest.raises(JournalError):  # it is looked at again soon, and not found well by then
        world.station.step(world.now_s)
    world.journal.broken = False
    world.heal(30.0)

    world.check()


def test_a_register_that_can_not_be_read_is_told_once() -> None:
    """Its entries are not in the record, so not everything was sent."""
    world = World()
    register = MadeRegister(world.journal)
    register.trouble = "the register is locked (register.db)."
    world.station = Transfer(world.journal, register, lambda: world.journal.own)
    world.station.connected(world.now_s)
    world.heal(30.0)

    assert world.station.refused == 1
    assert world.station.notices == [
        "the register is locked (register.db): some of its entries are not sent."
    ]
    register.trouble = ""
    world.heal(30.0)
    assert world.station.refused == 0
