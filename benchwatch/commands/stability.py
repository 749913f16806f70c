"""``benchwatch stability``: prints Allan deviations of a recorded file, with confidence limits."""

from dataclasses import asdict

import click

from benchwatch.commands.common.chosen_runs import RecordedSource
from benchwatch.commands.common.output import print_json, print_text
from benchwatch.commands.common.recorded_deviations import (
    AskedDeviations,
    deviation_options,
    recorded_deviations,
)
from benchwatch.commands.common.recorded_source import source_options
from benchwatch.commands.common.time_range import TimeRange, when
from benchwatch.estimate.stability import DEVIATIONS, NAMES, Deviation
from benchwatch.quantity import how_many
from benchwatch.recording import Recording
from benchwatch.report.blocks import align_table

SINCE_WORDS = {"nudge": "the last nudge", "settled": "it settled"}
BIAS_NOTE = (
    "value is that of the handbook, too high for phase noise and too low for flicker and "
    "random-walk FM\nat long tau; corrected is without that bias, and low and high are about it."
)


@click.command()
@source_options()
@deviation_options
@click.option("--json", "as_json", is_flag=True, help="A line a number, for programs.")
def stability(*, source: RecordedSource, asked: AskedDeviations, as_json: bool) -> None:
    """Print how stable the frequency in FILE is, by averaging time; - is standard input.

    Read are tables (CSV, Parquet) with a header: time_s or time, and one of frequency_hz, offset,
    period_s, phase_s, or headings such as Freq (MHz), which are guessed and said; a single column
    of numbers with --column and --interval; the JSON lines that watch writes; and a journal.
    Without FILE the journal of watch is read: the run that --run names, else its newest watch of
    real counters with readings. Lone wild readings are left out and counted. Lost readings cost
    the short averages that touch them; longer ones reach across gaps of up to 16 readings.
    """
    found = recorded_deviations(source, asked)
    recording, rows = found.recording, found.rows
    if as_json:
        used = found.range.json_values(recording)
        for row in rows:
            known = {**asdict(row), "confidence": round(row.confidence, 4)}
            print_json({"kind": "stability", **known, **used})
        return
    print_text(_table(rows, found.coverage))
    _print_range(recording, found.range)


def _print_range(recording: Recording, used: TimeRange) -> None:
    """Print which part of the run was used, and how many spikes were left out."""
    sentences = []
    if used.since != "whole":
        begin, end = when(recording, used.begin_s), when(recording, used.end_s)
        why = "" if used.since == "typed" else f", since {SINCE_WORDS[used.since]}"
        sentences.append(f"Of the readings from {begin} to {end}{why}.")
    if used.spikes:
        sentences.append(f"{how_many(used.spikes, 'spike')} left out.")
    if sentences:
        print_text("\n" + " ".join(sentences))


def _table(rows: tuple[Deviation, ...], coverage: float) -> str:
    limits = f"({coverage:.4g})"
    names = ["deviation", "tau_s", "value", f"low {limits}", f"high {limits}", "n", "edf", "noise"]
    cells = [
        [
            f"{row.deviation} (s)" if DEVIATIONS[row.deviation].time else row.deviation,
            f"{row.tau_s:.9g}",
            f"{row.value:.4e}",
            _number(row.low),
            _number(row.high),
            str(row.n),
            "-" if row.edf is None else f"{row.edf:.1f}",
            row.noise or "unknown",
        ]
        for row in rows
    ]
    biased = [name for name in NAMES if DEVIATIONS[name].reflected]
    biased = [name for name in biased if any(row.deviation == name for row in rows)]
    if not biased:
        return align_table(names, cells)
    unbiased = [[*cell, _number(row.corrected)] for cell, row in zip(cells, rows, strict=True)]
    return f"{align_table([*names, 'corrected'], unbiased)}\n\n{', '.join(biased)}: {BIAS_NOTE}"


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.4e}"
