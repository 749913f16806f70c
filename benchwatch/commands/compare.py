"""``benchwatch compare``: compares counters on one signal, and says whose time base is off."""

import math
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np
from numpy.typing import NDArray

from benchwatch.commands.common.option_types import DURATION, FRACTION, read_coverage
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.recorded_plan import bench_option, plan_of_recording
from benchwatch.commands.common.recorded_source import RecordedSource, sources_options
from benchwatch.commands.common.recording_options import RecordingOptions, file_options
from benchwatch.commands.common.shared_options import coverage_option, reference_offset_option
from benchwatch.errors import NoReadings, UsageError
from benchwatch.estimate.comparison.counter_comparison import (
    Difference,
    HatRow,
    differences,
    hat_rows,
)
from benchwatch.estimate.comparison.matched_readings import align
from benchwatch.estimate.comparison.time_base_claims import (
    RunTimeBase,
    TimeBaseClaim,
    TimeBaseClaims,
    claim_of_majority,
    claims_on_reference,
    no_claim,
    run_time_base,
)
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.quantity import (
    OffsetUnit,
    format_duration,
    in_unit,
    offset_unit,
    printable,
    write_fraction,
)
from benchwatch.reading import INTERNAL_TIMEBASE
from benchwatch.recording import Recording
from benchwatch.recording.run_statistics import spikes_of, used_offsets
from benchwatch.report.blocks import align_table

HAT_COUNTERS = 3
"""Number of counters for a three-cornered hat: with more, each counter has several solutions."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The results to print, as tables or as JSON lines."""

    time_bases: dict[str, RunTimeBase]
    """Time base of each counter, as far as its recording states one."""
    pairs: tuple[Difference, ...]
    claims: tuple[TimeBaseClaim, ...]
    refused: tuple[str, ...]
    """Sentences that say what can't be claimed, and why."""
    hat: tuple[HatRow, ...]
    coverage: float


@click.command()
@sources_options
@file_options
@click.option(
    "--window", "window_s", type=DURATION, help="How far apart one moment's readings lie."
)
@click.option("--reference", metavar="NAME", help="The counter that runs on the reference.")
@bench_option
@click.option("--reference-u", type=FRACTION, help="Standard uncertainty of that reference.")
@reference_offset_option
@coverage_option("the intervals")
@click.option("--json", "as_json", is_flag=True, help="Lines for programs.")
def compare(
    *,
    sources: tuple[RecordedSource, ...],
    stated: RecordingOptions,
    window_s: float | None,
    reference: str | None,
    bench_file: Path | None,
    reference_u: float | None,
    reference_offset: float | None,
    coverage: str,
    as_json: bool,
) -> None:
    """Compare two or more counters that measured one signal at the same time.

    FILES are their recordings, or one file that holds them all; without any, the runs of the
    journal that --run names, else its newest watch of real counters with readings. Counters are
    called as in the file, or after it. With --reference the time bases of the others are found;
    with three counters or more, the one that disagrees with all others; with exactly three, the
    noise of each alone. What the counters read is compared, before anything was put right.
    """
    share = read_coverage(coverage)
    recordings = _read(sources, stated)
    if reference is not None and reference not in recordings:
        raise UsageError(
            f"no counter is called '{printable(reference)}'. There are: {', '.join(recordings)}."
        )
    matched, own, step_s = _matched(recordings, window_s)
    time_bases = {
        name: run_time_base(own[name], external=recording.time_base == "external")
        for name, recording in recordings.items()
    }
    pairs = differences(matched, step_s)
    on_reference = TimeBaseClaims((), ())
    if reference is not None:
        of_bench = plan_of_recording(recordings[reference], bench_file).reference or Reference()
        u = of_bench.u_now if reference_u is None else reference_u
        off = of_bench.offset if reference_offset is None else reference_offset
        on_reference = claims_on_reference(
            matched, own, time_bases, reference=reference,
            interval_s=step_s, u_reference=u, reference_offset=off,
        )  # fmt: skip
    majority = claim_of_majority(pairs, time_bases, share)
    made, refused = on_reference.made + majority.made, on_reference.refused + majority.refused
    why_none = None if made or refused else no_claim(time_bases)
    comparison = Comparison(
        time_bases=time_bases,
        pairs=pairs,
        claims=made,
        refused=refused if why_none is None else (why_none,),
        hat=hat_rows(matched, step_s) if len(matched) == HAT_COUNTERS else (),
        coverage=share,
    )
    if as_json:
        _print_json_lines(comparison)
    else:
        print_text(comparison_text(comparison))


def _read(sources: tuple[RecordedSource, ...], stated: RecordingOptions) -> dict[str, Recording]:
    """Return at least two recordings of one signal by counter; refuse any others."""
    if len({(source.path, source.selection) for source in sources}) < len(sources):
        raise UsageError("a file is given twice; compare different ones.")
    found: dict[str, Recording] = {}
    for source in sources:
        for recording in stated.read_all(source):
            name = recording.counter or source.label
            if name in found:
                name = f"{source.label} {name}"
            if name in found:
                raise UsageError(f"two recordings are both of '{name}'; compare different ones.")
            found[name] = recording
    if len(found) < 2:
        raise UsageError(f"two counters or more are compared; these files hold {len(found)}.")
    nominals = {recording.nominal for recording in found.values() if recording.nominal}
    if len(nominals) > 1:
        raise UsageError(
            "these recordings have different nominals and can't be of one signal; "
            "state it with --nominal if they are."
        )
    return found


def _matched(
    recordings: dict[str, Recording], window_s: float | None
) -> tuple[dict[str, NDArray[np.float64]], dict[str, NDArray[np.float64]], float]:
    """Match the readings of all counters in time.

    Returns:
        Offsets by counter, (n,) each; the part of each that the counter's own oscillator
        counted, 0 to 1, (n,); the interval in seconds.
    """
    starts = [recording.utc_start_s for recording in recordings.values()]
    dated = all(start is not None for start in starts)
    if not dated:
        narrate("not all files have dates; their seconds are taken as counted by one clock.")
    zero = min(start or 0.0 for start in starts) if dated else 0.0
    steps = [recording.interval_s for recording in recordings.values() if recording.interval_s]
    window_s = window_s or (max(steps) / 2.0 if steps else 1.0)
    times = {
        name: recording.time_s + ((recording.utc_start_s or 0.0) - zero if dated else 0.0)
        for name, recording in recordings.items()
    }
    offsets = {name: used_offsets(one, spikes_of(one)) for name, one in recordings.items()}
    matched, interval_s = align(times, offsets, window_s)
    own, _ = align(times, {name: _own_counted(one) for name, one in recordings.items()}, window_s)
    if next(iter(matched.values())).size == 0:
        raise NoReadings(
            f"no readings lie within {format_duration(window_s)} of each other. "
            "Were the counters read at the same time? A wider --window may help."
        )
    return matched, own, interval_s if math.isfinite(interval_s) else window_s


def _own_counted(recording: Recording) -> NDArray[np.float64]:
    """Return 1 for each reading that the counter's own oscillator counted, else 0; (n,)."""
    own = np.zeros(len(recording))
    own[[row for row, flags in recording.flags.items() if INTERNAL_TIMEBASE in flags]] = 1.0
    return own


# ------------------------------------------------------------- output


def comparison_text(comparison: Comparison) -> str:
    """Write a comparison for people, all offsets in one unit."""
    share, unit = f"{comparison.coverage * 100:g} %", _unit(comparison)
    rows = []
    for pair in comparison.pairs:
        half = pair.half_width(comparison.coverage)
        interval = "unknown" if half is None else in_unit(half, unit)
        agree = "unknown" if half is None else "yes" if abs(pair.mean) <= half else "no"
        mean = write_fraction(pair.mean, pair.u, unit)
        rows.append(
            [
                f"{pair.first} - {pair.second}",
                f"{mean.digits} ± {mean.u}",
                interval,
                agree,
                str(pair.readings),
            ]
        )
    names = ("difference", f"mean in {unit.name}, k = 1", f"± at {share}", "agree", "readings")
    parts = [align_table(names, rows)]
    if set(comparison.time_bases.values()) != {"unknown"}:
        parts.append(_time_bases_text(comparison.time_bases))
    parts += [_claim_text(claim, unit) for claim in comparison.claims]
    parts += comparison.refused
    if comparison.hat:
        parts.append(_hat_text(comparison, unit))
    return "\n\n".join(parts)


UNKNOWN_U = " (state --reference-u for its uncertainty)"

TIME_BASE_WORDS: dict[RunTimeBase, str] = {
    "internal": "its own oscillator",
    "external": "an external time base",
    "changing": "its own oscillator for a part",
    "unknown": "not told",
}


def _unit(comparison: Comparison) -> OffsetUnit:
    """Return the unit of all printed offsets, which fits the largest difference."""
    sizes = [abs(pair.mean) for pair in comparison.pairs]
    sizes += [pair.half_width(comparison.coverage) or 0.0 for pair in comparison.pairs]
    return offset_unit(max(sizes))


def _time_bases_text(time_bases: dict[str, RunTimeBase]) -> str:
    listed = "; ".join(f"{name}: {TIME_BASE_WORDS[how]}" for name, how in time_bases.items())
    return f"Counted by, as the recordings tell: {listed}."


def _claim_text(claim: TimeBaseClaim, unit: OffsetUnit) -> str:
    base = claim.base
    off = write_fraction(base.offset, base.u, unit)
    if claim.against is None:
        head = f"{base.counter} disagrees with the others, which agree"
        return f"{head}: its time base is off by {off} against them, {claim.condition}."
    unknown = "" if base.u is not None else UNKNOWN_U
    return f"{base.counter}: its time base is off by {off}{unknown}, {claim.condition}."


def _hat_text(comparison: Comparison, unit: OffsetUnit) -> str:
    rows = [
        [
            f"{row.tau_s:g} s",
            *("not resolvable" if part is None else in_unit(part, unit) for part in row.deviations),
            str(row.terms),
        ]
        for row in comparison.hat
    ]
    title = (
        f"Allan deviation of each counter alone, in {unit.name} (three-cornered hat; "
        "if their noise is independent)"
    )
    return f"{title}\n" + align_table(("averaging", *comparison.time_bases, "differences"), rows)


def _print_json_lines(comparison: Comparison) -> None:
    for pair in comparison.pairs:
        half = pair.half_width(comparison.coverage)
        print_json(
            {"kind": "difference", "first": pair.first, "second": pair.second,
             "offset": pair.mean, "u": pair.u, "dof": None if pair.u is None else pair.dof,
             "expanded": half, "coverage": comparison.coverage,
             "agree": None if half is None else abs(pair.mean) <= half,
             "readings": pair.readings,
             "first_time_base": comparison.time_bases[pair.first],
             "second_time_base": comparison.time_bases[pair.second]}
        )  # fmt: skip
    for claim in comparison.claims:
        print_json({"kind": "timebase", "counter": claim.base.counter, "against": claim.against,
                  "offset": claim.base.offset, "u": claim.base.u,
                  "condition": claim.condition, "readings": claim.readings})  # fmt: skip
    for sentence in comparison.refused:
        print_json({"kind": "note", "text": sentence})
    for row in comparison.hat:
        alone = dict(zip(comparison.time_bases, row.deviations, strict=True))
        print_json({"kind": "hat", "tau_s": row.tau_s, "adev": alone, "n": row.terms})
