"""What has changed from one issue of a report to the next, and why, in sentences."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from benchwatch.quantity import how_many, printable
from benchwatch.register.issued_report import Fingerprint, ReportIssue
from benchwatch.register.visit_amendments import Amendment
from benchwatch.report.amendment_words import LONGEST_REASON_CHARS, amendment_words
from benchwatch.report.contents.report_source import ReportSource

NO_REASON: Final = "no reason stated"
PART_WORDS: Final[Mapping[str, str]] = {
    "laboratory": "what the laboratory states",
    "unit": "what is stated of the unit",
    "customer": "what is stated of the customer and the order",
    "checks": "the checks at other dial settings",
    "stability": "the deviations since the last turn",
    "history": "the history over visits",
    "conditions": "the conditions",
    "notes": "the notes",
    "cautions": "the cautions",
}
"""What a part of the document is called."""
OTHERWISE: Final = "changed: how the report is worded or laid out"


def stated_results(document: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """Return label and text of each result of a document, as a person reads it."""
    return tuple(
        (one["name"], "; ".join(filter(None, (one["offset"]["text"], one["verdict_words"]))))
        for one in document["results"]
    )


def new_amendments(earlier: ReportIssue, source: ReportSource) -> list[Amendment]:
    """Return the amendments of the visit that did not count in the earlier issue."""
    known = set(earlier.amendments)
    return [one for one in source.visit.amendments if one.entry not in known]


def changes_since(earlier: ReportIssue, issue: ReportIssue, source: ReportSource) -> list[str]:
    """Return a sentence on each thing that the new `issue` of `source` says otherwise."""
    changes = [*_changed_results(earlier.results, issue.results)]
    changes += [amendment_words(one, source.style.entry) for one in new_amendments(earlier, source)]
    changes += _changed_readings(earlier.readings, issue.readings)
    changes += [
        f"changed: {words}"
        for part, words in PART_WORDS.items()
        if earlier.parts.get(part) != issue.parts.get(part)
    ]
    return changes or [OTHERWISE]


def reason_of(typed: str, earlier: ReportIssue, source: ReportSource) -> str:
    """Return why an issue is made: as typed, else the reasons of the amendments since."""
    if typed:
        return typed
    texts = (one.text for one in new_amendments(earlier, source))
    reasons = [printable(text, LONGEST_REASON_CHARS) for text in texts if isinstance(text, str)]
    return "; ".join(dict.fromkeys(filter(None, reasons))) or NO_REASON


def _changed_results(
    before: Sequence[tuple[str, str]], after: Sequence[tuple[str, str]]
) -> Iterator[str]:
    old, new = dict(before), dict(after)
    for label in dict.fromkeys([*old, *new]):
        if label not in old:
            yield f"{label}: was not stated, is now {new[label]}"
        elif label not in new:
            yield f"{label}: was {old[label]}, is no longer stated"
        elif old[label] != new[label]:
            yield f"{label}: was {old[label]}, is now {new[label]}"


def _changed_readings(before: Fingerprint | None, after: Fingerprint | None) -> Iterator[str]:
    if before == after:
        return
    old, new = _count(before), _count(after)
    runs = len(_runs(after)) - len(_runs(before))
    if runs > 0:
        yield f"{how_many(runs, 'run')} added"
    if new > old:
        yield f"{how_many(new - old, 'reading')} added"
    elif new < old:
        yield f"{how_many(old - new, 'reading')} fewer at hand than before"
    else:
        yield "the readings are others than before"


def _count(readings: Fingerprint | None) -> int:
    return 0 if readings is None else readings.readings


def _runs(readings: Fingerprint | None) -> tuple[tuple[int, int], ...]:
    return () if readings is None else readings.last_numbers
