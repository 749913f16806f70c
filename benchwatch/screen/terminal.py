"""Running the screen so that the terminal is left clean, whatever happens."""

import asyncio
import contextlib
import io
import os
import signal
import sys
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

from benchwatch.errors import INTERRUPTED, BenchwatchError
from benchwatch.screen.app import BenchwatchApp, described

CRASHED = BenchwatchError.exit_code
LARGEST_LOG = 1_000_000
_SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGTERM", "SIGHUP", "SIGINT") if hasattr(signal, name)
)


def run_screen(app: BenchwatchApp) -> int:
    """Run `app` on this terminal and return the exit code.

    0 after quitting, 130 after Ctrl-C or a signal, 1 after a crash, which leaves one
    sentence on standard error and its traceback in the log.
    """
    log = app.options.log
    crash = ""
    with _narration_to(log):
        try:
            asyncio.run(_run(app))
        except KeyboardInterrupt:
            return INTERRUPTED
        except Exception as error:  # noqa: BLE001 - the last one who can say it in a sentence
            traceback.print_exc()
            crash = described(error)
        code = app.return_code or 0
    if code not in {0, INTERRUPTED} and not crash:
        crash = app.crash or "unknown error"
    if crash:
        with contextlib.suppress(OSError):
            print(
                f"benchwatch: the screen stopped: {crash}. Start it again; the details for a "
                f"report are in {log}.",
                file=sys.stderr,
            )
        return code or CRASHED
    return code


async def _run(app: BenchwatchApp) -> None:
    loop = asyncio.get_running_loop()
    with contextlib.suppress(NotImplementedError):
        for number in _SIGNALS:
            loop.add_signal_handler(number, app.action_interrupt)
    try:
        await app.run_async(mouse=False)
    finally:
        with contextlib.suppress(NotImplementedError):
            for number in _SIGNALS:
                loop.remove_signal_handler(number)


@contextlib.contextmanager
def _narration_to(log: Path) -> Iterator[None]:
    """Send file descriptor 2 to `log` and give the screen the terminal on descriptor 1.

    Libraries written in C print on descriptor 2, which would land in the picture; the
    terminal library draws on ``sys.__stderr__``, which therefore becomes a copy of
    standard output for the time.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    kept = os.dup(2)
    before = (sys.__stderr__, sys.stderr)
    picture = os.fdopen(os.dup(1), "w", encoding="utf-8", errors="replace", newline="")
    with open_log(log) as sink:
        os.dup2(sink.fileno(), 2)
        sys.__stderr__, sys.stderr = picture, sink  # type: ignore[misc] # the library draws there
        try:
            yield
        finally:
            sys.__stderr__, sys.stderr = before  # type: ignore[misc] # as they were
            sink.flush()
            os.dup2(kept, 2)
            os.close(kept)
            with contextlib.suppress(OSError):
                picture.close()


class _HarmlessText(io.TextIOWrapper):
    """Text without control characters, so that a log can be printed on a terminal."""

    def write(self, text: str) -> int:
        """Write `text` with every control character but line ends and tabs shown as ``?``."""
        super().write("".join(c if c.isprintable() or c in "\n\t" else "?" for c in text))
        return len(text)


def open_log(log: Path) -> TextIO:
    """Open the log to append, anew when it has grown large; nowhere when it can't be."""
    try:
        log.parent.mkdir(parents=True, exist_ok=True)
        large = log.exists() and log.stat().st_size > LARGEST_LOG
        raw = log.open("wb" if large else "ab")
    except OSError:
        raw = Path(os.devnull).open("wb")  # noqa: SIM115 - closed by its wrapper
    return _HarmlessText(raw, encoding="utf-8", errors="replace", line_buffering=True)
