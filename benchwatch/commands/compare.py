"""``benchwatch compare``: several counters on one signal, and whose time base is off."""

import math
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

import click
import numpy as np
from numpy.typing import NDArray

from benchwatch.commands.options import DURATION, FRACTION, FREQUENCY
from benchwatch.commands.stated import bench_option, plan_of
from benchwatch.commands.tables import in_unit, note, put, put_json, read_coverage, table
from benchwatch.errors import NoReadings, UsageError
from benchwatch.estimate.comparison import (
    Difference,
    HatRow,
    TimeBaseOffset,
    against_reference,
    differences,
    hat_rows,
    mean_offset,
    odd_one_out,
)
from benchwatch.estimate.matching import align
from benchwatch.estimate.offset_record import Reference
from benchwatch.quantity import format_duration, offset_unit, printable, write_fraction
from benchwatch.reading import UNFIT
from benchwatch.recording import KINDS, Kind, Recording, read_recordings

HAT = 3
"""Counters whose noise a three-cornered hat can part; more would give several answers each."""


@dataclass(frozen=True, slots=True)
class Compared:
    """Everything that is printed, in either form."""

    names: tuple[str, ...]
    pairs: tuple[Difference, ...]
    time_bases: tuple[TimeBaseOffset, ...]
    reference: str | None
    odd: TimeBaseOffset | None
    hat: tuple[HatRow, ...]
    coverage: float


@click.command()
@click.argument("files", nargs=-1, required=True)
@click.option("--nominal", type=FREQUENCY, help="What the frequency should be, such as 10MHz.")
@click.option("--column", type=click.Choice(KINDS), help="What the numbers are.")
@click.option("--interval", "interval_s", type=DURATION, help="Time from row to row.")
@click.option(
    "--window", "window_s", type=DURATION, help="How far apart one moment's readings lie."
)
@click.option("--reference", metavar="NAME", help="The counter that runs on the reference.")
@bench_option
@click.option("--reference-u", type=FRACTION, help="Standard uncertainty of that reference.")
@click.option("--reference-offset", type=FRACTION, help="How far it is known off.")
@click.option("--coverage", default="95%", show_default=True, help="Coverage of the intervals.")
@click.option("--json", "as_json", is_flag=True, help="Lines for programs.")
def compare(
    *,
    files: tuple[str, ...],
    nominal: Decimal | None,
    column: Kind | None,
    interval_s: float | None,
    window_s: float | None,
    reference: str | None,
    bench_file: Path | None,
    reference_u: float | None,
    reference_offset: float | None,
    coverage: str,
    as_json: bool,
) -> None:
    """Compare two or more counters that measured one signal at the same time.

    FILES are their recordings, or one file that holds them all. Counters are called as in the
    file, or after it. With --reference the time bases of the others are found; with three
    counters or more, the one that disagrees with all others; with exactly three, the noise of
    each alone. What the counters read is compared, before anything was put right.
    """
    share = read_coverage(coverage)
    recordings = _read(files, nominal, column, interval_s)
    if reference is not None and reference not in recordings:
        raise UsageError(
            f"no counter is called '{printable(reference)}'. There are: {', '.join(recordings)}."
        )
    matched, step_s = _matched(recordings, window_s)
    pairs = differences(matched, step_s)
    time_bases: tuple[TimeBaseOffset, ...] = ()
    if reference is not None:
        read = mean_offset(matched[reference])
        stated = plan_of(recordings[reference], bench_file).reference or Reference()
        u = stated.u_now if reference_u is None else reference_u
        off = stated.offset if reference_offset is None else reference_offset
        time_bases = against_reference(pairs, reference, read, u, off)
    shown = Compared(
        tuple(matched),
        pairs,
        time_bases,
        reference,
        odd_one_out(pairs, share),
        hat_rows(matched, step_s) if len(matched) == HAT else (),
        share,
    )
    if as_json:
        _put_lines(shown)
    else:
        put(compared_text(shown))


def _read(
    files: tuple[str, ...], nominal: Decimal | None, column: Kind | None, interval_s: float | None
) -> dict[str, Recording]:
    if len(set(files)) < len(files):
        raise UsageError("a file is given twice; compare different ones.")
    found: dict[str, Recording] = {}
    for path in files:
        for recording in read_recordings(
            path, nominal=nominal, column=column, interval_s=interval_s
        ):
            for sentence in recording.notes:
                note(sentence)
            name = recording.counter or printable(Path(path).stem)
            if name in found:
                name = f"{printable(Path(path).stem)} {name}"
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
) -> tuple[dict[str, NDArray[np.float64]], float]:
    starts = [recording.utc_start_s for recording in recordings.values()]
    dated = all(start is not None for start in starts)
    if not dated:
        note("not all files have dates; their seconds are taken as counted by one clock.")
    zero = min(start or 0.0 for start in starts) if dated else 0.0
    steps = [recording.interval_s for recording in recordings.values() if recording.interval_s]
    window_s = window_s or (max(steps) / 2.0 if steps else 1.0)
    matched, interval_s = align(
        {
            name: recording.time_s + ((recording.utc_start_s or 0.0) - zero if dated else 0.0)
            for name, recording in recordings.items()
        },
        {name: _offsets(recording) for name, recording in recordings.items()},
        window_s,
    )
    if next(iter(matched.values())).size == 0:
        raise NoReadings(
            f"no readings lie within {format_duration(window_s)} of each other. "
            "Were the counters read at the same time? A wider --window may help."
        )
    return matched, interval_s if math.isfinite(interval_s) else window_s


def _offsets(recording: Recording) -> NDArray[np.float64]:
    values = recording.offset.copy()
    values[[row for row, flags in recording.flags.items() if flags & UNFIT]] = np.nan
    return values


# ------------------------------------------------------------- what is printed


def compared_text(shown: Compared) -> str:
    """Write a comparison for people."""
    share = f"{shown.coverage * 100:g} %"
    rows = []
    for pair in shown.pairs:
        half = pair.half_width(shown.coverage)
        unit = offset_unit(max(abs(pair.mean), half or 0.0))
        interval = "unknown" if half is None else f"{in_unit(half, unit)} {unit.name}"
        agree = "unknown" if half is None else "yes" if abs(pair.mean) <= half else "no"
        rows.append(
            [
                f"{pair.first} - {pair.second}",
                str(write_fraction(pair.mean, pair.u, unit)),
                interval,
                agree,
                str(pair.readings),
            ]
        )
    names = ("difference", "mean, k = 1", f"± at {share}", "agree", "readings")
    parts = [table(names, rows)]
    parts += [
        f"{base.counter}: with {shown.reference} on the reference, its time base is off by "
        f"{write_fraction(base.offset, base.u)}{'' if base.u is not None else UNKNOWN_U}"
        for base in shown.time_bases
    ]
    parts += _verdict(shown)
    if shown.hat:
        parts.append(_hat(shown))
    return "\n\n".join(parts)


UNKNOWN_U = " (state --reference-u for its uncertainty)"


def _verdict(shown: Compared) -> list[str]:
    if shown.odd is not None:
        off = write_fraction(shown.odd.offset, shown.odd.u)
        name = f"{shown.odd.counter} disagrees with the others, which agree"
        return [f"{name}: its time base is off by {off} against them."]
    if shown.reference is None and len(shown.names) == 2:
        return ["Two counters alone don't tell whose time base is off; state --reference NAME."]
    return []


def _hat(shown: Compared) -> str:
    largest = max((part or 0.0 for row in shown.hat for part in row.deviations), default=0.0)
    unit = offset_unit(largest or 1e-12)
    rows = [
        [
            f"{row.tau_s:g} s",
            *("not resolvable" if part is None else in_unit(part, unit) for part in row.deviations),
            str(row.terms),
        ]
        for row in shown.hat
    ]
    title = f"Allan deviation of each counter alone, in {unit.name} (three-cornered hat)"
    return f"{title}\n" + table(("averaging", *shown.names, "differences"), rows)


def _put_lines(shown: Compared) -> None:
    for pair in shown.pairs:
        half = pair.half_width(shown.coverage)
        put_json(
            {"kind": "difference", "first": pair.first, "second": pair.second,
             "offset": pair.mean, "u": pair.u, "dof": None if pair.u is None else pair.dof,
             "expanded": half, "coverage": shown.coverage,
             "agree": None if half is None else abs(pair.mean) <= half,
             "readings": pair.readings}
        )  # fmt: skip
    for base in shown.time_bases:
        put_json({"kind": "timebase", "counter": base.counter, "against": shown.reference,
                  "offset": base.offset, "u": base.u})  # fmt: skip
    if shown.odd is not None:
        put_json({"kind": "timebase", "counter": shown.odd.counter, "against": None,
                  "offset": shown.odd.offset, "u": shown.odd.u})  # fmt: skip
    for row in shown.hat:
        alone = dict(zip(shown.names, row.deviations, strict=True))
        put_json({"kind": "hat", "tau_s": row.tau_s, "adev": alone, "n": row.terms})
