"""The dial of a simulated synthesizer, and the keys of comparisons and of a later start."""

import statistics
from decimal import Decimal

import pytest
from load_kit import wait_until
from simulated_kit import a_client, a_counting, port_of

from benchwatch.errors import UsageError
from benchwatch.quantity import parse_fraction, parse_frequency, parse_settle
from benchwatch_simulators.bench.simulated_bench import ServedBench, open_bench
from benchwatch_simulators.bench.simulated_bench_file import read_plan
from benchwatch_simulators.bench_time import LeapClock, ManualClock
from benchwatch_simulators.oscillator.dial import DialMiss, DialSpec
from benchwatch_simulators.oscillator.oscillator import Oscillator, OscillatorSpec

DIAL = DialSpec(lowest_hz=Decimal(100_000), highest_hz=Decimal(160_000_000))
MISSING = DialSpec(
    lowest_hz=Decimal(100_000),
    highest_hz=Decimal(160_000_000),
    decade_hz=Decimal(100_000),
    miss=DialMiss(hertz=0.25),
)
MHZ = Decimal(1_000_000)

SYNTH = """
proof = [["one", "two"]]
[oscillators.synth]
nominal = "10 MHz"
landing = "30 ppb"
checks = ["1 MHz", "100 MHz"]
[oscillators.synth.dial]
lowest = "100 kHz"
highest = "160 MHz"
[counters.one]
oscillator = "synth"
[counters.two]
oscillator = "synth"
checks = ["50 MHz"]
"""


def served(text, **options):
    """Serve the bench described by `text`, by default on a clock that leaps."""
    clock = options.pop("clock", None) or LeapClock()
    return ServedBench(read_plan(text, "b", "b.toml"), port=0, seed=1, clock=clock, **options)


# ------------------------------------------------------------------ the dial


def test_the_output_follows_the_dial():
    """At every setting the output is the setting with the fractional offset of the time base."""
    synth = Oscillator(OscillatorSpec(landing=3e-8, dial=DIAL), 1)
    outputs = []
    for at_s, setting in ((10.0, 1 * MHZ), (20.0, 100 * MHZ)):
        synth.dial(at_s, setting)
        outputs.append(synth.mean_output(at_s, at_s + 1.0))

    assert [one.setting_hz for one in outputs] == [1 * MHZ, 100 * MHZ]
    assert [one.offset for one in outputs] == pytest.approx([3e-8, 3e-8], rel=1e-12)


@pytest.mark.parametrize(
    ("miss", "setting", "missed"),
    [
        (DialMiss(hertz=0.25), "12.5 MHz", 0.25 / 12.5e6),
        (DialMiss(fraction=-2e-8), "12.5 MHz", -2e-8),
        (DialMiss(hertz=0.25), "900 kHz", 0.25 / 9e5),
        (DialMiss(hertz=0.25), "50 MHz", 0.0),
        (DialMiss(hertz=0.25), "12.05 MHz", 0.0),
    ],
)
def test_a_decade_misses_where_its_digit_is_not_0(miss, setting, missed):
    """The 100 kHz decade has a 5, a 9, and in the last two rows a 0."""
    dial = DialSpec(
        lowest_hz=Decimal(1), highest_hz=200 * MHZ, decade_hz=Decimal(100_000), miss=miss
    )

    assert dial.miss_at(parse_frequency(setting)) == pytest.approx(missed, rel=1e-12, abs=0)


def test_truth_is_of_the_setting():
    """Dialled to where its decade misses, the true offset holds the miss."""
    synth = Oscillator(OscillatorSpec(landing=3e-8, dial=MISSING), 1)
    before = synth.truth(5.0)
    synth.dial(10.0, Decimal(12_500_000))

    assert before == pytest.approx(3e-8, rel=1e-12)
    assert synth.truth(11.0) == pytest.approx(3e-8 + 2e-8, rel=1e-12)


def test_a_gate_in_which_the_dial_is_turned_reads_the_mean():
    """Three quarters of a second at 10 MHz and one at 20 MHz are 12.5 million cycles."""
    counting = a_counting(OscillatorSpec(dial=DIAL), t_res_s=1e-13)
    counting.signal.dial(1.75, 20 * MHZ)

    reading = counting.count(1.0, 1.0)

    assert float(reading) == pytest.approx(12.5e6, abs=1e-4)


def test_a_free_counter_shows_the_setting_it_saw():
    """A counter without gates averages 10 ms, and keeps its measurement with its setting."""
    counting = a_counting(OscillatorSpec(dial=DIAL), t_res_s=1e-13)
    counting.count(0.995, 0.0)
    counting.signal.dial(1.0, 100 * MHZ)

    held, later = counting.count(1.001, 0.0), counting.count(1.02, 0.0)

    assert float(held) == pytest.approx(10e6, rel=1e-9)
    assert float(later) == pytest.approx(100e6, rel=1e-9)


def test_too_high_a_setting_is_over_range():
    """A counter to 50 MHz reads overrange at 100 MHz, and is back with the dial."""
    counting = a_counting(OscillatorSpec(dial=DIAL), maximum_hz=50 * MHZ)
    counting.signal.dial(1.0, 100 * MHZ)
    over = counting.count(2.0, 1.0)
    counting.signal.dial(4.0, 10 * MHZ)

    assert over == Decimal("Infinity")
    assert float(counting.count(5.0, 1.0)) == pytest.approx(10e6, rel=1e-9)


def test_pulses_divided_for_the_nominal_run_away_elsewhere():
    """Dialled 1 % high, a clock that the output drives gains 10 ms a second."""
    counting = a_counting(OscillatorSpec(dial=DIAL))
    counting.signal.dial(1.0, Decimal(10_100_000))

    assert counting.gained(0.0, 1.0) == pytest.approx(0.0, abs=1e-12)
    assert counting.gained(1.0, 2.0) == pytest.approx(0.01, rel=1e-9)


@pytest.mark.parametrize(
    ("dialect", "query"), [("scpi", "READ?"), ("terse", "T"), ("talk-only", None)]
)
def test_every_dialect_counts_the_dialled_frequency(dialect, query):
    """Whole gates after the dial was turned read 100 MHz with 30 ppb: 3 Hz."""
    clock = LeapClock() if query else ManualClock()
    with (
        served(f'{SYNTH}dialect = "{dialect}"\ngate = "0.1 s"', clock=clock) as bench,
        a_client(port_of(bench, "two")) as client,
    ):
        bench.dial("two", 100 * MHZ)
        if query:
            answers = [client.ask(query) for _ in range(3)]
        else:
            assert clock.until_waiting()
            clock.advance(0.1)
            answers = [client.receive()]

    read = [float(answer.removeprefix("F").strip()) for answer in answers]
    assert read[-1] == pytest.approx(100e6 + 3.0, abs=0.2)


def test_dial_read_and_miss_over_sockets():
    """Two counters on one synthesizer follow its dial; 12.5 MHz misses by 0.25 Hz, 20 ppb."""
    with (
        open_bench("decade", seed=4, clock=LeapClock()) as bench,
        a_client(bench.control_port) as hand,
        a_client(port_of(bench, "synth")) as client,
    ):
        offsets = {}
        for setting in ("10MHz", *bench.checks["synth"]):
            assert hand.ask(f"dial {setting} synth") == "ok"
            hertz = float(parse_frequency(setting))
            client.ask("READ?")
            read = statistics.mean(float(client.ask("READ?")) for _ in range(20))
            offsets[setting] = read / hertz - 1.0
        truth = float(hand.ask("truth"))

    foretold = offsets.pop("10MHz")
    missed = {setting: offset - foretold for setting, offset in offsets.items()}
    assert truth == pytest.approx(-3e-9 + 2e-8, abs=1e-11)
    assert missed.pop("12.5 MHz") == pytest.approx(2e-8, abs=3e-10)
    assert list(missed) == ["1 MHz", "50 MHz", "100 MHz"]
    assert list(missed.values()) == pytest.approx([0.0] * 3, abs=3e-10)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (
            "dial 200MHz one",
            "the unit on 'one': 200 MHz can't be dialled: the dial goes from 100 k",
        ),
        ("dial 50kHz one", "50 kHz can't be dialled: the dial goes from 100 kHz to 160 MHz"),
        ("dial 1000000.5Hz two", "the dial goes in steps of 1 Hz"),
        ("dial 10 two", "10"),
        ("dial -10MHz two", "must be above zero"),
        ("dial", "expected: dial FREQUENCY"),
        ("dial 10MHz", "the counters are one, two"),
        ("dial 10MHz tow", "no counter 'tow'; did you mean 'two'"),
    ],
)
def test_a_setting_that_the_dial_has_not_is_refused(line, expected):
    """Each refusal is a sentence, and the output stays as it was."""
    with served(SYNTH) as bench, a_client(bench.control_port) as hand:
        answer = hand.ask(line)

        assert answer.startswith("error: ")
        assert expected in answer
        assert hand.ask("dial 10 MHz two") == "ok"


def test_a_unit_without_a_dial_says_so():
    """The sentence says what its output is instead."""
    with (
        open_bench("quiet") as bench,
        pytest.raises(UsageError, match="on 'main': it has no dial: its output is 10 MHz at all"),
    ):
        bench.dial("main", 20 * MHZ)


# ------------------------------------------------------------------ checks, proof, a later start


def test_a_bench_says_what_to_check_and_what_to_compare():
    """A counter has the checks of its oscillator unless it has its own; proof is of the bench."""
    with served(SYNTH) as bench:
        assert bench.checks == {"one": ("1 MHz", "100 MHz"), "two": ("50 MHz",)}
        assert bench.proof == (("one", "two"),)
    with open_bench("quiet") as bench:
        assert (bench.checks, bench.proof) == ({"main": ()}, ())


def test_five_units_warm_up_each_in_its_own_way():
    """After two minutes four are inside the tolerance and one needs trimming, which brings it in.

    The slow one still moves by more than the limit when the quick one has settled.
    """
    with open_bench("five", seed=1, clock=ManualClock()) as bench:
        limit, span_s = parse_settle(bench.settle)
        tolerance = parse_fraction(bench.tolerance)
        bench.clock.advance(40.0)
        moved = {name: bench.truth(name) for name in bench.names}
        bench.clock.advance(span_s)
        moved = {name: abs(bench.truth(name) - before) for name, before in moved.items()}
        bench.clock.advance(60.0)
        outside = [name for name in bench.names if abs(bench.truth(name)) > tolerance]
        for _ in range(5):
            bench.turn("spare", -0.1)
        bench.clock.advance(30.0)
        trimmed = bench.truth("synth")

    assert moved["ten"] < limit < moved["five"]
    assert outside == ["synth", "spare"]
    assert abs(trimmed) < tolerance
    assert bench.proof == (("synth", "spare"),)
    assert {name: len(checks) for name, checks in bench.checks.items() if checks} == {
        "synth": 4, "spare": 4,
    }  # fmt: skip


def test_one_of_five_counts_by_its_own_time_base():
    """Its reading is inside the tolerance, and 3 ppb lower than its unit is."""
    with open_bench("five", seed=1, clock=LeapClock()) as bench:
        bench.clock.advance(90.0)
        sources, offsets = {}, {}
        for name in bench.names:
            nominal = float(parse_frequency(bench.nominals[name]))
            with a_client(port_of(bench, name)) as client:
                sources[name] = client.ask("ROSC:SOUR?")
                read = statistics.mean(float(client.ask("READ?")) for _ in range(40))
                offsets[name] = read / nominal - 1.0
        truth = bench.truth("field")

    assert [name for name, source in sources.items() if source == "INT"] == ["field"]
    assert offsets["field"] - truth == pytest.approx(-3e-9, abs=3e-10)
    assert abs(offsets["field"]) < parse_fraction(bench.tolerance)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('"1 MHz", ', '"1 GHz", ', "b.toml: counters.one: checks: 1 GHz can't be dialled"),
        ('["50 MHz"]', "[]", r"counters.two.checks: expected a list of frequencies"),
        ('["50 MHz"]', '["50 ppb"]', r"counters.two.checks: .*50 ppb"),
        ('"100 kHz"', '"20 MHz"', r"oscillators.synth.dial: its nominal 10 MHz can't be dialled"),
        ('lowest = "100 kHz"', "", r'oscillators.synth.dial: the key "lowest" is missing'),
        ("lowest =", 'decade = "1 MHz"\nlowest =', "synth.dial: give decade and miss both"),
        ("lowest =", 'decade = "2 MHz"\nlowest =', "decade: expected a decade of the dial"),
        ("lowest =", "miss = 3\nlowest =", "miss: expected a fraction or hertz in quotes"),
        ('["one", "two"]', '["one", "tow"]', "there is no counter 'tow'; did you mean 'two'"),
        ('["one", "two"]', '["one"]', "proof: a comparison needs two counters or more"),
        ('["one", "two"]', '["one", "one"]', "proof: a comparison needs two counters or more"),
        ('[["one", "two"]]', '"one"', "proof: expected a list of lists"),
        ('checks = ["50', 'switched_on = 5\nchecks = ["50', "switched_on: expected a duration"),
    ],
)  # fmt: skip
def test_mistakes_in_the_keys_are_sentences(old, new, expected):
    """Each names the file and the key."""
    assert old in SYNTH
    with pytest.raises(UsageError, match=expected):
        read_plan(SYNTH.replace(old, new), "b", "b.toml")


def test_counters_on_two_oscillators_are_no_comparison():
    """The sentence names them."""
    text = f'{SYNTH}[oscillators.five]\nnominal = "5 MHz"\n[counters.three]\noscillator = "five"\n'
    with pytest.raises(UsageError, match="proof: one, three are not on one oscillator"):
        read_plan(text.replace('["one", "two"]', '["one", "three"]'), "b", "b.toml")


def test_checks_without_a_dial_are_refused():
    """The sentence says which table is missing."""
    text = SYNTH.partition("[oscillators.synth.dial]")[0] + '[counters.one]\noscillator = "synth"\n'
    with pytest.raises(UsageError, match=r"no dial: add the table \[oscillators.NAME.dial\]"):
        read_plan(text.replace('proof = [["one", "two"]]', ""), "b", "b.toml")


@pytest.mark.parametrize("miss", ['"20 ppb"', '"-0.25 Hz"', '"0.25 hz"'])
def test_a_miss_is_a_fraction_or_hertz(miss):
    """Hertz may be negative."""
    text = SYNTH.replace("lowest =", f'decade = "1 MHz"\nmiss = {miss}\nlowest =')
    dial = read_plan(text, "b", "b.toml").oscillators["synth"].dial

    expected = {'"20 ppb"': DialMiss(fraction=2e-8), '"-0.25 Hz"': DialMiss(hertz=-0.25)}
    assert dial.miss == expected.get(miss, DialMiss(hertz=0.25))


def test_a_counter_whose_reference_is_not_plugged_in_counts_by_its_own():
    """It reads its time base's 0.2 ppm, until somebody plugs the reference in."""
    with (
        open_bench("compare-own", seed=1, clock=LeapClock()) as bench,
        a_client(port_of(bench, "spare")) as client,
    ):
        own = client.ask("ROSC:SOUR?"), float(client.ask("READ?")) / 1e7 - 1
        bench.plug_reference("spare", True)
        proven = client.ask("ROSC:SOUR?"), float(client.ask("READ?")) / 1e7 - 1

    assert own == ("INT", pytest.approx(37e-9 + 2e-7, abs=2e-9))
    assert proven == ("EXT", pytest.approx(37e-9, abs=2e-9))


def test_what_is_stated_of_the_reference():
    """Its uncertainty, where the file states one above zero."""
    stated = read_plan(f'{SYNTH}[reference]\nuncertainty = "1e-12"', "b", "b.toml")
    silent = read_plan(f"{SYNTH}[reference]", "b", "b.toml")

    assert (stated.reference_u, silent.reference_u) == (1e-12, None)
    with pytest.raises(UsageError, match=r"reference.uncertainty: expected a fraction above zero"):
        read_plan(f'{SYNTH}[reference]\nuncertainty = "0"', "b", "b.toml")


def test_a_counter_is_switched_on_later():
    """Until then nobody answers at its port, and the others do."""
    text = f'{SYNTH}switched_on = "20 s"\n'
    clock = ManualClock()
    with served(text, clock=clock) as bench:
        with a_client(port_of(bench, "one")) as client:
            there = client.ask("*IDN?")
        assert not connects(port_of(bench, "two"))
        assert clock.until_waiting()
        clock.advance(20.0)
        assert wait_until(lambda: connects(port_of(bench, "two")))
        with a_client(port_of(bench, "two")) as client:
            later = client.ask("*IDN?")

    assert there == later == "SIMULATED,BENCH COUNTER,0,1.0"


def connects(port):
    """Return whether the port accepts connections."""
    try:
        with a_client(port):
            return True
    except ConnectionRefusedError:
        return False
