"""The unit over its visits up to this one, with a forecast only where one is asked for."""

from collections.abc import Iterator

from benchwatch.report.blocks import Sentence, Table
from benchwatch.report.contents.report_blocks import Figure
from benchwatch.report.contents.report_source import ReportSource
from benchwatch.report.due_words import due_words, history_cautions
from benchwatch.report.visit_document import (
    forecast_sentences,
    interval_blocks,
    rate_sentences,
    visits_table,
)


def history_blocks(source: ReportSource) -> Iterator[Sentence | Table | Figure]:
    """Yield the visits as a table, and what the unit did between them."""
    standing = source.standing
    if standing is None:
        return
    if len(standing.visits) < 2:
        yield Sentence("This is its first visit on record.")
    else:
        yield Figure("history", shows_title=False)
        yield Sentence("± is u (k = 1) here; ! marks a record with a caution.", "quiet")
        yield visits_table(standing.visits, source.style)
    if standing.history.intervals:
        yield from interval_blocks(standing.history.intervals)
        yield from rate_sentences(standing)
    if source.shows_forecast:
        yield from forecast_sentences(standing)
        yield Sentence(f"Forecast, asked for: {due_words(standing.due, source.end_utc_s)}.")
    for caution in history_cautions(standing.history):
        yield Sentence(f"Caution: {caution}.", "warning")


def history_table(source: ReportSource) -> Table | None:
    """Return the table of the visits; None for a nameless visit."""
    standing = source.standing
    return None if standing is None else visits_table(standing.visits, source.style)
