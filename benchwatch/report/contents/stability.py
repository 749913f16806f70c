"""How steady the unit was since the last turn: deviations with their limits."""

from collections.abc import Iterator

from benchwatch.estimate.stability.deviation_kinds import DEVIATIONS
from benchwatch.estimate.stability.deviation_point import Deviation
from benchwatch.quantity import format_duration, how_many
from benchwatch.report.blocks import Sentence, Table
from benchwatch.report.contents.report_blocks import Figure
from benchwatch.report.contents.report_source import ReportSource
from benchwatch.report.visit_style import NAMELESS


def stability_blocks(source: ReportSource) -> Iterator[Sentence | Table | Figure]:
    """Yield from which readings the deviations are, then their table."""
    stability, table = source.measured.stability, stability_table(source)
    if stability is None or table is None:
        return
    yield Figure("stability", shows_title=False)
    moment = source.style.moment
    left_out = f", {how_many(stability.spikes, 'spike')} left out" * bool(stability.spikes)
    since = "since the last turn" if source.measured.turns else "without a turn"
    whose = f" of {stability.counter}" * bool(stability.counter)
    apart = (
        f" {how_many(stability.apart, 'reading')} of another counter before them are not put "
        "together with these: a step between counters is not the unit's."
    ) * bool(stability.apart)
    yield Sentence(
        f"{how_many(stability.readings, 'reading')}{whose} {since}, from "
        f"{moment(stability.begin_utc_s)} to {moment(stability.end_utc_s)}{left_out}; limits of "
        f"{stability.points[0].confidence * 100:.3g} % for the noise named.{apart}"
    )
    yield table


def stability_table(source: ReportSource) -> Table | None:
    """Return the deviations, a row a kind and averaging time; None without any."""
    stability = source.measured.stability
    if stability is None or not stability.points:
        return None
    return Table(
        ("deviation", "over", "value", "from", "to", "noise"),
        tuple(_row(one) for one in stability.points),
    )


def _row(one: Deviation) -> tuple[str, ...]:
    unit = " s" if DEVIATIONS[one.deviation].time else ""
    value = one.value if one.corrected is None else one.corrected
    limits = (NAMELESS if end is None else f"{end:.2e}{unit}" for end in (one.low, one.high))
    return (
        one.deviation,
        format_duration(one.tau_s),
        f"{value:.2e}{unit}",
        *limits,
        one.noise or "not known",
    )
