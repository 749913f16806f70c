"""Sentences on when a unit is due, and on what was left out of its ageing."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from benchwatch.estimate.ageing.unit_due import DueState, UnitDue
from benchwatch.estimate.ageing.visit_history import DatedOffset, VisitOffsets, visit_history
from benchwatch.report.due_words import due_words, history_cautions


def at(year: int, month: int = 1) -> float:
    """Return the middle of a month, Unix seconds."""
    return datetime(year, month, 15, tzinfo=UTC).timestamp()


NOW = at(2032, 6)
KNOWN = UnitDue(
    state="known",
    due_utc_s=at(2033, 5),
    earliest_utc_s=at(2033, 1),
    latest_utc_s=at(2033, 11),
    horizon_utc_s=at(2052),
    first_utc_s=at(2031, 5),
    newest_utc_s=at(2032, 5),
    newest_visit="3",
)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({}, "due about May 2033, between January 2033 and November 2033"),
        ({"latest_utc_s": None}, "due about May 2033, not before January 2033"),
        (
            {"earliest_utc_s": at(2032, 5)},
            "due about May 2033, perhaps now already, November 2033 at the latest",
        ),
        (
            {"earliest_utc_s": at(2032, 5), "latest_utc_s": None},
            "due about May 2033, perhaps now already",
        ),
        ({"due_utc_s": None, "latest_utc_s": None}, "not before January 2033"),
        (
            {"due_utc_s": None, "latest_utc_s": None, "earliest_utc_s": None},
            "not before January 2052",
        ),
        ({"earliest_utc_s": at(2033, 5), "latest_utc_s": at(2033, 5)}, "due May 2033"),
    ],
)
def test_dates(changed: dict[str, float | None], words: str) -> None:
    """A date comes with its range, an open end is not invented, and the past is named as such."""
    assert due_words(replace(KNOWN, **changed), NOW) == words  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("today", "words"),
    [
        (at(2033, 8), "was due about May 2033, perhaps now already, November 2033 at the latest"),
        (at(2034), "overdue since about May 2033"),
    ],
)
def test_dates_that_have_passed(today: float, words: str) -> None:
    """A unit that came back late is overdue once the whole range has passed."""
    assert due_words(KNOWN, today) == words


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("no record", "can't tell yet: no record"),
        ("no tolerance", "can't tell: no tolerance"),
        ("outside", "outside now"),
        ("too near", "perhaps due now: too near its tolerance to tell"),
        ("u unknown", "perhaps due now: can't tell without its uncertainty"),
        ("one visit", "can't tell yet: one visit only"),
        ("doubtful date", "can't tell: the date of visit 3 is in doubt"),
        (
            "not moved",
            (
                "can't tell yet: moved by less than its uncertainty since May 2031; at its fastest "
                "not before January 2033"
            ),
        ),
    ],
)
def test_why_not(state: DueState, words: str) -> None:
    """Each reason why there is no date is said."""
    assert due_words(replace(KNOWN, state=state), NOW) == words


def test_cautions() -> None:
    """A clock set back, another nominal and unknown references each have a sentence."""

    def visit(number: int, utc_s: float, nominal_hz: float = 5e6) -> VisitOffsets:
        found = DatedOffset(utc_s=utc_s, offset=1e-9, u=1e-10)
        return VisitOffsets(label=str(number), nominal_hz=nominal_hz, as_found=found)

    cautions = history_cautions(
        visit_history(
            [visit(1, 0.0), visit(2, 9e7), visit(3, 5e7), visit(4, 9e7, 1e7), visit(5, 1e8)]
        )
    )

    assert len(cautions) == 3
    assert "visit 3 is dated before visit 2" in cautions[0]
    assert "left out of the ageing: visit 4; visits amend NUMBER --nominal" in cautions[1]
    assert "shared nothing" in cautions[2]


def test_an_unknown_uncertainty_is_said() -> None:
    """A record without u is not exact: what is taken in its place has a sentence."""
    at_times = [(1, 0.0, None), (2, 9e7, 1e-10)]
    history = visit_history(
        VisitOffsets(label=str(n), as_found=DatedOffset(utc_s=s, offset=n * 1e-9, u=u))
        for n, s, u in at_times
    )

    assert "the uncertainty of some records is unknown" in history_cautions(history)[0]


def test_the_visit_that_differs_from_the_unit_is_named() -> None:
    """With the unit's nominal it is not the other visits, though the one that differs is newest."""
    visits = [
        VisitOffsets(label=str(n), nominal_hz=hertz,
                     as_found=DatedOffset(utc_s=n * 1e7, offset=1e-9, u=1e-10))
        for n, hertz in ((1, 5e6), (2, 5e6), (3, 10e6))
    ]  # fmt: skip
    history = visit_history(visits, 5e6)

    assert history.other_nominals == ("3",)
    assert history.newest_visit == "2"


def test_a_visit_that_runs_backwards() -> None:
    """As left before as found is said of the one visit."""
    early, late = (DatedOffset(utc_s=s, offset=1e-9, u=1e-10) for s in (0.0, 1e5))
    history = visit_history([VisitOffsets(label="7", as_found=late, as_left=early)])

    assert history_cautions(history)[0].startswith("visit 7: as left is dated before as found")


def test_nothing_to_say() -> None:
    """A history without trouble has no caution."""
    assert history_cautions(visit_history([])) == ()
