"""``benchwatch replay``: analyses a recorded file like a live run, on the screen or as lines."""

import shutil
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final, Protocol

import click

from benchwatch.bus.file_wire import STANDARD_INPUT, redirect_standard_input
from benchwatch.commands.common.chosen_runs import RecordedSource
from benchwatch.commands.common.journal_places import JOURNAL_TO_WRITE
from benchwatch.commands.common.option_types import (
    DURATION,
    refuse_together,
    settle_of,
    tolerance_of,
)
from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.plain_writer import plain_writer
from benchwatch.commands.common.progress import EventsOfFile, progress
from benchwatch.commands.common.recorded_plan import bench_option, plan_of_recording
from benchwatch.commands.common.recorded_source import say_counters, source_options
from benchwatch.commands.common.recording_options import (
    column_option,
    row_interval_option,
    time_column_option,
    value_column_option,
    wraps_option,
)
from benchwatch.commands.common.screen_options import ScreenOptions, can_show_screen, screen_options
from benchwatch.commands.common.shared_options import (
    json_readings_option,
    nominal_option,
    plain_option,
    settle_option,
    tolerance_option,
)
from benchwatch.commands.common.user_settings import user_settings
from benchwatch.errors import NoReadings, UsageError
from benchwatch.estimate.results import Numbers
from benchwatch.journal import Journal
from benchwatch.line_output import EndOfRun, LineOutput, json_line
from benchwatch.pipeline.numbers_pipeline import NumbersPipeline
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.reading import Event
from benchwatch.recording import (
    Column,
    EventStream,
    Extent,
    ReadPosition,
    Recording,
    StatedFacts,
    TableRequest,
)
from benchwatch.recording.text_lines import shown_name
from benchwatch.run.recorded_timeline import RecordedTimeline
from benchwatch.run.recording_player import RecordingPlayer

LINES_AT_ONCE: Final = 16
"""Lines that are written at once where nobody looks at them one by one; a few kilobytes."""


@click.command()
@source_options(journal=False)
@nominal_option
@tolerance_option
@settle_option
@click.option("--gate", "gate_s", type=DURATION, help="Gate that the file was taken with.")
@column_option
@row_interval_option
@time_column_option
@value_column_option
@wraps_option
@click.option(
    "--speed",
    type=click.FloatRange(min=0.0, min_open=True),
    help="Seconds of the recording a second on the screen; 1 if left out.",
)
@bench_option
@click.option(
    "--journal",
    type=JOURNAL_TO_WRITE,
    help="Keep the readings in this file; they are written as lines then.",
)
@plain_option
@json_readings_option
@screen_options
def replay(
    *,
    source: RecordedSource,
    nominal: Decimal | None,
    tolerance: str | None,
    settle: str | None,
    gate_s: float | None,
    column: Column | None,
    interval_s: float | None,
    time_column: str | None,
    value_column: str | None,
    wraps: Decimal | None,
    speed: float | None,
    bench_file: Path | None,
    journal: Path | None,
    plain: bool,
    as_json: bool,
    screen: ScreenOptions,
) -> int:
    """Put a recorded FILE through the estimate; - is standard input.

    On a terminal the screen shows it in time, with keys to stop, go on, and seek. Where
    standard output is no terminal, or with --plain or --json, it is lines, as fast as it goes.

    Read are tables (CSV, Parquet) with a header: time_s or time, and one of frequency_hz, offset,
    period_s, phase_s, or headings such as Freq (MHz), which are guessed and said; a single column
    of numbers with --column and --interval; and the JSON lines that watch writes; and a journal.
    Without FILE the journal of watch is read: the run that --run names, else its newest watch of
    real counters with readings.
    """
    lines = _as_lines(screen, plain=plain, as_json=as_json, keep=journal is not None)
    if lines and speed is not None:
        raise UsageError("--speed is for the screen; lines come as fast as they go: leave it out.")
    if journal is not None:
        _check_apart(source.path, journal)
    stated = StatedFacts(nominal=nominal, interval_s=interval_s, wraps_s=wraps)
    table = TableRequest(
        column=column, interval_s=interval_s, time_column=time_column, value_column=value_column
    )

    def stream_of(
        path: str, say: Callable[[str], None], position: ReadPosition | None = None
    ) -> EventStream:
        return EventStream(
            path,
            stated,
            table=table,
            gate_s=gate_s,
            selection=source.selection,
            position=position,
            say=say,
        )

    def plan(outline: Recording) -> Plan:
        return _plan(outline, bench_file, tolerance, settle)

    say_counters(source)
    if not lines:
        with _read_again(source.path) as path:

            def events() -> EventStream:
                return stream_of(path, _drop)

            extent = Extent(path, stated, table=table, selection=source.selection)
            timeline = RecordedTimeline(extent, events, lambda one: _pipeline(one, plan(one), None))
            from_input = source.path == STANDARD_INPUT
            return _show(timeline, speed or 1.0, screen, from_input=from_input)
    position = ReadPosition()
    stream = stream_of(source.path, narrate, position)
    kept = None if journal is None else Journal(journal)

    def line_taker(outline: Recording) -> _LineTaker:
        if kept is None:
            return NumbersPipeline(plan(outline))
        return _KeptLines(_pipeline(outline, plan(outline), kept))

    words = f"replaying {shown_name(source.path)}"
    try:
        # Lines on the terminal show themselves how far it is.
        taken = EventsOfFile(position)
        with nullcontext() if sys.stdout.isatty() else progress(words, taken.fraction):
            end = _play(stream, line_taker, taken, as_json=as_json)
    finally:
        if kept is not None:
            kept.close()
    return 0 if end.readings else NoReadings.exit_code


@contextmanager
def _read_again(file: str) -> Iterator[str]:
    """Yield the path of a file that can be read repeatedly: `file`, or for a pipe a copy."""
    if not _is_pipe(file):
        yield file
        return
    with TemporaryDirectory(prefix="benchwatch-") as folder:
        copy = Path(folder) / ("standard input" if file == STANDARD_INPUT else Path(file).name)
        with copy.open("wb") as written:
            if file == STANDARD_INPUT:
                shutil.copyfileobj(sys.stdin.buffer, written)
            else:
                with Path(file).open("rb") as pipe:
                    shutil.copyfileobj(pipe, written)
        yield str(copy)


def _is_pipe(file: str) -> bool:
    try:
        return file == STANDARD_INPUT or stat.S_ISFIFO(Path(file).stat().st_mode)
    except (OSError, ValueError):  # opening the file later reports this in a sentence
        return False


def _drop(_sentence: str) -> None:
    """Drop a notice: `Extent` collects the same ones while it searches for the end of the file."""


def _check_apart(file: str, journal: Path) -> None:
    """Refuse a journal that is the recorded file itself.

    Raises:
        UsageError: both are the same file.
    """
    try:
        same = file != STANDARD_INPUT and journal.samefile(file)
    except (OSError, ValueError):
        return
    if same:
        raise UsageError("--journal is the very file that is read; name another.")


def _pipeline(recording: Recording, plan: Plan, journal: Journal | None) -> Pipeline:
    return Pipeline(plan, journal=journal, utc_s=recording.utc_start_s or 0.0)


def _as_lines(screen: ScreenOptions, *, plain: bool, as_json: bool, keep: bool) -> bool:
    """Return whether lines are written instead of the screen.

    Raises:
        UsageError: options exclude each other.
    """
    refuse_together(("--plain", plain), ("--json", as_json))
    wants_lines = plain or as_json or keep
    if not wants_lines and can_show_screen():
        return False
    if wants_lines or not sys.stdout.isatty():
        screen.refuse()
    return True


def _show(
    timeline: RecordedTimeline, speed: float, screen: ScreenOptions, *, from_input: bool
) -> int:
    """Show the recording on the screen until the operator quits, then write notes on the file.

    Raises:
        BenchwatchError: the file is damaged.
    """
    for sentence in timeline.extent.take_notes():
        narrate(sentence)
    from benchwatch.screen.app import BenchwatchApp  # noqa: PLC0415 - line output does not need it
    from benchwatch.screen.terminal.screen_process import run_screen  # noqa: PLC0415 - likewise

    if from_input:
        redirect_standard_input()
    player = RecordingPlayer(timeline, speed=speed)
    app = BenchwatchApp(player, playback=player, options=screen.options(bell=False))
    player.start()
    try:
        code = run_screen(app)
    finally:
        player.stop()
    for sentence in timeline.extent.take_notes():
        narrate(sentence)
    if timeline.extent.error is not None:
        raise timeline.extent.error
    return code


def _plan(
    recording: Recording, bench_file: Path | None, tolerance: str | None, settle: str | None
) -> Plan:
    """Make the plan of a recorded counter; typed limits replace those of the bench file."""
    plan = plan_of_recording(recording, bench_file)
    limit = tolerance_of(tolerance, recording.nominal)
    return replace(
        plan,
        tolerance=plan.tolerance if limit is None else limit,
        settle=settle_of(settle, recording.nominal) or plan.settle,
    )


class _LineTaker(Protocol):
    """Takes the events of one counter; returns each, corrected, with the numbers after it."""

    @property
    def readings(self) -> int: ...

    @property
    def gaps(self) -> int: ...

    def take(self, event: Event) -> tuple[Event, Numbers]: ...


class _KeptLines:
    """A whole pipeline, for lines whose readings a journal keeps."""

    def __init__(self, pipeline: Pipeline) -> None:
        self._pipeline = pipeline

    @property
    def readings(self) -> int:
        """Measurements so far."""
        return self._pipeline.snapshot.readings

    @property
    def gaps(self) -> int:
        """Gaps so far."""
        return self._pipeline.snapshot.gaps

    def take(self, event: Event) -> tuple[Event, Numbers]:
        """Take an event; return it, a reading as corrected, and the numbers after it."""
        now = self._pipeline.take(event)
        return now.corrected(event), now.numbers


def _play(
    stream: EventStream,
    taker_of: Callable[[Recording], _LineTaker],
    taken: EventsOfFile,
    *,
    as_json: bool,
) -> EndOfRun:
    """Feed the events of all counters, in order of time, to their pipelines; write the lines."""
    unit = user_settings().display_unit
    writer = json_line if as_json else plain_writer(unit)
    out = LineOutput(sys.stdout, writer, at_once=1 if sys.stdout.isatty() else LINES_AT_ONCE)
    takers: dict[str, _LineTaker] = {}
    try:
        for event in stream:
            taker = takers.get(event.counter)
            if taker is None:
                taker = takers[event.counter] = taker_of(stream.outline(event.counter))
            out.event(*taker.take(event))
            taken.take()
    finally:
        out.flush()  # the lines before an error in the file
    end = EndOfRun(
        sum(taker.readings for taker in takers.values()),
        sum(taker.gaps for taker in takers.values()),
        "end of file",
    )
    out.end(end)
    return end
