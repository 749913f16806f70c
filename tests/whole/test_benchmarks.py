"""The benchmarks, which the usual run does not include, can still be run."""

import subprocess
import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


def test_every_benchmark_is_found_by_the_words_of_the_readme():
    """Each file imports and holds a test; ``-k quality`` and ``-k speed`` choose some."""
    files = sorted(path.name for path in BENCHMARKS.glob("test_*.py"))
    collected = subprocess.run(
        [sys.executable, "-m", "pytest", str(BENCHMARKS), "--collect-only", "-qq"],
        capture_output=True, text=True, timeout=100,
        cwd=BENCHMARKS.parents[1],
    )  # fmt: skip

    found = {Path(line.split(":")[0]).name for line in collected.stdout.splitlines() if line}
    assert collected.returncode == 0, collected.stdout + collected.stderr
    assert found == set(files)
    assert {name.split("_")[1] for name in files} >= {"quality", "speed"}


def test_the_paint_of_a_key_is_seen_and_timed(tmp_path):
    """The benchmark of key to paint times two keys on a watch with made readings."""
    spec = spec_from_file_location("speed_screen", BENCHMARKS / "test_speed_screen.py")
    benchmark = module_from_spec(spec)
    spec.loader.exec_module(benchmark)
    with benchmark.simulated("fast") as resource:
        terminal = benchmark.opened(resource, tmp_path, before=5.0)
        try:
            terminal.wait_for("q quit")
            waits = benchmark.key_waits(terminal, 2)
        finally:
            terminal.close()

    assert len(waits) == 2
    assert all(0.0 < wait_s < benchmark.LONGEST_S for wait_s in waits)
