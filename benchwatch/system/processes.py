"""Other processes: starting one apart, its priority, whether it lives; limits of this one."""

import os
import subprocess
import sys
from contextlib import suppress
from typing import Any

from benchwatch.system.optional_module import optional_module

LOW_PRIORITY: int = 10
"""POSIX nice value of a process that lets others go first."""


def apart(*, low_priority: bool = False, platform: str = sys.platform) -> dict[str, Any]:
    """Return the arguments of `subprocess.Popen` for a process that no key of ours interrupts.

    Args:
        low_priority: whether it lets others go first, where that is said at its start.
        platform: as `sys.platform`.
    """
    if platform != "win32":
        return {"start_new_session": True}
    flags = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0x200)
    if low_priority:
        flags |= getattr(subprocess, "BELOW_NORMAL_PRIORITY_CLASS", 0x4000)
    return {"creationflags": flags}


def lower_priority(process: int) -> None:
    """Let other processes go first, where that is said after the start."""
    library: Any = os  # a type checker for Windows knows no `setpriority`
    with suppress(OSError, AttributeError):
        library.setpriority(library.PRIO_PROCESS, process, LOW_PRIORITY)


def is_alive(process: int, platform: str = sys.platform) -> bool | None:
    """Return whether there is a process of this number.

    Returns:
        None where that can't be known: it belongs to somebody else, or the system is Windows,
        where signal 0 would not ask but interrupt.
    """
    if platform == "win32":
        return None
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return None
    return True


def most_open_files() -> int | None:
    """Return how many files and sockets this process may have open; None: no limit is known."""
    resource = optional_module("resource")
    if resource is None:
        return None
    granted: int = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    return None if granted == resource.RLIM_INFINITY else granted
