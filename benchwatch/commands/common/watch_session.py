"""Runs a live watch to its end, as lines, on the screen or on pages, and narrates changes."""

import importlib
import queue
import sys
import threading
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Final

from benchwatch.commands.common.output import narrate
from benchwatch.counter import NEXT_TRY
from benchwatch.errors import INTERRUPTED, BenchwatchError
from benchwatch.line_output import EndOfRun, LineOutput, LineWriter
from benchwatch.quantity import format_duration, how_many, printable
from benchwatch.reading import Event
from benchwatch.report.leaving_words import bench_leaving_words, leaving_words
from benchwatch.run.counters_in_run import RunOutcome
from benchwatch.run.live_watch import LiveWatch
from benchwatch.run.shutdown import SignalShutdown
from benchwatch.run.told_of_many import Told, told_of_many
from benchwatch.snapshot import ComparisonNow, Snapshot

if TYPE_CHECKING:
    from benchwatch.colours import ThemeWord
    from benchwatch.screen.display_options import DisplayOptions
    from benchwatch.screen.watch_source import TrimmerControl
    from benchwatch.web.served_address import ServedAddress

NARRATE_EVERY_S: Final = 0.25
"""Time between two checks for changes to narrate."""
FIRST_COUNT: Final = 10
"""Readings and notes not on disk from which their number is narrated; then at each doubling."""
TIME_BASE_CAUTIONS: Final = {
    "internal": " (caution: its own oscillator)",
    "unknown": " (caution: look at the front panel which oscillator it counts by)",
}


class Narrator:
    """Writes changes of the links and of the journal to standard error, each change once."""

    def __init__(self, run: LiveWatch) -> None:
        self._run = run
        self._link_sentences: dict[str, str] = {}
        """By counter: the newest sentence on its link, without the time to the next try."""
        self._awaited: set[str] = set()
        """Counters that were said to be not there yet, and have not come."""
        self._questioned: dict[str, float] = {}
        """By counter: the nominal (hertz) whose question was written."""
        self._trouble: str | None = None
        self._next_count = FIRST_COUNT
        self._relay_notices = 0
        """How many sentences on sending to the central record were written."""

    def narrate_changes(self) -> None:
        """Write the changes since the last call."""
        trouble, waits, absent = None, 0, self._run.absent
        told: list[Told] = []
        for name in self._run.names:
            now = self._run.counter(name).snapshot
            trouble = trouble or now.journal_trouble
            waits = max(waits, now.not_on_disk or 0)
            if now.question is not None and self._questioned.get(name) != now.nominal_hz:
                self._questioned[name] = now.nominal_hz
                narrate(f"{name}: {now.question}")
            if now.link.state == "ended" and self._run.outcome is not None:
                continue  # the outcome states the reason
            told += self._link_changes(name, now, absent.get(name))
        for sentence in told_of_many(told):
            narrate(sentence)
        for sentence in self._run.new_notices():
            narrate(sentence)
        if self._run.relay is not None:
            for sentence in self._run.relay.notices[self._relay_notices :]:
                self._relay_notices += 1
                narrate(sentence)
        if trouble != self._trouble:
            self._trouble = trouble
            narrate(
                f"{trouble}. Readings wait in memory."
                if trouble
                else "the journal is written again."
            )
            self._next_count = FIRST_COUNT
        if trouble and waits >= self._next_count:
            narrate(f"{waits} readings and notes are not on disk.")
            self._next_count = 2 * waits

    def _link_changes(self, name: str, now: Snapshot, absent: BenchwatchError | None) -> list[Told]:
        """Return a change of a link; of a counter that is not there yet only that, and once."""
        changes: list[str] = []
        if name in self._awaited and now.link.state in {"reading", "ended"}:
            self._awaited.discard(name)
            if now.link.state == "reading":
                changes.append("it is there now.")
        elif absent is not None and name not in self._awaited:
            self._awaited.add(name)
            why = printable(str(absent), 300).rstrip(". ")
            changes.append(f"not there yet: {why}. It is tried again.")
        if name not in self._awaited:
            sentence = _link_sentence(now)
            begins = sentence.partition(NEXT_TRY)[0]
            if begins != self._link_sentences.get(name):
                self._link_sentences[name] = begins
                changes.append(sentence)
        return [Told(name, f"{name}: {one}", _of_any(one, now)) for one in changes]


def _of_any(sentence: str, now: Snapshot) -> str:
    """Return a sentence on a link so that it fits the other counters of a broker, too.

    Counters here fail one by one, and each keeps its own.
    """
    if now.station is None:
        return f"{now.counter}: {sentence}"
    address = "::".join(now.resource.split("::")[:3])
    return sentence.replace(now.resource, address).replace(now.station, "its station")


def run_lines(
    run: LiveWatch,
    write: LineWriter,
    cleanup: Callable[[], object],
    *,
    idle: Callable[[], None] | None = None,
) -> RunOutcome:
    """Write one line per event until the run ends or a signal comes.

    Args:
        run: the watch, not yet started.
        write: makes the lines.
        cleanup: closes run and journal if the run does not end in order after a signal.
        idle: called whenever everything so far has been written; None: nothing is.
    """
    out = LineOutput(sys.stdout, write)
    narrator = Narrator(run)
    with SignalShutdown(run.interrupt, cleanup):
        run.start()
        for event, snapshot in _events(run, narrator, idle or _do_nothing):
            _write(out, event, snapshot)
            if run.events.empty():
                out.flush()
        outcome = run.stop()
        for event, snapshot in _remaining_events(run):
            _write(out, event, snapshot)
        out.end(EndOfRun(*run.totals(), outcome.reason))
    narrator.narrate_changes()
    _narrate_visits(run)
    return outcome


def run_on_screen(
    run: LiveWatch,
    options: "DisplayOptions",
    *,
    trimmer: "TrimmerControl | None",
    with_sound: bool,
    message: str,
    cleanup: Callable[[], object],
) -> RunOutcome:
    """Show the screen until the operator quits or the run ends.

    Args:
        run: the watch, not yet started.
        options: display options of the screen.
        trimmer: turns what keys of the screen turn, such as a simulated bench; None: nothing does.
        with_sound: whether the offset is also played as sound.
        message: a sentence to show first, such as which run is continued; empty: none.
        cleanup: closes run and journal if the screen does not end in order.
    """
    with SignalShutdown(run.interrupt, cleanup):
        run.start()
        # Imported already while the counters are queried: this takes as long as a gate.
        importlib.import_module("benchwatch.screen.terminal.screen_process")
    interrupted = run.outcome is not None and run.outcome.exit_code == INTERRUPTED
    code = 0
    if not interrupted:
        code = _show_screen(run, options, trimmer, message, with_sound=with_sound, cleanup=cleanup)
    ended_by_itself = run.outcome is not None
    if code == INTERRUPTED:
        run.interrupt()  # the operator did not end it, so the next run may continue it
    outcome = run.stop()
    readings, gaps = run.totals()
    how = f": {outcome.reason}" if ended_by_itself and not outcome.message else ""
    counts = f"{how_many(readings, 'reading')}, {how_many(gaps, 'gap')}"
    narrate(f"{counts} in {format_duration(run.elapsed_s())}{how}.")
    _narrate_visits(run)
    return outcome if ended_by_itself and code == 0 else RunOutcome("the screen was left", code)


def _show_screen(
    run: LiveWatch,
    options: "DisplayOptions",
    trimmer: "TrimmerControl | None",
    message: str,
    *,
    with_sound: bool,
    cleanup: Callable[[], object],
) -> int:
    """Show the screen of a started run; return the exit code. For arguments see `run_on_screen`."""
    from benchwatch.screen.app import BenchwatchApp  # noqa: PLC0415 - line output does not need it
    from benchwatch.screen.terminal.screen_process import run_screen  # noqa: PLC0415 - line output does not need it
    from benchwatch.sound.sound_player import SoundPlayer  # noqa: PLC0415 - line output does not need it

    sound = SoundPlayer if with_sound else None
    app = BenchwatchApp(run, trimmer=trimmer, sound=sound, options=options)
    if message:
        app.screen_state.show_message(message)
    left = threading.Event()

    def leave_when_finished() -> None:
        run.finished.wait()
        while not left.wait(NARRATE_EVERY_S):
            if app.is_running:
                app.call_from_thread(app.exit)
                return

    threading.Thread(target=leave_when_finished, name="end of screen", daemon=True).start()
    try:
        return run_screen(app, cleanup=cleanup)
    finally:
        left.set()


def run_on_page(
    run: LiveWatch,
    address: "ServedAddress",
    options: "DisplayOptions",
    *,
    trimmer: "TrimmerControl | None",
    asked: "ThemeWord | None",
    ascii_only: bool,
    cleanup: Callable[[], object],
) -> RunOutcome:
    """Show the screen on pages in a browser until the run ends or a signal comes.

    Args:
        run: the watch, not yet started.
        address: where the pages are served.
        options: display options of the screen.
        trimmer: turns what keys of the screen turn, such as a simulated bench; None: nothing does.
        asked: the theme that was typed or configured; None: none was.
        ascii_only: whether the screen is drawn in plain ASCII.
        cleanup: closes run and journal if the run does not end in order after a signal.
    """
    from benchwatch.web.watch_pages import Narration, serve_watch  # noqa: PLC0415 - line output does not need it

    outcome = serve_watch(
        run,
        address,
        trimmer=trimmer,
        options=options,
        asked=asked,
        ascii_only=ascii_only,
        narration=Narration(
            say=narrate, look=Narrator(run).narrate_changes, every_s=NARRATE_EVERY_S
        ),
        cleanup=cleanup,
    )
    _narrate_visits(run)
    return outcome


def _narrate_visits(run: LiveWatch) -> None:
    """Write what each visit holds, what is still open, and how to go on."""
    counters = [run.counter(name).snapshot for name in run.names]
    if len(counters) == 1:
        sentences = leaving_words(counters[0])
    else:
        sentences = bench_leaving_words(counters, groups=run.chain.groups)
    for sentence in sentences:
        narrate(sentence)


def _write(out: LineOutput, event: Event | ComparisonNow, snapshot: Snapshot) -> None:
    """Write one event, or the answer of a comparison."""
    if isinstance(event, ComparisonNow):
        out.comparison(event)
    else:
        out.event(event, snapshot.numbers, snapshot.not_on_disk)


def _do_nothing() -> None:
    """Do nothing."""


def _events(
    run: LiveWatch, narrator: Narrator, idle: Callable[[], None]
) -> Iterator[tuple[Event | ComparisonNow, Snapshot]]:
    """Yield the events as they come, and call the narrator every `NARRATE_EVERY_S` seconds."""
    next_check_s = 0.0
    while True:
        now_s = run.elapsed_s()
        if now_s >= next_check_s:
            narrator.narrate_changes()
            next_check_s = now_s + NARRATE_EVERY_S
        if run.events.empty():
            idle()
        try:
            item = run.events.get(timeout=NARRATE_EVERY_S)
        except queue.Empty:
            continue
        if item is None:
            return
        yield item


def _remaining_events(run: LiveWatch) -> Iterator[tuple[Event | ComparisonNow, Snapshot]]:
    """Yield the events that arrived while the run was ending."""
    while not run.events.empty():
        item = run.events.get()
        if item is not None:
            yield item


def _link_sentence(now: Snapshot) -> str:
    """Write the state of a counter's link; while it reads, identity, gate and time base."""
    link = now.link
    if link.state == "reading" and now.identity is not None:
        gate = "unknown" if now.gate_s is None else format_duration(now.gate_s)
        caution = TIME_BASE_CAUTIONS.get(now.time_base.source, "")
        return (
            f"reading {printable(now.identity.text)}, gate {gate}, "
            f"time base {now.time_base.source}{caution}"
        )
    detail = printable(link.detail, 300)
    if not detail and link.state == "connecting":
        detail = printable(now.resource, 200)
    return f"{link.state}: {detail}" if detail else link.state
