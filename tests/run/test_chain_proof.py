"""Live comparison of counters: what they read, late and lost counters, changes, records."""

import json
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from pipeline_kit import NOMINAL, START_UTC_S, StillClock

from benchwatch.acquire import CounterStatus
from benchwatch.counter import Identity, LinkStatus, TimeBase, TimeBaseSource
from benchwatch.errors import UsageError
from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.plan import Plan
from benchwatch.quantity import difference
from benchwatch.reading import INTERNAL_TIMEBASE, OVERRANGE, PROVEN_TIMEBASE, Reading
from benchwatch.report.comparison_words import CHAIN_WORDS
from benchwatch.run.live_watch import LiveWatch
from benchwatch.snapshot import ComparisonNow

REFERENCE = Reference(name="station reference", u=5e-12, ageing_per_s=0.0)


class Still:
    """A fake of the thread that reads a counter; the test feeds it."""

    def __init__(self, **asked):
        self.asked = asked

    def start(self):
        """Do nothing."""

    def stop(self):
        """Do nothing."""

    def join(self, timeout):
        """Do nothing."""


class Bench:
    """A watch of counters whose readings a test feeds."""

    def __init__(self, *names: str, proof=(), lines: bool = True, nominals=None) -> None:
        self.clock = StillClock()
        self.plans = [
            Plan(
                name=name,
                resource=f"TCPIP0::127.0.0.1::{5025 + place}::SOCKET",
                nominal=(nominals or {}).get(name, NOMINAL),
                reference=REFERENCE,
                tolerance=1e-9,
            )
            for place, name in enumerate(names)
        ]
        self.watch = LiveWatch(
            self.plans,
            lines=lines,
            clock=self.clock,
            acquire=Still,
            proof=proof,
            chain_words=CHAIN_WORDS,
        )
        self.threads = {}
        for plan in self.plans:
            counter = self.watch.counter(plan.name)
            counter.acquisition = Still()
        self.at = dict.fromkeys(names, 0)

    def connect(self, name: str, source: TimeBaseSource = "external") -> None:
        """Tell that a counter reads, and by which time base."""
        self.watch.counter(name).pipeline.connect(
            CounterStatus(
                link=LinkStatus("reading", 0.5),
                identity=Identity(text="SIMULATED"),
                time_base=TimeBase(source),
                gate_s=1.0,
                nominal=next(plan.nominal for plan in self.plans if plan.name == name),
            )
        )

    def feed(self, name: str, offsets: FloatArray, *, internal: bool = False, flags=()) -> None:
        """Feed one reading a second."""
        for offset in offsets.tolist():
            text = str(NOMINAL + NOMINAL * Decimal(repr(offset)))
            hertz, fraction = difference(Decimal(text), NOMINAL)
            number = self.at[name]
            self.at[name] += 1
            marked = {INTERNAL_TIMEBASE} if internal else set()
            self.watch._take(
                name,
                Reading(
                    counter=name,
                    utc_s=START_UTC_S + number,
                    elapsed_s=float(number),
                    gate_s=1.0,
                    text=text,
                    frequency_hz=float(text),
                    offset_hz=hertz,
                    offset=fraction,
                    resolution_hz=1e-5,
                    flags=frozenset(marked | set(flags)),
                ),
            )
            self.clock.now_s = 1000.0 + number

    def compared(self, name: str) -> ComparisonNow:
        """Compare, and return the newest comparison of a counter."""
        self.watch.chain.refresh()
        now = self.watch.comparison(name)
        assert now is not None
        return now


def noise(count: int, *, seed: int = 3, level: float = 2e-9) -> FloatArray:
    """Return readings of a steady signal with white noise of 1e-10."""
    return level + np.random.default_rng(seed).normal(0, 1e-10, count)


def two(**changes) -> Bench:
    """Return a bench of two counters that are compared, the second on its own time base."""
    bench = Bench("main", "spare", proof=[("main", "spare")], **changes)
    bench.connect("main")
    bench.connect("spare", "internal")
    return bench


def test_the_time_base_of_the_second_is_found_live() -> None:
    """It is 200 ppb fast, so that it reads as much low."""
    bench = two()
    bench.feed("main", noise(60))
    bench.feed("spare", noise(60, seed=4) - 2e-7, internal=True)

    now = bench.compared("spare")

    assert now.result is not None
    assert now.result.agree is False
    (claim,) = now.result.claims
    assert claim.base.counter == "spare"
    assert claim.base.offset == pytest.approx(2e-7, abs=1e-10)
    assert now.sentences[0].startswith("main and spare disagree: main less spare is +200.0")


def test_the_handbook_values_live() -> None:
    """Three counters fed the SP 1065 generator have the shares that are computed in batch."""
    names = {"main": 1234567890, "spare": 987654321, "rack": 192837465}
    bench = Bench(*names, proof=[tuple(names)])
    scale = 1e-8
    for place, (name, seed) in enumerate(names.items(), start=1):
        values, n = np.empty(1000), seed
        for k in range(1000):
            values[k] = n / 2147483647
            n = 16807 * n % 2147483647
        bench.connect(name, "unknown")
        bench.feed(name, scale * place * (values - values.mean()))

    now = bench.compared("main")

    assert now.result is not None
    shares = now.result.own[:3]
    # the newest moments wait for readings after them
    assert shares[0].terms >= 980
    assert [((one.deviation or 0.0) / scale) ** 2 for one in shares] == pytest.approx(
        [0.0784176404464, 0.378764180093, 0.702182853521], rel=0.05
    )


def test_one_that_comes_late_is_waited_for() -> None:
    """The sentence names it, and it joins when it comes."""
    bench = two()
    bench.feed("main", noise(60))
    waits = bench.compared("main").waits
    bench.at["spare"] = 30
    bench.feed("spare", noise(60, seed=4), internal=True)
    bench.feed("main", noise(40, seed=5))
    now = bench.compared("main")

    assert waits == "waiting for readings of spare"
    assert now.waits == ""
    assert now.result is not None
    assert 40 < now.result.readings <= 60


def test_one_that_drops_out_holds_up_its_own_pairs_only() -> None:
    """Of three, the two others go on being compared, and it joins again when it is back."""
    names = ("main", "spare", "rack")
    bench = Bench(*names, proof=[names])
    for name in names:
        bench.connect(name)
        bench.feed(name, noise(50, seed=len(name)))
    bench.compared("main")
    for name in ("main", "spare"):
        bench.feed(name, noise(200, seed=len(name) + 9))
    now = bench.compared("main")
    assert now.result is not None
    apart = {(pair.first, pair.second): pair.readings for pair in now.result.pairs}
    bench.at["rack"] = 250
    for name in names:
        bench.feed(name, noise(50, seed=len(name) + 19))
    later = bench.compared("main").result

    assert apart["main", "spare"] > 230
    assert apart["main", "rack"] < 50
    assert later is not None
    assert min(pair.readings for pair in later.pairs) > 80


def test_gaps_spikes_and_overrange_are_left_out() -> None:
    """A lone wild reading of one counter does not come into the difference."""
    bench = two()
    wild = noise(80, seed=4)
    wild[40] += 1e-6
    bench.feed("main", noise(80))
    bench.feed("spare", wild)
    bench.feed("spare", np.array([5e-9]), flags=(OVERRANGE,))

    now = bench.compared("main")

    assert now.result is not None
    assert abs(now.result.pairs[0].offset) < 1e-10
    assert now.result.agree is True


def test_a_change_of_time_base_begins_the_comparison_anew() -> None:
    """Readings from before and after are never mixed."""
    bench = two()
    bench.feed("main", noise(60))
    bench.feed("spare", noise(60, seed=4) - 2e-7, internal=True)
    before = bench.compared("main").result
    bench.connect("spare", "external")
    bench.feed("main", noise(40, seed=6))
    bench.feed("spare", noise(40, seed=7))
    after = bench.compared("main").result

    assert before is not None
    assert after is not None
    assert before.agree is False
    assert abs(after.pairs[0].offset) < 2e-10
    assert after.readings < 40
    assert dict(after.time_bases)["spare"] == "external"


def test_an_answer_of_before_a_change_of_time_base_does_not_stay_on_record() -> None:
    """The comparison that began anew goes on record when it stands."""
    bench = two()
    bench.feed("main", noise(60))
    bench.feed("spare", noise(60, seed=4) - 2e-7, internal=True)
    before = bench.compared("main").recorded_text
    bench.connect("spare", "external")
    bench.feed("main", noise(60, seed=6))
    bench.feed("spare", noise(60, seed=9))
    after = bench.compared("main").recorded_text

    assert before.startswith("chain proven: spare's time base is off by +200.0")
    assert after.startswith("chain proven: main and spare agree")


def test_what_is_compared_is_what_they_read() -> None:
    """A correction in use changes the estimate, and not the comparison."""
    bench = two()
    bench.feed("main", noise(60))
    bench.feed("spare", noise(60, seed=4) - 2e-7, internal=True)
    bench.compared("spare")
    said = bench.watch.chain.use("spare")
    bench.feed("main", noise(60, seed=8))
    bench.feed("spare", noise(60, seed=9) - 2e-7, internal=True)
    now = bench.compared("spare")
    snapshot = bench.watch.counter("spare").snapshot

    assert said.startswith("spare is corrected from its next reading on")
    assert now.result is not None
    assert now.result.pairs[0].offset == pytest.approx(2e-7, abs=1e-10)
    assert snapshot.reading is not None
    assert PROVEN_TIMEBASE in snapshot.reading.flags
    assert snapshot.reading.correction == pytest.approx(2e-7, abs=1e-10)
    assert snapshot.reading.offset == pytest.approx(2e-9, abs=1e-9)
    assert snapshot.proof is not None
    assert snapshot.proof.against == "main"
    assert snapshot.numbers.estimate is not None
    assert snapshot.numbers.estimate.readings <= 60


def test_a_record_of_a_corrected_counter_names_the_proof_in_its_budget() -> None:
    """The row has the comparison's u and the reference's; nothing is missing of it."""
    bench = two()
    bench.feed("main", noise(60))
    bench.feed("spare", noise(60, seed=4) - 2e-7, internal=True)
    bench.compared("spare")
    bench.watch.chain.use("spare")
    bench.feed("spare", noise(60, seed=9) - 2e-7, internal=True)
    pipeline = bench.watch.counter("spare").pipeline

    record = pipeline.record("measured", START_UTC_S + 120, 120.0)

    (row,) = [line for line in record.budget.lines if "proven against main" in line.name]
    assert row.u > 5e-12
    assert row.estimate == pytest.approx(2e-7, abs=1e-10)
    assert record.offset == pytest.approx(2e-9, abs=2e-10)
    assert not [text for text in record.budget.missing if "time base" in text]


def test_dropping_the_proof_ends_the_correction() -> None:
    """Readings are as they were; dropping it again is refused with a sentence."""
    bench = two()
    bench.feed("main", noise(60))
    bench.feed("spare", noise(60, seed=4) - 2e-7, internal=True)
    bench.compared("spare")
    bench.watch.chain.use("spare")
    bench.watch.chain.drop("spare")
    bench.feed("spare", noise(3, seed=9) - 2e-7, internal=True)
    reading = bench.watch.counter("spare").snapshot.reading

    assert reading is not None
    assert reading.correction is None
    with pytest.raises(UsageError, match="spare is not corrected by a comparison"):
        bench.watch.chain.drop("spare")


def test_the_reference_counter_can_not_be_corrected_by_the_other() -> None:
    """Nothing is said of its time base."""
    bench = two()
    bench.feed("main", noise(60))
    bench.feed("spare", noise(60, seed=4) - 2e-7, internal=True)
    bench.compared("main")

    with pytest.raises(UsageError, match="how far the time base of main is off"):
        bench.watch.chain.use("main")


def test_the_answer_goes_on_record_once_when_it_stands() -> None:
    """Into the event log of both counters; another one only when asked for."""
    bench = two()
    bench.feed("main", noise(60))
    bench.feed("spare", noise(60, seed=4) - 2e-7, internal=True)
    bench.compared("main")
    bench.compared("main")
    said = bench.watch.chain.record("main")
    events = {
        name: [
            event.text
            for event in bench.watch.counter(name).snapshot.logged_events or ()
            if event.kind == "comparison"
        ]
        for name in ("main", "spare")
    }

    assert said.startswith("on record: chain proven: spare's time base is off by +200.0")
    assert [len(texts) for texts in events.values()] == [2, 2]
    assert bench.watch.comparison("main").recorded_s is not None  # type: ignore[union-attr]


def test_too_few_readings_go_not_on_record() -> None:
    """Neither by itself nor when asked for."""
    bench = two()
    bench.feed("main", noise(11))
    bench.feed("spare", noise(11, seed=4))

    assert bench.compared("main").recorded_s is None
    with pytest.raises(UsageError, match="too few readings yet"):
        bench.watch.chain.record("main")


def test_counters_with_one_nominal_are_offered_and_not_compared() -> None:
    """Nothing is compared before it is said."""
    bench = Bench("main", "spare", "five", nominals={"five": Decimal(5_000_000)})
    for name in ("main", "spare", "five"):
        bench.connect(name)

    assert bench.watch.comparison("main") is None
    assert bench.watch.chain.offered("spare") == ("spare", "main")
    assert bench.watch.chain.offered("five") == ()
    assert bench.watch.chain.prove(("spare", "main")).startswith("comparing main, spare")
    assert bench.watch.comparison("main") is not None


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (("main", "other"), "no counter is called 'other'. There are: main, spare, five"),
        (("main",), "'main' alone can't be compared"),
        (("main", "main"), "named twice"),
        (("main", "five"), "main has a nominal of 10 MHz and five one of 5 MHz"),
    ],
)
def test_what_can_not_be_compared_is_a_sentence(names: tuple[str, ...], words: str) -> None:
    """Unknown names, one alone, one twice, two nominals."""
    bench = Bench("main", "spare", "five", nominals={"five": Decimal(5_000_000)})

    with pytest.raises(UsageError, match=words):
        bench.watch.chain.prove(names)


def test_too_many_counters_are_refused() -> None:
    """Each pair costs time."""
    names = [f"c{k}" for k in range(9)]

    with pytest.raises(UsageError, match="9 counters are too many"):
        Bench(*names).watch.chain.prove(names)


def test_lines_have_new_answers_and_the_last_one() -> None:
    """One when the answer stands, none while it stays, and one at the end."""
    bench = two()
    bench.feed("main", noise(60))
    bench.feed("spare", noise(60, seed=4) - 2e-7, internal=True)
    for _ in range(3):
        bench.watch._tell(bench.watch.chain.refresh())
    bench.watch.stop()
    told = []
    while not bench.watch.events.empty():
        item = bench.watch.events.get()
        told += [item[0]] if item is not None and isinstance(item[0], ComparisonNow) else []

    assert len(told) == 2
    assert all(one.result is not None and one.result.agree is False for one in told)


def test_a_change_of_the_gate_begins_anew_but_not_an_untold_one() -> None:
    """An answer that could not be read changes nothing."""
    bench = two()
    bench.feed("main", noise(60))
    bench.feed("spare", noise(60, seed=4))
    bench.compared("main")
    bench.watch.counter("spare").pipeline.connect(
        CounterStatus(
            link=LinkStatus("reading", 0.5),
            identity=Identity(text="SIMULATED"),
            time_base=TimeBase("unknown"),
            gate_s=None,
            nominal=NOMINAL,
        )
    )
    bench.feed("main", noise(40, seed=5))
    bench.feed("spare", noise(40, seed=6))
    now = bench.compared("main")

    assert now.result is not None
    assert now.result.readings > 80
    assert json.dumps(now.result.as_dict(), allow_nan=False)
    assert replace(now, result=None).counters == ("main", "spare")
