"""``benchwatch stability``: prints Allan deviations of a recorded file, with confidence limits."""

from dataclasses import asdict

import click

from benchwatch.commands.common.option_types import DURATION, read_coverage
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.recorded_source import RecordedSource, source_options
from benchwatch.commands.common.recording_options import RecordingOptions, file_options
from benchwatch.commands.common.time_range import (
    TimeRange,
    TypedRange,
    changes_in_range,
    choose,
    time_range_options,
    when,
)
from benchwatch.errors import FileError, UsageError
from benchwatch.estimate.stability import (
    DEVIATIONS,
    NAMES,
    ONE_SIGMA,
    Deviation,
    decade_factors,
    factor_of,
    octave_factors,
    stability_table,
)
from benchwatch.quantity import how_many, parse_duration, printable
from benchwatch.recording import Recording
from benchwatch.recording.run_statistics import phase_of
from benchwatch.report.blocks import align_table

CONTIGUOUS_SHARE = 0.99
"""Part of the interval; a longer gate leaves no dead time worth a correction."""
LARGEST_ROUNDING = 0.05
"""Relative difference up to which a typed averaging time is rounded to the nearest multiple."""
SINCE_WORDS = {"nudge": "the last nudge", "settled": "it settled"}
BIAS_NOTE = (
    "value is that of the handbook, too high for phase noise and too low for flicker and "
    "random-walk FM\nat long tau; corrected is without that bias, and low and high are about it."
)
TAU_FORMS = "octave, decade or a list such as 1s,10s,100s"


@click.command()
@source_options()
@click.option("--taus", default="octave", show_default=True, help=f"Averaging times: {TAU_FORMS}.")
@click.option(
    "--deviations",
    default="oadev",
    show_default=True,
    help=f"Which, separated by commas, or all: {', '.join(NAMES)}.",
)
@file_options
@click.option(
    "--gate",
    "gate_s",
    type=DURATION,
    help="Gate, where it is shorter than the interval: corrects for the dead time.",
)
@click.option("--counter", help="Which counter, where the file has several.")
@time_range_options
@click.option("--confidence", help="Coverage of the limits, such as 95%; else one sigma, 68.27%.")
@click.option("--json", "as_json", is_flag=True, help="A line a number, for programs.")
def stability(
    *,
    source: RecordedSource,
    taus: str,
    deviations: str,
    stated: RecordingOptions,
    gate_s: float | None,
    counter: str | None,
    part: TypedRange,
    confidence: str | None,
    as_json: bool,
) -> None:
    """Print how stable the frequency in FILE is, by averaging time; - is standard input.

    Read are tables (CSV) with a header: time_s or time, and one of frequency_hz, offset,
    period_s, phase_s; a single column of numbers with --column and --interval; the JSON lines
    that watch writes; and a journal. Without FILE the journal of watch is read: the run that
    --run names, else its newest watch of real counters with readings. Lone wild readings are left
    out and counted. Lost readings cost the short averages that touch them; longer ones reach
    across gaps of up to 16 readings.
    """
    names = parse_deviations(deviations)
    coverage = ONE_SIGMA if confidence is None else read_coverage(confidence)
    recording = stated.read_one(source, counter)
    if recording.interval_s is None:
        raise FileError(f"{recording.source}: one reading says nothing on stability; give more.")
    gate_s = _dead_time(recording, recording.interval_s, gate_s, names)
    chosen = choose(recording, part)
    changes = changes_in_range(recording, chosen, "stability")
    if changes is not None:
        narrate(changes)
    phase = phase_of(recording, chosen.offsets, chosen.rows, chosen.wild)
    factors = _factors(taus, gate_s or recording.interval_s, phase.points)
    rows = stability_table(
        phase, recording.interval_s, names, factors, gate_s=gate_s, confidence=coverage
    )
    _report_missing(recording, names, factors, rows)
    if gate_s is not None and any(row.noise is None and row.value > 0 for row in rows):
        narrate("too few readings to tell the noise, so that dead time is not corrected for.")
    if as_json:
        used = chosen.range.json_values(recording)
        for row in rows:
            known = {**asdict(row), "confidence": round(row.confidence, 4)}
            print_json({"kind": "stability", **known, **used})
        return
    print_text(_table(rows, coverage))
    _print_range(recording, chosen.range)


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


def parse_deviations(text: str) -> tuple[str, ...]:
    """Return the names in ``--deviations``, such as ``oadev,mdev`` or ``all``.

    Raises:
        UsageError: a name is not that of a deviation.
    """
    wanted = [word.strip().lower() for word in text.split(",") if word.strip()]
    if wanted == ["all"]:
        return NAMES
    unknown = [word for word in wanted if word not in NAMES]
    if unknown or not wanted:
        raise UsageError(
            f"--deviations: '{printable(unknown[0] if unknown else text)}' is no deviation. "
            f"Choose among {', '.join(NAMES)}, separated by commas, or all."
        )
    return tuple(name for name in NAMES if name in wanted)


def _factors(taus: str, tau0_s: float, points: int) -> list[int]:
    """Return the averaging factors that ``--taus`` selects.

    Args:
        taus: as typed.
        tau0_s: time that one reading stands for, in seconds.
        points: phase points of the recording.

    Raises:
        UsageError: an averaging time is not near a multiple of `tau0_s`.
    """
    word = taus.strip().lower()
    if word == "octave":
        return octave_factors(points)
    if word == "decade":
        return decade_factors(points)
    factors = []
    for part in taus.split(","):
        tau_s = parse_duration(part)
        factor = factor_of(tau_s, tau0_s, within=LARGEST_ROUNDING)
        if factor is None:
            below = int(tau_s / tau0_s)
            near = ",".join(f"{m * tau0_s:.4g}s" for m in (below, below + 1) if m)
            raise UsageError(
                f"--taus: {tau_s:g} s is no multiple of {tau0_s:g} s, the time that one reading "
                f"stands for. Near it are {near}; or write octave or decade."
            )
        if factor_of(tau_s, tau0_s) is None:
            narrate(f"--taus: {tau_s:g} s is taken as {factor * tau0_s:g} s, {factor} readings.")
        factors.append(factor)
    return sorted(set(factors))


def _dead_time(
    recording: Recording, interval_s: float, gate_s: float | None, names: tuple[str, ...]
) -> float | None:
    """Return the gate if there is dead time to correct for; else None.

    Raises:
        UsageError: the gate is longer than the interval.
    """
    if gate_s is None:
        known = recording.gates()
        if known and max(known) < CONTIGUOUS_SHARE * interval_s:
            narrate(
                f"{recording.source}: gates of {max(known):g} s come every {interval_s:.6g} s; "
                f"--gate {max(known):g}s corrects for the dead time between them."
            )
        return None
    if gate_s * CONTIGUOUS_SHARE > interval_s:
        raise UsageError(
            f"--gate: {gate_s:g} s is longer than the {interval_s:.6g} s from reading to reading. "
            "Give the gate that the file was taken with."
        )
    if gate_s >= CONTIGUOUS_SHARE * interval_s:
        return None
    left = [name for name in names if not DEVIATIONS[name].corrected]
    if left:
        narrate(f"{', '.join(left)}: not corrected for dead time; no correction is published.")
    return gate_s


def _report_missing(
    recording: Recording,
    names: tuple[str, ...],
    factors: list[int],
    rows: tuple[Deviation, ...],
) -> None:
    """Narrate how many of the requested numbers could not be computed.

    Raises:
        FileError: there are none at all.
    """
    if not rows:
        raise FileError(
            f"{recording.source}: {len(recording)} readings are too few, or too broken by gaps, "
            f"for {', '.join(names)} at the averaging times asked for."
        )
    wanted = len(names) * len(factors)
    if len(rows) < wanted:
        narrate(
            f"{wanted - len(rows)} of {wanted} numbers are left out: the run, or what the gaps "
            "leave of it, is too short for them."
        )


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
