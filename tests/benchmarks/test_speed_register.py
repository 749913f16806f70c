"""Speed of the register, with 10 000 visits in it and with none; ratios are of one run.

python -m pytest tests/benchmarks/test_speed_register.py -s
"""

import os
import resource
import statistics
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from counter_kit import tiny_counter
from program_kit import COMMAND
from register_kit import BENCH, UNITS, fill, record

from benchwatch.register.chain_check import check_chains
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_reader import read_register

VISITS = 10_000
ROUNDS = 9
"""Starts of each program, in turns."""


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> RegisterFile:
    """Return a register of 10 000 visits of six entries each."""
    return fill(tmp_path_factory.mktemp("full") / "register.db", VISITS)


def median_ms(work: Callable[[], object], times: int = 15) -> float:
    """Return the median duration of some work in milliseconds."""
    waits = []
    for _ in range(times):
        began_s = time.perf_counter()
        work()
        waits.append(1e3 * (time.perf_counter() - began_s))
    return statistics.median(waits)


def real_s(work: Callable[[], object]) -> float:
    """Return the real time of some work in seconds."""
    began_s = time.perf_counter()
    work()
    return time.perf_counter() - began_s


def processor_s(words: list[str], environ: dict[str, str]) -> float:
    """Return the processor time of a program in seconds, which neighbours don't lengthen."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, check=True,
                   env=environ)  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def alternately(*timed: Callable[[], float]) -> list[float]:
    """Return the medians of durations that are taken in turns, in seconds."""
    waits: list[list[float]] = [[] for _ in timed]
    for _ in range(ROUNDS):
        for one, waited in zip(timed, waits, strict=True):
            waited.append(one())
    return [statistics.median(waited) for waited in waits]


def test_an_entry_is_on_the_disk_within_milliseconds(full: RegisterFile, tmp_path: Path) -> None:
    """Print how long a record takes, beside a small file that is forced to the disk."""
    draft = Draft(kind="record", document={"record": record("as found", 1e-9).as_dict()})
    small = fill(tmp_path / "small.db", 10)
    file = tmp_path / "file"

    def forced() -> None:
        with file.open("ab") as opened:
            opened.write(bytes(4096))
            os.fsync(opened.fileno())

    bare, first, last = alternately(
        lambda: real_s(forced),
        lambda: real_s(lambda: small.add([draft])),
        lambda: real_s(lambda: full.add([draft])),
    )
    print(f"\na record written: {1e3 * first:.2f} ms; with {VISITS} visits {1e3 * last:.2f} ms "
          f"(ratio {last / first:.2f}); 4 kB forced to the disk {1e3 * bare:.2f} ms")  # fmt: skip


def test_reading_what_a_watch_asks_for(full: RegisterFile) -> None:
    """Print how long each question takes with 10 000 visits."""
    with read_register(full.path) as reader:
        newest = reader.visit_names()[-1]
        questions: dict[str, Callable[[], object]] = {
            "a visit": lambda: reader.visit(newest),
            "the open visit of a unit": lambda: reader.open_visit_of(f"{UNITS - 1:04d}"),
            "all visits of a unit": lambda: reader.visits_of("0017"),
            "open visits on a counter": lambda: reader.open_visits(BENCH, None),
            "the newest 40 in brief": lambda: reader.summaries(limit=40),
            "those that are open in brief": lambda: reader.summaries(open_only=True),
            "40 with a text in brief": lambda: reader.summaries(text="lid was", limit=40),
        }
        print()
        for name, work in questions.items():
            print(f"{name}: {median_ms(work):.1f} ms")
        print(f"all {VISITS} in brief: {median_ms(reader.summaries, 3):.0f} ms")
    with full.reading() as connection:
        assert connection is not None
        entries = sum(state.entries for state in check_chains(connection))
        took_ms = median_ms(lambda: check_chains(connection), 3)
    print(
        f"{entries} entries checked: {took_ms:.0f} ms, {2000 * took_ms / entries:.1f} ms for 2000"
    )


@pytest.mark.timeout(600)
def test_programs_start_as_quickly_with_a_full_register(full: RegisterFile, tmp_path: Path) -> None:
    """Print the processor time of ``visits`` and ``watch``, with 10 000 visits, ten and none."""
    folders = {"none": tmp_path / "none", "ten": tmp_path / "ten", "full": full.path.parent}
    for name in ("none", "ten"):
        folders[name].mkdir()
    fill(folders["ten"] / "register.db", 10)
    environ = os.environ | {"XDG_DATA_HOME": str(tmp_path), "XDG_STATE_HOME": str(tmp_path)}

    def program(*words: str) -> Callable[[], float]:
        return lambda: processor_s([*COMMAND, *words], environ)

    def listing(name: str, *words: str) -> Callable[[], float]:
        return program("visits", "--journal", str(folders[name] / "journal.db"), *words)

    def watching(name: str, resource_name: str) -> Callable[[], float]:
        journal = folders[name] / "journal.db"
        watch = program("watch", resource_name, "--json", "--count", "1", "--nominal", "10MHz",
                        "--journal", str(journal))  # fmt: skip

        def without_a_journal() -> float:
            for file in folders[name].glob("journal.db*"):
                file.unlink()
            return watch()

        return without_a_journal

    version, few, newest, everything = alternately(
        program("--version"), listing("ten"), listing("full"), listing("full", "--all")
    )
    print(f"\nbenchwatch --version {version:.3f} s; visits of ten {few:.3f} s, the newest of "
          f"{VISITS} {newest:.3f} s, all of them {everything:.3f} s")  # fmt: skip
    with tiny_counter(0.01) as counter:
        none, ten, many = alternately(
            *(watching(name, counter.resource) for name in ("none", "ten", "full"))
        )
    print(f"watch to its first reading and out: without a register {none:.3f} s, with ten visits "
          f"{ten:.3f} s, with {VISITS} {many:.3f} s (ratio {many / none:.3f})")  # fmt: skip

    assert many < 1.2 * none
