"""The program on this system with what Windows lacks taken away, and what it has put in its place.

It is no Windows: paths, libraries and the terminal stay those of this system. What is gone: the
modules fcntl, termios, tty, pty, resource, grp and pwd; `select.poll`, and `select.select` for
anything but sockets; flags, signals and calls of POSIX; signal 0; folders that can be opened; a
clock finer than 15.6 ms behind `time.monotonic`. What is made: the locks of ``msvcrt``, and the
call that opens a file. Give it the words of a command; ``--import-all`` imports each module of the
program instead, and ``--each`` runs commands as `forks_kit` does.
"""

import asyncio
import concurrent.futures  # noqa: F401
import ctypes
import errno
import fcntl
import importlib
import math
import os
import pkgutil
import select
import signal
import socket
import stat
import subprocess  # noqa: F401 - the standard library chooses by the system when it is imported
import sys
import types
from typing import Any

os.environ["TEXTUAL_DRIVER"] = "made_windows_program:StandardOutputDriver"

# Other people's libraries are imported before, as they are for this system.
import aiohttp.web  # noqa: F401
import click.shell_completion  # noqa: F401
import cryptography  # noqa: F401
import jinja2  # noqa: F401
import numpy as np  # noqa: F401
import platformdirs
import pyvisa  # noqa: F401
import pyvisa_py  # noqa: F401
import scipy.special  # noqa: F401
import serial.tools.list_ports  # noqa: F401
from textual.app import App  # noqa: F401
from textual.drivers.linux_driver import LinuxDriver

_TICK_S = 1 / 64


class StandardOutputDriver(LinuxDriver):
    """Draws on Python's own standard output, as the terminal library does on Windows."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._file = sys.__stdout__  # type: ignore[assignment] # as there


def take_away() -> None:
    """Take away what Windows lacks."""
    platformdirs.user_data_path()  # chooses its rules for this system
    for name in ("fcntl", "termios", "tty", "pty", "resource", "grp", "pwd"):
        sys.modules[name] = None  # type: ignore[assignment] # importing it fails
    for name in (
        "O_NONBLOCK", "O_NOCTTY", "O_CLOEXEC", "O_NOFOLLOW", "O_DIRECTORY", "openpty", "ttyname",
        "setpriority", "getpgrp", "tcgetpgrp", "killpg", "mkfifo", "fchmod", "geteuid", "getuid",
    ):  # fmt: skip
        if hasattr(os, name):
            delattr(os, name)
    for name in ("SIGHUP", "SIGQUIT", "SIGUSR1", "SIGUSR2", "pthread_sigmask"):
        delattr(signal, name)
    signal.SIGBREAK = 63  # type: ignore[attr-defined] # a number that nobody sends
    for name in ("poll", "epoll"):
        if hasattr(select, name):
            delattr(select, name)
    _limit_calls()
    _make_event_loop()
    _make_clock()
    _make_modules()
    sys.platform = "win32"


def _limit_calls() -> None:
    """Let calls refuse what they refuse on Windows."""
    usual_select, usual_open, usual_kill = select.select, os.open, os.kill

    def sockets_only(*arguments: Any) -> Any:
        for source in (*arguments[0], *arguments[1], *arguments[2]):
            number = source if isinstance(source, int) else source.fileno()
            if not stat.S_ISSOCK(os.fstat(number).st_mode):
                raise OSError(10038, "An operation was attempted on something that is not a socket")
        return usual_select(*arguments)

    def files_only(path: Any, *arguments: Any, **options: Any) -> int:
        if os.path.isdir(path):  # noqa: PTH112 - it may be bytes
            raise PermissionError(errno.EACCES, "Permission denied", path)
        if path in {"/dev/tty", "CONIN$"}:
            raise FileNotFoundError(errno.ENOENT, "No such file or directory", path)
        return usual_open(path, *arguments, **options)

    def no_question(process: int, number: int) -> None:
        assert number != 0, "signal 0 would interrupt"
        usual_kill(process, number)

    select.select, os.open, os.kill = sockets_only, files_only, no_question


def _make_event_loop() -> None:
    """Let an event loop be told of signals, as that of Windows: `asyncio.proactor_events`."""
    loop_class: Any = asyncio.SelectorEventLoop
    usual_init, usual_close = loop_class.__init__, loop_class.close

    def init(self: Any, *arguments: Any) -> None:
        usual_init(self, *arguments)
        signal.set_wakeup_fd(self._csock.fileno())

    def close(self: Any) -> None:
        if not self.is_closed():
            signal.set_wakeup_fd(-1)
        usual_close(self)

    loop_class.__init__, loop_class.close = init, close


def _make_clock() -> None:
    """Let the usual clock advance in steps of 15.6 ms, and say so."""
    import time

    usual, stated = time.monotonic, time.get_clock_info
    time.monotonic = lambda: math.floor(usual() / _TICK_S) * _TICK_S

    def coarse(name: Any) -> Any:
        info = stated(name)
        if name == "monotonic":
            info.resolution = _TICK_S
        return info

    time.get_clock_info = coarse


def _make_modules() -> None:
    """Make the locks of ``msvcrt``, and the call that opens a file."""
    made = types.ModuleType("msvcrt")

    def locking(handle: int, mode: int, count: int) -> None:
        assert (mode, count) == (2, 1)
        try:
            fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, 0, os.SEEK_CUR)
        except BlockingIOError as error:
            raise OSError(errno.EACCES, "Permission denied") from error

    def create_file(path: str, *_: Any) -> int | None:
        try:
            return os.open(path, os.O_RDONLY)
        except OSError as error:
            last[0] = error
            return None

    last: list[OSError] = []
    last.append(OSError())
    made.locking, made.LK_NBLCK = locking, 2  # type: ignore[attr-defined]
    made.open_osfhandle = lambda handle, flags: handle  # type: ignore[attr-defined]
    sys.modules["msvcrt"] = made
    kernel = types.SimpleNamespace(CreateFileW=types.SimpleNamespace())

    class CreateFile:
        """Takes the types of its arguments, and opens."""

        def __call__(self, *arguments: Any) -> int | None:
            return create_file(*arguments)

    kernel.CreateFileW = CreateFile()
    ctypes.WinDLL = lambda *_, **__: kernel  # type: ignore[attr-defined]
    ctypes.get_last_error = lambda: 2  # type: ignore[attr-defined]
    ctypes.WinError = lambda _: last[0]  # type: ignore[attr-defined]


def import_all() -> None:
    """Import each module of the program but the driver of POSIX terminals."""
    import benchwatch
    import benchwatch_drivers
    import benchwatch_simulators

    for package in (benchwatch, benchwatch_drivers, benchwatch_simulators):
        for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if module.name != "benchwatch.screen.terminal.terminal_driver":
                importlib.import_module(module.name)


if __name__ == "__main__":
    take_away()
    assert asyncio, socket
    sys.modules["made_windows_program"] = sys.modules["__main__"]
    if sys.argv[1:] == ["--import-all"]:
        import_all()
    else:
        from benchwatch.cli import main

        if sys.argv[1:2] == ["--each"]:
            from forks_kit import main_of_forks

            main_of_forks(main, *sys.argv[2:])
        else:
            main()
