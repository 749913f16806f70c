"""Links that are opened, closed or fail to open many times on every bus leave nothing behind."""

import gc
import threading
from pathlib import Path

import pytest
import pyvisa
from fault_kit import BUSES, bench_file
from link_kit import open_link
from load_kit import LONGEST_WAIT_S, wait_until

from benchwatch.errors import ConnectionFailed
from benchwatch_simulators.bench.simulated_bench import open_bench

ASKED = [bus for bus, (_, dialect) in BUSES.items() if dialect == "scpi"]


def handles() -> int:
    """Return the open file handles of this process."""
    return len(list(Path("/proc/self/fd").iterdir()))


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="handles can't be counted here")
@pytest.mark.parametrize("bus", ASKED)
def test_nothing_is_left_of_a_hundred_tries(bus: str, tmp_path: Path) -> None:
    """No handles, threads or VISA sessions (pyvisa-py #258), even without garbage collection.

    Half of the tries find no peer.
    """
    sessions = pyvisa.ResourceManager("@py").visalib.sessions  # type: ignore[attr-defined]
    with open_bench(str(bench_file(bus, tmp_path)), seed=1) as bench:
        resource = bench.resources["main"]
        open_link(resource).close()
        server = bench._servers.by_counter["main"]
        gc.collect()
        gc.disable()
        try:
            before = handles(), threading.active_count(), len(sessions)
            for _ in range(50):
                link = open_link(resource)
                assert link.query("*OPC?", LONGEST_WAIT_S) == "1"
                link.close()
            settled = wait_until(lambda: threading.active_count() <= before[1])
            server.suspend()
            for _ in range(50):
                with pytest.raises(ConnectionFailed):
                    open_link(resource)
            server.resume()
            opened = wait_until(lambda: handles() <= before[0])
        finally:
            gc.enable()

        assert settled
        assert opened
        assert len(sessions) == before[2]
