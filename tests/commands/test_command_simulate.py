"""``benchwatch simulate``: what it prints of the bench that it serves."""

import json
import signal

import pytest
from program_kit import run_program, start_program

from benchwatch.commands.common.watched_counters import TypedSettings, plan_counters
from benchwatch_simulators.bench.simulated_bench import bench_names, open_bench


def test_a_program_reads_where_each_counter_is() -> None:
    """A line of JSON a counter, with the driver and the nominal that fit; then Ctrl-C ends it."""
    serving = start_program("simulate", "pair", "--seed", "7", "--json")
    assert serving.stdout is not None
    told = [json.loads(serving.stdout.readline()) for _ in range(2)]
    serving.send_signal(signal.SIGINT)
    serving.communicate(timeout=60)

    assert [one["name"] for one in told] == ["ten", "five"]
    assert [one["nominal_hz"] for one in told] == [10e6, 5e6]
    assert all(one["resource"].startswith("TCPIP0::127.0.0.1::") for one in told)
    assert {(one["kind"], one["bench"], one["seed"]) for one in told} == {("counter", "pair", 7)}
    assert serving.returncode == 130


def test_the_list_says_what_each_bench_shows() -> None:
    """A line a bench: its name, its counters and what it shows, whole."""
    shown = run_program("simulate", "--list").stdout.splitlines()[1:]
    told = [
        json.loads(line) for line in run_program("simulate", "--list", "--json").stdout.splitlines()
    ]

    assert [line.split()[0] for line in shown] == bench_names()
    assert [one["name"] for one in told] == bench_names()
    assert all(
        ", ".join(one["counters"]) in line and line.endswith(one["about"])
        for one, line in zip(told, shown, strict=True)
    )
    assert all(one["about"] for one in told)


@pytest.mark.parametrize("more", [["five"], ["--seed", "3"], ["--fault", "cut@3s"]])
def test_the_list_serves_no_bench(more: list[str]) -> None:
    """A bench or an option of one beside it is refused in a sentence."""
    refused = run_program("simulate", "--list", *more)

    assert refused.returncode == 2
    assert "--list only lists the benches" in refused.stderr


def test_a_watch_takes_what_a_bench_states_of_its_reference() -> None:
    """Where a bench states the uncertainty of its reference, every plan has it; else none has."""
    typed = TypedSettings(
        nominals=(), tolerance=None, settle=None, gate_s=None, interval_s=None, driver=None
    )
    stated = {}
    for name in ("compare", "pair"):
        with open_bench(name, seed=1) as bench:
            plans = plan_counters((), typed, simulated=bench)
        stated[name] = [plan.reference and plan.reference.u for plan in plans]

    assert stated == {"compare": [1e-12, 1e-12], "pair": [None, None]}
