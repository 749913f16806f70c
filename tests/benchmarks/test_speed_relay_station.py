"""What sending to the central record costs a station's watch: processor time with and without it.

    python -m pytest tests/benchmarks/test_speed_relay_station.py -s

All watches read counters of their own at the same time, so that the machine treats them alike; two
of them send nothing, which shows how far the figures can be trusted. It is the steady state: a
window is as long as the time from batch to batch. Starting takes what is printed first.
Broker, keeper and PostgreSQL are real and run in processes of their own, which are not counted.
"""

import contextlib
import os
import signal
import statistics
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from load_kit import wait_until
from many_counters_kit import NumberedCounters, watched_bench
from program_kit import COMMAND, run_program
from server_kit import Database, broker, database
from terminal_kit import Terminal

from benchwatch.relay.station.transfer_times import SEND_WITHIN_S

SETTLE_S, MEASURE_S, WINDOWS = 25.0, 2 * SEND_WITHIN_S, 2
CASES = {
    "1 counter, 1 reading/s": (1, 1.0),
    "1 counter, 10 readings/s": (1, 0.1),
    "10 counters, 1 reading/s each": (10, 1.0),
    "10 counters, 10 readings/s each": (10, 0.1),
}
TARGET = 1.05
"""Most that a watch which sends may take, as a multiple of one that does not."""


def _cpu_s(process: int) -> float:
    """Return the processor time of a process and its threads, to a nanosecond.

    Of a thread, the first number of schedstat (the kernel's sched-stats.txt). The watches start no
    thread that ends while they are measured.
    """
    tasks = Path(f"/proc/{process}/task").glob("*/schedstat")
    return sum(int(task.read_text().split()[0]) for task in tasks) / 1e9


@contextlib.contextmanager
def _program(words: list[str], folder: Path) -> Iterator[int]:
    environment = os.environ | {"XDG_STATE_HOME": str(folder), "XDG_DATA_HOME": str(folder)}
    with (folder / "output").open("wb") as output:
        child = subprocess.Popen([*COMMAND, *words], stdout=output, stderr=output, env=environment)
        try:
            yield child.pid
        finally:
            child.send_signal(signal.SIGINT)
            child.wait(20.0)


@contextlib.contextmanager
def _watch(folder: Path, case: str, *options: str, screen: bool) -> Iterator[int]:
    """Run a watch of counters of its own; yield its process."""
    folder.mkdir()
    with contextlib.closing(NumberedCounters(*CASES[case])) as counters:
        bench = watched_bench(folder, counters.resources)
        words = ["watch", "--bench", str(bench), "--journal", str(folder / "j.db"), *options]
        if not screen:
            with _program([*words, "--json"], folder) as process:
                yield process
            return
        with contextlib.closing(
            Terminal((*COMMAND, *words), folder, width=120, height=36)
        ) as terminal:
            with _drained(terminal):
                yield terminal.child.pid
            terminal.type(b"q")
            terminal.end()


@contextlib.contextmanager
def _drained(terminal: Terminal) -> Iterator[None]:
    """Take what the screen draws, or it would wait."""
    left = threading.Event()

    def drain() -> None:
        while not left.is_set():
            terminal.read(0.1)

    thread = threading.Thread(target=drain, daemon=True)
    thread.start()
    try:
        yield
    finally:
        left.set()
        thread.join()


def _in_record(made: Database) -> int:
    with made.connect() as connection:
        row = connection.execute("SELECT count(*) FROM benchwatch.readings").fetchone()
    assert row is not None
    return int(str(row[0]))


@pytest.mark.timeout(600)
@pytest.mark.parametrize("screen", [False, True], ids=["lines", "screen"])
@pytest.mark.parametrize("case", CASES)
def test_sending_costs_a_station_little(tmp_path: Path, case: str, screen: bool) -> None:
    """The ratio of processor times, by several windows; readings are in the record."""
    with contextlib.ExitStack() as stack:
        server = stack.enter_context(broker(tmp_path))
        made = stack.enter_context(database())
        assert run_program("keep", made.url, "--init").returncode == 0
        (tmp_path / "keeper").mkdir()
        address = f"mqtt://127.0.0.1:{server.port}"
        stack.enter_context(_program(["keep", made.url, "--broker", address], tmp_path / "keeper"))
        sends = ("--relay", address, "--station", "tide-007")
        watches = [
            stack.enter_context(_watch(tmp_path / name, case, *options, screen=screen))
            for name, options in (("alone", ()), ("sends", sends), ("also alone", ()))
        ]
        assert wait_until(lambda: _in_record(made) > 0)
        print(f"\n{case}, {'on the screen' if screen else 'in lines'}:")
        started = ", ".join(f"{_cpu_s(one):.2f} s" for one in watches)
        print(f"  until the first reading is in the record: {started} (alone, sending, alone)")
        time.sleep(SETTLE_S)
        ratios = []
        for _ in range(WINDOWS):
            before, began_s = [_cpu_s(one) for one in watches], time.monotonic()
            time.sleep(MEASURE_S)
            lasted_s = time.monotonic() - began_s
            took = [_cpu_s(one) - s for one, s in zip(watches, before, strict=True)]
            shares = ", ".join(f"{s / lasted_s:.3%}" for s in took)
            print(f"  of a core: {shares} (alone, sending, alone)")
            ratios.append(2 * took[1] / (took[0] + took[2]))
        kept = _in_record(made)
    total = statistics.mean(ratios)
    print(f"  ratio {total:.3f} (mean of {WINDOWS}; aim: {TARGET}), {kept} readings in the record")

    assert kept > 0
