"""Deviations of a recorded file: the options that ask for them, and their computation."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from typing import Any, Final

import click

from benchwatch.commands.common.chosen_runs import RecordedSource
from benchwatch.commands.common.option_types import DURATION, read_coverage
from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.progress import progress
from benchwatch.commands.common.recording_options import RecordingOptions, file_options
from benchwatch.commands.common.time_range import (
    TimeRange,
    TypedRange,
    changes_in_range,
    choose,
    time_range_options,
)
from benchwatch.errors import FileError, UsageError
from benchwatch.estimate.stability import (
    CONTIGUOUS_SHARE,
    DEVIATIONS,
    NAMES,
    ONE_SIGMA,
    SPACINGS,
    Deviation,
    factor_of,
    gate_with_dead_time,
    nearest_factor,
    spaced_factors,
    stability_table,
)
from benchwatch.quantity import parse_duration, printable
from benchwatch.recording import ReadPosition, Recording
from benchwatch.recording.run_statistics import phase_of

TAU_FORMS: Final = "octave, decade or a list such as 1s,10s,100s"


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedDeviations:
    """Typed options: which deviations, of which part of the file."""

    taus: str
    deviations: str
    stated: RecordingOptions
    gate_s: float | None
    counter: str | None
    part: TypedRange
    confidence: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedDeviations:
    """Deviations of a recording, and what they are of."""

    recording: Recording
    rows: tuple[Deviation, ...]
    """At least one."""
    coverage: float
    """Of the limits, 0 to 1."""
    range: TimeRange


def deviation_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of `AskedDeviations` to a command, which gets them as `asked`."""

    @click.option(
        "--taus", default="octave", show_default=True, help=f"Averaging times: {TAU_FORMS}."
    )
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
    @click.option(
        "--confidence", help="Coverage of the limits, such as 95%; else one sigma, 68.27%."
    )
    @wraps(command)
    def with_asked(
        *args: Any,
        taus: str,
        deviations: str,
        stated: RecordingOptions,
        gate_s: float | None,
        counter: str | None,
        part: TypedRange,
        confidence: str | None,
        **rest: Any,
    ) -> Any:
        asked = AskedDeviations(
            taus=taus,
            deviations=deviations,
            stated=stated,
            gate_s=gate_s,
            counter=counter,
            part=part,
            confidence=confidence,
        )
        return command(*args, asked=asked, **rest)

    return with_asked


def recorded_deviations(source: RecordedSource, asked: AskedDeviations) -> RecordedDeviations:
    """Return the deviations of a recorded file; what is missing or left out is narrated.

    Raises:
        BenchwatchError: the file can't be read or is too short, or an option does not fit it.
    """
    names = parse_deviations(asked.deviations)
    coverage = ONE_SIGMA if asked.confidence is None else read_coverage(asked.confidence)
    recording = asked.stated.read_one(source, asked.counter)
    if recording.interval_s is None:
        raise FileError(f"{recording.source}: one reading says nothing on stability; give more.")
    gate_s = _dead_time(recording, recording.interval_s, asked.gate_s, names)
    chosen = choose(recording, asked.part)
    changes = changes_in_range(recording, chosen, "stability")
    if changes is not None:
        narrate(changes)
    phase = phase_of(recording, chosen.offsets, chosen.rows, chosen.wild)
    factors = _factors(asked.taus, gate_s or recording.interval_s, phase.points)
    position = ReadPosition()

    def say_done(numbers: int, of: int) -> None:
        position.done, position.total = numbers, of

    with progress("computing deviations", position.fraction):
        rows = stability_table(
            phase,
            recording.interval_s,
            names,
            factors,
            gate_s=gate_s,
            confidence=coverage,
            say_done=say_done,
        )
    _report_missing(recording, names, factors, rows)
    if gate_s is not None and any(row.noise is None and row.value > 0 for row in rows):
        narrate("too few readings to tell the noise, so that dead time is not corrected for.")
    return RecordedDeviations(recording=recording, rows=rows, coverage=coverage, range=chosen.range)


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
    if word in SPACINGS:
        return spaced_factors(word, points)
    factors = []
    for part in taus.split(","):
        tau_s = parse_duration(part)
        try:
            factor = nearest_factor(tau_s, tau0_s)
        except UsageError as error:
            raise UsageError(f"--taus: {error}") from error
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
    try:
        gate_s = gate_with_dead_time(gate_s, interval_s)
    except UsageError as error:
        raise UsageError(f"--gate: {error}") from error
    left = [name for name in names if not DEVIATIONS[name].corrected]
    if left and gate_s is not None:
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
