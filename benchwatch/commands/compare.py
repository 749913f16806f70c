"""``benchwatch compare``: compares counters on one signal, and says whose time base is off."""

import math
from collections.abc import Mapping
from itertools import combinations
from pathlib import Path

import click
import numpy as np
from numpy.typing import NDArray

from benchwatch.commands.common.chosen_runs import RecordedSource
from benchwatch.commands.common.option_types import DURATION, FRACTION, read_coverage
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.progress import progress
from benchwatch.commands.common.recorded_plan import bench_option, plan_of_recording
from benchwatch.commands.common.recorded_source import sources_options
from benchwatch.commands.common.recording_options import RecordingOptions, file_options
from benchwatch.commands.common.shared_options import coverage_option, reference_offset_option
from benchwatch.errors import NoReadings, UsageError
from benchwatch.estimate.comparison.comparison_result import ComparisonResult, compare_counters
from benchwatch.estimate.comparison.matched_pair import (
    CounterReadings,
    MatchedPair,
    match_pair,
    match_within,
)
from benchwatch.estimate.comparison.time_base_claims import NamedReference, run_time_base
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.quantity import in_unit, offset_unit, printable, write_fraction
from benchwatch.reading import INTERNAL_TIMEBASE
from benchwatch.recording import Recording
from benchwatch.recording.run_statistics import spikes_of, used_offsets
from benchwatch.report.blocks import align_table
from benchwatch.report.comparison_words import (
    SIGNAL_TOO,
    TIME_BASE_WORDS,
    comparison_sentences,
    comparison_unit,
    share_words,
)

HAT_COUNTERS = 3
"""Number of counters whose own shares are printed as a line of a three-cornered hat too."""


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
    called as in the file, or after it. With --reference, or where a recording tells that one
    counter ran on an external time base, the time bases of the others are found; with three
    counters or more, the one that disagrees with all others, and the noise of each alone. What
    the counters read is compared, before anything was put right.
    """
    share = read_coverage(coverage)
    recordings = _read(sources, stated)
    if reference is not None and reference not in recordings:
        raise UsageError(
            f"no counter is called '{printable(reference)}'. There are: {', '.join(recordings)}."
        )
    readings = _readings_of(recordings)
    with progress("matching the readings of one time"):
        pairs = _matched(readings, window_s)
    time_bases = {
        name: run_time_base(readings[name].own, external=recording.time_base == "external")
        for name, recording in recordings.items()
    }
    references = {
        name: _stated_reference(name, recording, bench_file, reference_u, reference_offset)
        for name, recording in recordings.items()
        if reference in {None, name}
    }
    result = compare_counters(
        pairs,
        time_bases,
        None if reference is None else references[reference],
        references=references,
        coverage=share,
        tolerance=_tolerance(recordings, bench_file),
    )
    if as_json:
        _print_json_lines(result)
    else:
        print_text(comparison_text(result))


def _tolerance(recordings: Mapping[str, Recording], bench_file: Path | None) -> float | None:
    """Return the smallest tolerance that the bench file states of these counters; None: none."""
    stated = [
        plan_of_recording(one, bench_file, name).tolerance for name, one in recordings.items()
    ]
    return min((one for one in stated if one is not None), default=None)


def _stated_reference(
    name: str,
    recording: Recording,
    bench_file: Path | None,
    u: float | None,
    offset: float | None,
) -> NamedReference:
    """Return what is stated of the reference of one counter; `u` and `offset` as typed."""
    of_bench = plan_of_recording(recording, bench_file).reference or Reference()
    return NamedReference(
        counter=name,
        u=of_bench.u_now if u is None else u,
        offset=of_bench.offset if offset is None else offset,
    )


def _read(sources: tuple[RecordedSource, ...], stated: RecordingOptions) -> dict[str, Recording]:
    """Return at least two recordings of one signal by counter; refuse any others."""
    if len({(source.path, source.selection) for source in sources}) < len(sources):
        raise UsageError("a file is given twice; compare different ones.")
    found: dict[str, Recording] = {}
    stations = {one.selection.station for one in sources if one.selection is not None}
    for source in sources:
        station = None if source.selection is None else source.selection.station
        for recording in stated.read_all(source):
            name = recording.counter or source.label
            if station is not None and len(stations) > 1:  # counters of several may share a name
                name = f"{printable(station, 63)} {name}"
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


def _readings_of(recordings: Mapping[str, Recording]) -> dict[str, CounterReadings]:
    """Return the usable readings of every counter, dated on one clock."""
    starts = [recording.utc_start_s for recording in recordings.values()]
    dated = all(start is not None for start in starts)
    if not dated:
        narrate("not all files have dates; their seconds are taken as counted by one clock.")
    zero = min(start or 0.0 for start in starts) if dated else 0.0
    found = {}
    for name, one in recordings.items():
        gates = one.gates()
        found[name] = CounterReadings(
            name=name,
            time_s=one.time_s + ((one.utc_start_s or 0.0) - zero if dated else 0.0),
            offset=used_offsets(one, spikes_of(one)),
            own=_own_counted(one),
            gate_s=gates[0] if len(gates) == 1 else None,
            spacing_s=one.interval_s or 1.0,
            resolution=one.resolution_hz / float(one.nominal) if one.nominal else 0.0,
        )
    return found


def _matched(readings: Mapping[str, CounterReadings], window_s: float | None) -> list[MatchedPair]:
    """Match the readings of every two counters; pairs that have none in common are left out.

    Raises:
        NoReadings: no two counters have any.
    """
    pairs = [
        match_pair(first, second) if window_s is None else match_within(first, second, window_s)
        for first, second in combinations(readings.values(), 2)
    ]
    found = [pair for pair in pairs if np.isfinite(pair.apart).any()]
    if not found:
        raise NoReadings(
            "no readings of two counters are of the same time. "
            "Were the counters read at the same time? A wider --window may help."
        )
    return found


def _own_counted(recording: Recording) -> NDArray[np.float64]:
    """Return 1 for each reading that the counter's own oscillator counted, else 0; (n,)."""
    own = np.zeros(len(recording))
    own[[row for row, flags in recording.flags.items() if INTERNAL_TIMEBASE in flags]] = 1.0
    return own


# ------------------------------------------------------------- output


def comparison_text(result: ComparisonResult) -> str:
    """Write a comparison for people: a table of the pairs, then the sentences of the screen."""
    share, unit = f"{result.coverage * 100:g} %", comparison_unit(result)
    rows = []
    for pair in result.pairs:
        mean = write_fraction(pair.offset, pair.u, unit)
        rows.append(
            [
                f"{pair.first} - {pair.second}",
                f"{mean.digits} ± {mean.u}",
                "unknown" if pair.expanded is None else in_unit(pair.expanded, unit),
                {None: "unknown", True: "yes", False: "no"}[pair.agree],
                str(pair.readings),
            ]
        )
    names = ("difference", f"mean in {unit.name}, k = 1", f"± at {share}", "agree", "readings")
    parts = [align_table(names, rows)]
    if {how for _, how in result.time_bases} != {"unknown"}:
        parts.append(_time_bases_text(result))
    parts += comparison_sentences(result)
    if result.own:
        parts.append(_own_text(result))
    return "\n\n".join(parts)


def _time_bases_text(result: ComparisonResult) -> str:
    listed = "; ".join(f"{name}: {TIME_BASE_WORDS[how]}" for name, how in result.time_bases)
    return f"Counted by, as the recordings tell: {listed}."


def _own_text(result: ComparisonResult) -> str:
    unit = offset_unit(max(share.deviation or share.high for share in result.own))
    rows = []
    for tau_s in dict.fromkeys(share.tau_s for share in result.own):
        shares = [share for share in result.own if share.tau_s == tau_s]
        words = [share_words(share, unit) for share in shares]
        rows.append([f"{tau_s:g} s", *words, str(shares[0].terms)])
    how = "three-cornered hat" if len(result.counters) == HAT_COUNTERS else "least squares of pairs"
    title = (
        f"Allan deviation of each counter alone, in {unit.name} ({how}; "
        f"if their noise is independent{'' if result.same_moments else SIGNAL_TOO})"
    )
    return f"{title}\n" + align_table(("averaging", *result.counters, "differences"), rows)


def _print_json_lines(result: ComparisonResult) -> None:
    time_bases = dict(result.time_bases)
    for pair in result.pairs:
        known = pair.u is not None and math.isfinite(pair.dof)
        print_json(
            {"kind": "difference", "first": pair.first, "second": pair.second,
             "offset": pair.offset, "u": pair.u, "dof": pair.dof if known else None,
             "expanded": pair.expanded, "coverage": result.coverage, "agree": pair.agree,
             "readings": pair.readings,
             "first_time_base": time_bases[pair.first],
             "second_time_base": time_bases[pair.second]}
        )  # fmt: skip
    for claim in result.claims:
        print_json({"kind": "timebase", **claim.as_dict()})
    for sentence in result.refused:
        print_json({"kind": "note", "text": sentence})
    for share in result.own:
        print_json({"kind": "own", **share.as_dict()})
    if len(result.counters) != HAT_COUNTERS:
        return
    for tau_s in dict.fromkeys(share.tau_s for share in result.own):
        shares = [share for share in result.own if share.tau_s == tau_s]
        alone = {share.counter: share.deviation for share in shares}
        print_json({"kind": "hat", "tau_s": tau_s, "adev": alone, "n": shares[0].terms})
