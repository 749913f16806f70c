"""Simulated benches as a whole: their files, their control ports, their clocks, their readings."""

import itertools
import json
import statistics
import threading

import pytest
from simulated_kit import a_client, port_of

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import parse_fraction, parse_frequency, parse_settle
from benchwatch_simulators.bench.bench_list import what_benches_show
from benchwatch_simulators.bench.simulated_bench import bench_names, open_bench
from benchwatch_simulators.bench.simulated_bench_file import load_plan, own_plans, read_plan
from benchwatch_simulators.bench_time import LeapClock, ManualClock

SMALLEST = """
[oscillators.main]
nominal = "10 MHz"
[counters.main]
oscillator = "main"
"""


def readings(name, count, *, seed=1, counter="main", query="READ?"):
    """Return fractional offsets of the first readings of a bench, on a clock that jumps."""
    with (
        open_bench(name, seed=seed, clock=LeapClock()) as bench,
        a_client(port_of(bench, counter)) as client,
    ):
        nominal = float(parse_frequency(bench.nominals[counter]))
        return [float(client.ask(query)) / nominal - 1 for _ in range(count)]


def scatter(offsets):
    """Return the sd of one reading, from neighbours, robust against wild ones."""
    steps = [abs(b - a) for a, b in itertools.pairwise(offsets)]
    return statistics.median(steps) / 0.6745 / 2**0.5


# ------------------------------------------------------------------ the benches


def test_every_bench_of_the_guide_exists():
    """By their names."""
    assert set(bench_names()) >= {
        "compare", "compare-own", "compare-three", "decade", "five", "late", "synth",
        "fast", "internal", "overshoot", "pair", "quiet", "running", "station", "wild",
        "interval", "talker", "terse",
    }  # fmt: skip


def test_what_each_bench_shows_is_known_without_its_plan():
    """The light list, for the shell, says the same as the plans."""
    assert what_benches_show() == {plan.name: plan.about for plan in own_plans()}


SCPI_ON_SOCKETS = [
    name
    for name in bench_names()
    if all(
        (counter.wiring.bus, counter.wiring.dialect) == ("socket", "scpi")
        for counter in load_plan(name).counters.values()
    )
]


@pytest.mark.parametrize("name", SCPI_ON_SOCKETS)
def test_every_bench_can_be_served(name):
    """Each opens, names its counters, suggests usable limits, and reads near its nominal."""
    with open_bench(name, seed=3, clock=LeapClock()) as bench:
        assert bench.about
        assert parse_fraction(bench.tolerance) > 0
        assert parse_settle(bench.settle)[0] > 0
        for counter, resource in bench.resources.items():
            nominal = float(parse_frequency(bench.nominals[counter]))
            with a_client(port_of(bench, counter)) as client:
                assert resource == f"TCPIP0::127.0.0.1::{port_of(bench, counter)}::SOCKET"
                assert float(client.ask("FETC?" if name == "running" else "READ?")) == (
                    pytest.approx(nominal, rel=1e-5)
                )


def test_station_comes_in_and_settles_in_about_90_seconds():
    """From parts in 10^6 to moving less than 1 ppb, with visible noise."""
    with open_bench("station", seed=1, clock=ManualClock()) as bench:
        start = bench.truth("main")
        bench.clock.advance(45)
        early = bench.truth("main")
        bench.clock.advance(45)
        settled = bench.truth("main")
        bench.clock.advance(60)
        minute_later = bench.truth("main")

    assert 1e-6 < start < 1e-5
    assert abs(early - minute_later) > 1e-9
    assert abs(settled - minute_later) < 0.5e-9
    assert 1e-8 < settled < 1e-7


def test_station_noise_and_resolution_suit_the_trim():
    """Scatter at a quarter second is near 1e-10, well under the 2 ppb of the tolerance."""
    offsets = readings("quiet", 400, seed=11)

    assert 5e-11 < scatter(offsets) < 2e-10


def test_station_can_be_trimmed():
    """Coarse turns of 0.1 and fine ones of 0.01 bring the station inside its tolerance."""
    with open_bench("station", seed=1, clock=ManualClock()) as bench:
        bench.clock.advance(90)
        for _ in range(7):
            bench.turn("main", -0.1)
        bench.clock.advance(30)
        coarse = bench.truth("main")
        for _ in range(4):
            bench.turn("main", -0.01)
        bench.clock.advance(30)

        assert 1e-9 < coarse < 5e-9
        assert abs(bench.truth("main")) < parse_fraction(bench.tolerance)


def test_overshooting_oven_overshoots():
    """It comes in from above, passes its final offset by more than 10 ppb, and returns."""
    with open_bench("overshoot", seed=1, clock=ManualClock()) as bench:
        course = []
        for _ in range(400):
            course.append(bench.truth("main"))
            bench.clock.advance(1)

    assert min(course) < course[-1] - 1e-8
    assert course[-1] == pytest.approx(3.7e-8, abs=1e-10)


def test_internal_time_base_shows():
    """Without a reference the counter reports INT and reads low by its time base's 0.3 ppm."""
    with (
        open_bench("internal", seed=1, clock=LeapClock()) as bench,
        a_client(port_of(bench)) as client,
    ):
        source = client.ask("ROSC:SOUR?")
        offset = float(client.ask("READ?")) / 1e7 - 1

    assert source == "INT"
    assert offset == pytest.approx(3.7e-8 - 3e-7, abs=2e-9)


def test_wild_readings_are_wild():
    """About one reading in a hundred of the wild bench is out by more than 2.5 ppb."""
    offsets = readings("wild", 3000, seed=2)
    middle = statistics.median(offsets)

    wild = [y for y in offsets if abs(y - middle) > 2.5e-9]

    assert 10 <= len(wild) <= 55  # 30 expected; four standard deviations are 22


def test_running_counter_repeats_itself():
    """Queried quicker than its gates, the running bench sends the same reading again."""
    clock = ManualClock()
    with open_bench("running", seed=1, clock=clock) as bench, a_client(port_of(bench)) as client:
        clock.advance(1.0)
        first, again = client.ask("FETC?"), client.ask("FETC?")
        clock.advance(0.26)
        later = client.ask("FETC?")

        assert client.ask("INIT:CONT?;:FREQ:GATE:TIME?") == "1;+2.500000E-01"
    assert first == again
    assert first != later


def test_same_seed_same_readings():
    """The same seed and gates give the same readings; another seed gives others."""
    first, second, other = (readings("station", 100, seed=seed) for seed in (5, 5, 6))

    assert first == second
    assert first != other


def test_fresh_seed_unless_given():
    """Without a seed each run differs, and reports the seed that repeats it."""
    with open_bench("quiet") as first, open_bench("quiet") as second:
        assert first.seed != second.seed


# ------------------------------------------------------------------ the control port


def test_turning_shows_at_the_counter():
    """A turn shows in the readings: 0.1 turn is 5 ppb, of which 4 % creep in."""
    with (
        open_bench("quiet", seed=1, clock=LeapClock()) as bench,
        a_client(port_of(bench)) as client,
    ):
        before = statistics.mean(float(client.ask("READ?")) for _ in range(40))
        bench.turn("main", 0.1 + 0.003)
        bench.clock.advance(30)
        after = statistics.mean(float(client.ask("READ?")) for _ in range(40))

    assert (after - before) / 1e7 == pytest.approx(5e-9, abs=1e-10)


def test_control_language():
    """Another process turns, puts the tool on and queries the truth over the control socket."""
    with (
        open_bench("quiet", seed=1, clock=ManualClock()) as bench,
        a_client(bench.control_port) as hand,
    ):
        bench.clock.advance(1)
        before = float(hand.ask("truth main"))
        assert hand.ask("turn 0.103 main") == "ok"
        assert hand.ask("tool on") == "ok"
        bench.clock.advance(60)
        pulled = float(hand.ask("truth"))
        assert hand.ask("TOOL off main") == "ok"
        bench.clock.advance(60)

        assert float(hand.ask("truth")) - before == pytest.approx(5e-9, abs=1e-12)
        assert pulled - before == pytest.approx(11e-9, abs=1e-12)
        assert hand.ask("time") == "121.000000"
        assert hand.ask("names") == "main"
        assert {"tool on|off [COUNTER]", "dial FREQUENCY [COUNTER]"} <= set(
            hand.ask("help").split("; ")
        )


def test_control_pulls_plugs():
    """Signal and reference can be disconnected, which the counter shows."""
    with (
        open_bench("quiet", seed=1, clock=LeapClock()) as bench,
        a_client(bench.control_port) as hand,
        a_client(port_of(bench)) as client,
    ):
        hand.ask("reference off")
        source = client.ask("ROSC:SOUR?")
        hand.ask("signal off main")
        reading = client.ask("READ?")
        hand.ask("reference on")
        back = client.ask("ROSC:SOUR?")

        assert (source, reading, back) == ("INT", "+9.91E+37", "EXT")
        assert json.loads(hand.ask("heard")) == ["ROSC:SOUR?", "READ?", "ROSC:SOUR?"]
        assert hand.ask("remote") == "yes"
        client.send("SYST:LOC;*OPC?")
        client.receive()
        assert hand.ask("remote") == "no"
        assert hand.ask("hangup") == "ok"
        assert client.receive() == ""


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("spin 1", "unknown 'spin'"),
        ("turn", "expected: turn TURNS"),
        ("turn far ten", "'far' is no number of turns"),
        ("turn nan ten", "no number of turns"),
        ("turn 1e9 ten", "no number of turns"),
        ("turn 0.1", "the counters are ten, five"),
        ("turn 0.1 fife", "did you mean 'five'"),
        ("tool maybe ten", "expected on or off"),
        ("truth a b", "expected: truth"),
        ("\x1b[2J", "unknown"),
    ],
)
def test_control_mistakes_are_sentences(line, expected):
    """A bad command is answered with a sentence; the connection stays open."""
    with open_bench("pair", seed=1) as bench, a_client(bench.control_port) as hand:
        answer = hand.ask(line)

        assert answer.startswith("error: ")
        assert expected in answer
        assert "\x1b" not in answer
        assert hand.ask("names") == "ten five"


def test_unknown_counter_is_a_sentence():
    """The sentence names the counters there are."""
    with open_bench("quiet") as bench:
        with pytest.raises(UsageError, match=r"no counter 'mian'; did you mean 'main'\?"):
            bench.turn("mian", 0.1)
        with pytest.raises(UsageError, match="There are: main"):
            bench.hang_up("x")


def test_no_reference_to_plug():
    """Connecting a reference on a bench without one is an error."""
    with open_bench("internal") as bench, pytest.raises(UsageError, match="no reference"):
        bench.plug_reference("main", True)


# ------------------------------------------------------------------ bench files


def test_smallest_file(tmp_path):
    """A nominal and a counter make a bench; every other key has a default."""
    path = tmp_path / "small.toml"
    path.write_text(SMALLEST)

    with open_bench(str(path), clock=LeapClock()) as bench, a_client(port_of(bench)) as client:
        assert float(client.ask("READ?")) == pytest.approx(1e7, abs=1e-3)
        assert (bench.name, bench.tolerance, bench.settle) == ("small", None, None)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (SMALLEST + 'gait = "1 s"', r"b.toml: counters.main: unknown key 'gait'; did you mean 'ga"),
        (SMALLEST + "gate = 1", r"counters.main.gate: expected a duration in quotes.*; found 1"),
        (SMALLEST + 'gate = "1 ppb"', r"b.toml: counters.main.gate: .*1 ppb"),
        (SMALLEST + 'gate_command = "x"', 'gate_command: expected one of "aperture"'),
        (SMALLEST + 'continuous = "yes"', "continuous: expected true or false"),
        (SMALLEST + "wild = -1", "wild: expected a number from 0 up"),
        (SMALLEST + 'identity = "a\\u001bb"', "identity: expected one line of plain text"),
        (SMALLEST + "[counter.x]", "unknown key 'counter'; did you mean 'counters'"),
        ('settle = "soon"' + SMALLEST, r"b.toml: settle: .*soon"),
        (SMALLEST.replace('"main"', '"mian"'), "must name one of: main; did you mean 'main'"),
        (SMALLEST.replace("nominal", "normal"), "unknown key 'normal'; did you mean 'nominal'"),
        (SMALLEST.replace('nominal = "10 MHz"', ""), 'the key "nominal" is missing'),
        (SMALLEST.replace('"10 MHz"', '"10 mhz"'), "oscillators.main.nominal"),
        ('[oscillators.main]\nnominal = "10 MHz"\n', r"table \[counters.NAME\] is missing"),
        ("counters = 5\n" + SMALLEST.split("[counters", maxsplit=1)[0], "counters must be a table"),
        (SMALLEST + "time_base = 7", "time_base must be a table"),
        ("reference = true" + SMALLEST, "reference must be a table"),
        ("[oscillators.main]\ntool_pull = 1", r"it belongs in \[oscillators.NAME.trimmer\]"),
        (SMALLEST + "[oscillators.main.trimmer]\ncrepe = 1", "unknown key 'crepe'; did you mean"),
        (SMALLEST.replace("[count", 'warm_up = ["1ppm"]\n[count'), "each part is a pair"),
        (SMALLEST.replace("[count", "warm_up = 3\n[count"), "warm_up: expected pairs"),
        ("", r"table \[oscillators.NAME\] is missing"),
    ],
)  # fmt: skip
def test_mistakes_in_a_bench_file_are_sentences(text, expected):
    """Each names the file, the key, and the nearest valid key if there is one."""
    with pytest.raises(UsageError, match=expected):
        read_plan(text, "b", "b.toml")


@pytest.mark.parametrize("without", ["", "oscillator = 3"])
def test_a_missing_oscillator_is_proposed_by_a_name_in_the_file(without):
    """The sentence proposes an oscillator that the file declares."""
    text = f'[oscillators.oven]\nnominal = "5 MHz"\n[counters.one]\n{without}'
    with pytest.raises(UsageError, match=r'counters\.one.*rite .*oscillator = "oven"'):
        read_plan(text, "b", "b.toml")


def test_no_toml_at_all():
    """The sentence has the place where the text stops being TOML."""
    with pytest.raises(FileError, match=r"b.toml is no bench file: .*line 1"):
        read_plan("[[[", "b", "b.toml")


def test_unknown_bench():
    """For a mistyped name the sentence has the nearest one, for a missing file the path."""
    with pytest.raises(UsageError, match=r"no simulated bench 'statoin'; did you mean 'station'"):
        load_plan("statoin")
    with pytest.raises(FileError, match=r"nowhere.toml can't be read"):
        load_plan("nowhere.toml")


def test_unreadable_bench_file(tmp_path):
    """A file that is no text gives a sentence too."""
    path = tmp_path / "x.toml"
    path.write_bytes(b"\xff\xfe\x00")

    with pytest.raises(FileError, match="is no bench file: it is not UTF-8 text"):
        load_plan(str(path))


# ------------------------------------------------------------------ clocks


def test_a_manual_clock_waits_for_the_test():
    """A wait ends when the clock has advanced enough, or when it is cancelled."""
    clock, event = ManualClock(utc_s=1000.0), threading.Event()
    ended = []
    thread = threading.Thread(target=lambda: ended.append(clock.wait(event, 2.0)))
    thread.start()
    assert clock.until_waiting()
    clock.advance(1.0)
    assert ended == []
    clock.advance(1.0)
    thread.join()
    event.set()

    assert ended == [False]
    assert clock.wait(event, 10.0) is True
    assert (clock.monotonic(), clock.utc()) == (2.0, 1002.0)
    assert not clock.until_waiting(timeout_s=0.01)


def test_a_leap_clock_jumps():
    """A wait of a day takes no time and advances the clock by a day."""
    clock = LeapClock()

    assert clock.wait(threading.Event(), 86400.0) is False
    assert clock.monotonic() == 86400.0
