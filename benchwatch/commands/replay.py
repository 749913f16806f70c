"""``benchwatch replay``: a recorded file through the same estimate as a live run."""

import sys
from decimal import Decimal
from heapq import merge
from operator import attrgetter
from pathlib import Path

import click

from benchwatch.commands.options import DURATION, FREQUENCY, settle_of, tolerance_of
from benchwatch.commands.running import say
from benchwatch.errors import FileError, NoReadings
from benchwatch.journal import Journal
from benchwatch.lines import End, Lines, PlainWriter, json_line
from benchwatch.pipeline import Pipeline, Plan
from benchwatch.recording import KINDS, Kind, Recording, read_recordings


@click.command()
@click.argument("file")
@click.option("--nominal", type=FREQUENCY, help="What the frequency should be, such as 10MHz.")
@click.option("--tolerance", metavar="FRACTION", help="Limit of the offset, such as 5ppb.")
@click.option("--settle", metavar="LIMIT", help="What settled means, such as 1ppb/10min.")
@click.option("--gate", "gate_s", type=DURATION, help="Gate that the file was taken with.")
@click.option("--column", type=click.Choice(KINDS), help="What the numbers are.")
@click.option("--interval", "interval_s", type=DURATION, help="Time from row to row.")
@click.option("--journal", type=click.Path(path_type=Path), help="Keep the readings in this file.")
@click.option("--plain", is_flag=True, help="A line a reading, for people (what you get anyway).")
@click.option("--json", "as_json", is_flag=True, help="A line a reading, for programs.")
def replay(
    *,
    file: str,
    nominal: Decimal | None,
    tolerance: str | None,
    settle: str | None,
    gate_s: float | None,
    column: Kind | None,
    interval_s: float | None,
    journal: Path | None,
    plain: bool,
    as_json: bool,
) -> int:
    """Put a recorded FILE through the estimate, as fast as it goes; - is standard input.

    Read are tables (CSV) with a header: time_s or time, and one of frequency_hz, offset,
    period_s, phase_s; a single column of numbers with --column and --interval; and the
    JSON lines that watch writes.
    """
    if plain and as_json:
        raise click.UsageError("--plain and --json exclude each other: choose one.")
    recordings = read_recordings(file, nominal=nominal, column=column, interval_s=interval_s)
    for recording in recordings:
        for note in recording.notes:
            say(note)
    kept = None if journal is None else Journal(journal)
    try:
        pipelines = {
            recording.counter or "main": _pipeline(recording, file, tolerance, settle, kept)
            for recording in recordings
        }
        end = _play(recordings, pipelines, gate_s, as_json=as_json)
    finally:
        if kept is not None:
            kept.close()
    return 0 if end.readings else NoReadings.exit_code


def _pipeline(
    recording: Recording,
    file: str,
    tolerance: str | None,
    settle: str | None,
    journal: Journal | None,
) -> Pipeline:
    plan = Plan(
        recording.counter or "main",
        file,
        "replay",
        nominal=recording.nominal,
        tolerance=tolerance_of(tolerance, recording.nominal),
        settle=settle_of(settle, recording.nominal),
    )
    return Pipeline(plan, journal=journal, utc_s=recording.utc_start_s or 0.0)


def _play(
    recordings: tuple[Recording, ...],
    pipelines: dict[str, Pipeline],
    gate_s: float | None,
    *,
    as_json: bool,
) -> End:
    """Put every event, of all counters in the order of time, through its pipeline."""
    out = Lines(sys.stdout, json_line if as_json else PlainWriter())
    tracks = [recording.events(gate_s=gate_s) for recording in recordings]
    try:
        for event in merge(*tracks, key=attrgetter("elapsed_s")):
            out.event(event, pipelines[event.counter].take(event).numbers)
        snapshots = [pipeline.snapshot for pipeline in pipelines.values()]
        end = End(
            sum(now.readings for now in snapshots),
            sum(now.gaps for now in snapshots),
            "end of file",
        )
        out.end(end)
    except BrokenPipeError:
        raise
    except OSError as error:
        raise FileError(f"standard output can't be written: {error.strerror}.") from error
    return end
