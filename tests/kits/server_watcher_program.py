"""End the servers of a test process as soon as that has ended, however it ended.

Arguments:
    the folder of the servers: ``NAME.pid`` in it holds the number of a running server's process and
    the signal that ends it. Standard input is a pipe that the test process holds open. At its end
    all servers are ended, and the folder is removed.
"""

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

PATIENCE_S = 5.0
"""A server that has not ended after so long is killed."""


def is_running(process: int) -> bool:
    """Return whether there is such a process that is more than an entry in the process table."""
    try:
        stat = Path(f"/proc/{process}/stat").read_text("ascii", "replace")
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[0] not in "ZX"


def with_children(process: int) -> list[int]:
    """Return the process and its children; the servers have no grandchildren."""
    found = [process]
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            fields = stat.read_text("ascii", "replace").rpartition(")")[2].split()
            if int(fields[1]) == process:
                found.append(int(stat.parent.name))
    return found


def end_servers(folder: Path) -> None:
    """End the servers that `folder` names, and remove it."""
    running = []
    for file in folder.glob("*.pid"):
        with contextlib.suppress(OSError, ValueError):
            process, end_signal = map(int, file.read_text("ascii").split())
            found = with_children(process)
            os.kill(process, end_signal)
            running += found
            for one in found:  # it may stand still
                os.kill(one, signal.SIGCONT)
    deadline_s = time.monotonic() + PATIENCE_S
    while any(map(is_running, running)) and time.monotonic() < deadline_s:
        time.sleep(0.01)
    for process in filter(is_running, running):
        with contextlib.suppress(OSError):
            os.kill(process, signal.SIGKILL)
    release_disks(folder)
    shutil.rmtree(folder, ignore_errors=True)


def release_disks(folder: Path) -> None:
    """Unmount what is mounted below `folder`, such as small disks in memory."""
    with contextlib.suppress(OSError):
        for line in Path("/proc/self/mounts").read_text("utf-8").splitlines():
            place = line.split()[1]
            if place.startswith(f"{folder}/"):
                subprocess.run(["umount", "--lazy", place], check=False)


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    sys.stdin.buffer.read()
    end_servers(Path(sys.argv[1]))
