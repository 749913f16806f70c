"""How it was measured: counters, runs and journals, what is corrected, and what is left out."""

from collections.abc import Iterator
from typing import Final

from benchwatch.measured_visit.measured_visit import MeasuredRun
from benchwatch.quantity import format_duration, listed
from benchwatch.report.blocks import Sentence, Table
from benchwatch.report.contents.report_source import ReportSource
from benchwatch.report.visit_style import NAMELESS

HOW: Final = (
    "Corrected: the stated offset of the reference, and what a comparison said of a time "
    "base. In no result: spikes, repeated and overrange readings, other dial settings. The u of "
    "noise is the deviation at the averaging time, not s/√n; budgets by JCGM 100:2008."
)


def method_blocks(source: ReportSource) -> Iterator[Sentence | Table]:
    """Yield how readings become results, then the runs with their counters."""
    yield Sentence(HOW)
    identities = dict.fromkeys(
        f"{run.counter}: {run.identity}" for run in source.measured.runs if run.identity
    )
    if identities:
        yield Sentence(f"Counters, as they answer: {listed(identities)}.")
    if source.measured.runs:
        yield Table(
            (
                "run",
                "began",
                "counter",
                "gate",
                "time base",
                "readings",
                "gaps",
                "spikes",
                "journal",
            ),
            tuple(_row(source, run) for run in source.measured.runs),
        )
    elif source.visit.runs:
        yield Table(
            ("began", "counter", "journal"),
            tuple(
                (source.style.moment(run.at_utc_s), run.counter, run.journal)
                for run in source.visit.runs
            ),
        )


def _row(source: ReportSource, run: MeasuredRun) -> tuple[str, ...]:
    gaps = str(run.gaps)
    if run.gaps and run.missing_s > 0:
        gaps += f" ({format_duration(run.missing_s)})"
    return (
        NAMELESS if run.number is None else str(run.number),
        NAMELESS if run.began_utc_s is None else source.style.moment(run.began_utc_s),
        run.counter,
        ", ".join(map(format_duration, run.gates_s)) or NAMELESS,
        run.time_base,
        str(run.readings),
        gaps,
        str(run.spikes),
        run.journal or NAMELESS,
    )
