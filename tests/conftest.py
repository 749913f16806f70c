"""Settings of every test: a usual run is not random (see also `seed_kit`).

Several processes share the tests, because many tests wait for buses and terminals. Tests that share
a fixture of their module stay in one process.
"""

import gc
import os
import signal
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from inspect import signature
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from posix_kit import posix_only
from server_process_kit import NOT_INSTALLED

from benchwatch.system.terminal_modes import has_terminal_modes

# Neither an example nor its generation has a deadline, as a busy machine takes longer.
settings.register_profile(
    "usual",
    derandomize=not os.environ.get("BENCHWATCH_FRESH_SEEDS"),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("usual")

# Hundreds of tests start the program, and compiling it takes half of such a start. So compiled code
# is kept in Python's usual place, also where the environment turns that off.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# A shell lets what it starts in the background ignore Ctrl-C, and so would each program of a test.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# OpenBLAS starts a thread for each processor, which is a third of the cost of importing numpy. The
# arrays of the program are too small to gain from them.
os.environ["OPENBLAS_NUM_THREADS"] = "1"

# Collecting the tests makes objects that all stay; searching them for garbage takes a sixth of that
# time (see `pytest_collection_finish`).
gc.disable()

# Settings of the person who runs the tests count for nothing in them.
for name in ("BENCH", "BACKEND", "TOLERANCE", "SETTLE", "DISPLAY_UNIT", "THEME", "BELL"):
    os.environ.pop(f"BENCHWATCH_{name}", None)
os.environ["BENCHWATCH_CONFIG"] = str(Path(__file__).parent / "kits" / "no_settings.toml")

# The screen shows local times; the tests and all programs that they start have one time zone.
os.environ["TZ"] = "UTC"

# Colours are what a test asks for, also where whoever runs the tests has chosen others.
for name in ("FORCE_COLOR", "NO_COLOR"):
    os.environ.pop(name, None)
if hasattr(time, "tzset"):
    time.tzset()


LEFT_OUT = [] if has_terminal_modes() else posix_only(Path(__file__).parent)
"""Files of tests that can't be loaded on Windows."""
collect_ignore = [str(path) for path in LEFT_OUT]


def pytest_terminal_summary(terminalreporter: "pytest.TerminalReporter") -> None:
    """Say at the end what is left out on this system."""
    if LEFT_OUT:
        terminalreporter.write_line(
            f"{len(LEFT_OUT)} files are left out: they need terminals or limits of POSIX"
        )
    reasons = (
        report.longrepr[2].removeprefix("Skipped: ")
        for report in terminalreporter.getreports("skipped")
        if isinstance(report.longrepr, tuple)
    )
    for why, tests in Counter(why for why in reasons if why.startswith(NOT_INSTALLED)).items():
        terminalreporter.write_line(f"{tests} skipped, for {why}", yellow=True)


OWN_MODULES = "(benchwatch|tests|made_|.*_kit$)"
"""Pattern of the names of this program's modules, and of its tests'."""


def pytest_configure(config: pytest.Config) -> None:
    """In a checkout, take a use of what a library deprecates for an error.

    A source distribution has no ``.git``: its tests must also pass with libraries that are newer
    than it.
    """
    if (config.rootpath / ".git").exists():
        for kind in ("DeprecationWarning", "PendingDeprecationWarning", "FutureWarning"):
            config.addinivalue_line("filterwarnings", f"error::{kind}:{OWN_MODULES}")


def pytest_collection_finish() -> None:
    """Collect garbage from now on, but only of objects that the tests make."""
    gc.freeze()
    gc.enable()


COMPUTING = frozenset({"commands", "estimate", "pipeline", "recording"})
"""Folders of tests that mostly compute; most of the others wait."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Sort files that wait evenly between files that compute, so that no processor is idle.

    Files marked as long come first in both groups, so that all processes end at about the same
    time.
    """
    long = {item.path for item in items if item.get_closest_marker("long")}
    place: dict[object, float] = {}
    for computes in (False, True):
        files = dict.fromkeys(
            item.path for item in items if (not COMPUTING.isdisjoint(item.path.parts)) is computes
        )
        ordered = sorted(files, key=lambda file: file not in long)
        place |= {file: (number + 0.5) / len(files) for number, file in enumerate(ordered)}
    items.sort(key=lambda item: place[item.path])


AT_ONCE = 8
"""Tests of a file that run side by side; with more, the start of their programs would take
longest."""


@pytest.fixture(scope="module")
def side_by_side(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[dict[str, "Future[None]"]]:
    """Run all tests of the file that use this fixture at once, some at a time, as they mostly wait.

    Each runs in a thread, so it takes no fixture but `tmp_path`, and draws no seeds. Its result is
    reported in its turn (`pytest_pyfunc_call`).
    """

    def arguments(test: pytest.Function) -> dict[str, object]:
        given = test.callspec.params if hasattr(test, "callspec") else {}
        given = {**given, "tmp_path": tmp_path_factory.mktemp("side_by_side")}
        return {name: given[name] for name in signature(test.function).parameters}

    tests = [
        item
        for item in request.session.items
        if isinstance(item, pytest.Function)
        and item.path == request.path
        and "side_by_side" in item.fixturenames
    ]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        yield {test.nodeid: pool.submit(test.function, **arguments(test)) for test in tests}
        pool.shutdown(cancel_futures=True)


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Report the result of a test that has been run beside others of its file."""
    started: dict[str, Future[None]] | None = pyfuncitem.funcargs.get("side_by_side")
    if started is None:
        return None
    started[pyfuncitem.nodeid].result()
    return True
