"""What the bench view of 300 stations elsewhere takes: its drawing, and the desk's processor time.

    python -m pytest tests/benchmarks/test_speed_desk_cost.py -s

The stations are made, and send a line each in 5 s through a real broker; the desk is a `watch` on a
terminal of its own.
"""

import contextlib
import json
import statistics
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import count
from pathlib import Path

import bench_kit
import line_kit
import paho.mqtt.client as mqtt
import psutil
import pytest
import screen_kit as kit
from load_kit import wait_until
from program_kit import COMMAND
from server_kit import broker
from terminal_kit import Terminal

from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.screen_state import ScreenState
from benchwatch.screen.view import picture
from benchwatch.screen.views.view_list import VIEWS

STATIONS, EVERY_S, TIMES = 300, 5.0, 60
SETTLE_S, MEASURE_S, WINDOWS = 12.0, 10.0, 3
PICTURES_PER_S = 10.0


def median_ms(work: Callable[[], object]) -> float:
    """Return the median time of `work`, in milliseconds of processor time."""
    taken = []
    for _ in range(TIMES):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return 1e3 * statistics.median(taken)


@pytest.mark.parametrize("size", [(80, 24), (120, 36)], ids=str)
def test_the_drawing_of_300_stations(size: tuple[int, int]) -> None:
    """A picture, and the frame with a tenth of the counters new; the ratio is to the trim view."""
    shown = bench_kit.elsewhere(STATIONS)
    bench, trim = bench_kit.bench_frame(shown), kit.frame(kit.full_snapshot(), operator=True)
    watch = kit.FakeWatch(*shown)
    screen = ScreenState(watch, None, DisplayOptions(theme=Theme(), state=None), Preferences())
    screen.show("bench")

    def renewed() -> None:
        for name in tuple(watch.shown)[:: STATIONS // 30]:
            watch.shown[name] = replace(watch.shown[name])
        screen.frame()

    bench_ms = median_ms(lambda: picture(VIEWS.named("bench"), bench, *size))
    trim_ms = median_ms(lambda: picture(VIEWS.named("trim"), trim, *size))
    frame_ms = median_ms(renewed)
    print(f"\n{size[0]}x{size[1]}: picture of {STATIONS} {bench_ms:.2f} ms, "
          f"{bench_ms / trim_ms:.2f} of that of one counter; frame {frame_ms:.2f} ms; "
          f"{PICTURES_PER_S / 10 * (bench_ms + frame_ms):.1f} % of a core at "
          f"{PICTURES_PER_S:.0f} a second")  # fmt: skip

    assert bench_ms > 0.0


@contextlib.contextmanager
def _stations(port: int) -> Iterator[Callable[[], int]]:
    """Let made stations send lines; yield how many were sent."""
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    ended, sent, began_s = threading.Event(), count(), time.time()
    stations = [f"tide-{number:03}" for number in range(1, STATIONS + 1)]
    for name in stations:
        here = json.dumps({"v": 1, "here": True})
        client.publish(f"bw/1/{name}/here", here, 1, retain=True)
        state = line_kit.payload(line_kit.state_values(interval_s=EVERY_S))
        client.publish(f"bw/1/{name}/main/state", state, 1, retain=True).wait_for_publish(10.0)

    def send() -> None:
        for number in count(1):
            for place, name in enumerate(stations):
                due_s = began_s + EVERY_S * (number + place / STATIONS)
                if ended.wait(max(due_s - time.time(), 0.0)):
                    return
                text = f"{1e7 + 0.01 * ((number * 7 + place) % 10):.3f}"
                values = line_kit.reading_values(number, time.time() - began_s, text)
                client.publish(f"bw/1/{name}/main/line", line_kit.payload(values))
                next(sent)

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield lambda: int(repr(sent).removeprefix("count(").removesuffix(")"))
    finally:
        ended.set()
        thread.join()
        client.loop_stop()
        client.disconnect()


@contextlib.contextmanager
def _desk(folder: Path, *words: str) -> Iterator[tuple[Terminal, psutil.Process]]:
    """Watch on a terminal, which is read all the time, or the program would wait."""
    folder.mkdir()
    left = threading.Event()
    terminal = Terminal((*COMMAND, "watch", *words), folder, width=120, height=36)

    def drain() -> None:
        while not left.is_set():
            terminal.read(0.1)

    thread = threading.Thread(target=drain, daemon=True)
    thread.start()
    try:
        yield terminal, psutil.Process(terminal.child.pid)
    finally:
        left.set()
        thread.join()
        terminal.type(b"q")
        terminal.end()
        terminal.close()


@pytest.mark.timeout(180)
def test_the_desk_of_300_stations(tmp_path: Path) -> None:
    """Processor time and memory, beside those of a desk with one of the stations."""
    with broker(tmp_path) as server, _stations(server.port) as sent:
        address = f"MQTT::127.0.0.1::{server.port}"
        with (
            _desk(tmp_path / "one", f"{address}::tide-001::main") as (_, one),
            _desk(tmp_path / "all", address) as (terminal, every),
        ):
            assert wait_until(lambda: b"tide-001" in terminal.seen)
            time.sleep(SETTLE_S)
            shares: list[tuple[float, float]] = []
            print()
            for _ in range(WINDOWS):
                before = _cpu_s(one), _cpu_s(every), sent(), time.monotonic()
                time.sleep(MEASURE_S)
                lasted_s = time.monotonic() - before[3]
                shares.append(
                    ((_cpu_s(one) - before[0]) / lasted_s, (_cpu_s(every) - before[1]) / lasted_s)
                )
                print(
                    f"  {shares[-1][0]:6.2%} of a core with 1 counter, {shares[-1][1]:6.2%} with "
                    f"{STATIONS} at {(sent() - before[2]) / lasted_s:.0f} lines/s; ratio "
                    f"{shares[-1][1] / shares[-1][0]:.1f}; {every.memory_info().rss / 1e6:.0f} MB, "
                    f"with 1 {one.memory_info().rss / 1e6:.0f} MB"
                )

    assert all(share > 0.0 for pair in shares for share in pair)


def _cpu_s(process: psutil.Process) -> float:
    used = process.cpu_times()
    return float(used.user + used.system)
