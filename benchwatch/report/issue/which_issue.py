"""Which issue of its report a visit is at, and the document of that issue."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any, Final

from benchwatch.register.issued_report import ChainHead, ReportIssue
from benchwatch.register.visit import Visit
from benchwatch.report.contents.report_document import report_document
from benchwatch.report.contents.report_source import ReportPages, ReportSource
from benchwatch.report.issue.document_digests import content_digest, part_digests
from benchwatch.report.issue.issue_changes import changes_since, reason_of, stated_results

ISSUED: Final = "issued"


@dataclass(frozen=True, slots=True, kw_only=True)
class PresentIssue:
    """The issue that a visit's report is at now."""

    issue: ReportIssue
    source: ReportSource
    """What it is made from, with its head."""
    whole: Mapping[str, Any]
    """Its document, with all pages; without its number."""
    is_new: bool
    """Whether it is not in the register yet."""
    replaces: ReportIssue | None
    """The issue that it replaces; None for the first one."""

    def document(self) -> dict[str, Any]:
        """Return its document, with the pages that were asked for."""
        asked = self.source.options.pages == "all"
        document = dict(self.whole if asked else report_document(self.source))
        document["issue"] = self._issue_part()
        return document

    def _issue_part(self) -> dict[str, Any]:
        issue, replaced, style = self.issue, self.replaces, self.source.style
        return {
            "state": ISSUED,
            "number": str(issue.number),
            "identification": issue.identification,
            "date": style.day(issue.issued_utc_s),
            "at": style.moment(issue.issued_utc_s),
            "utc": f"{datetime.fromtimestamp(issue.issued_utc_s, UTC):%Y-%m-%dT%H:%M:%SZ}",
            "replaces": None if replaced is None else {
                "number": str(replaced.number),
                "date": style.day(replaced.issued_utc_s),
                "identification": replaced.identification,
            },
            "reason": issue.reason,
            "changes": list(issue.changes),
        }  # fmt: skip


def present_issue(
    source: ReportSource, head: ChainHead | None, *, reason: str, now_utc_s: float
) -> PresentIssue:
    """Return the newest issue if the report still says the same, else the next one.

    Args:
        source: what the report is made from now.
        head: the end of the register's chain now.
        reason: why a further issue is made, as typed; empty where nothing was.
        now_utc_s: dates a new issue, Unix seconds.
    """
    visit = source.visit
    newest = visit.newest_issue
    earlier = None if newest is None else newest.issue
    if earlier is not None:
        told = replace(source, head=earlier.head)
        whole = _whole(told)
        if content_digest(whole) == earlier.content:
            return PresentIssue(
                issue=earlier, source=told, whole=whole, is_new=False,
                replaces=_issue_of_entry(visit, earlier.replaces),
            )  # fmt: skip
    told = replace(source, head=head)
    whole = _whole(told)
    number = 1 if earlier is None else earlier.number + 1
    issue = ReportIssue(
        number=number,
        issued_utc_s=float(int(now_utc_s)),
        identification=identification_of(whole, number),
        content=content_digest(whole),
        parts=part_digests(whole),
        results=stated_results(whole),
        amendments=tuple(one.entry for one in visit.amendments),
        readings=source.measured.fingerprint,
        head=head,
        reason=reason,
        replaces="" if newest is None else newest.entry,
        changes=(),
    )
    if earlier is not None:
        issue = replace(
            issue,
            changes=tuple(changes_since(earlier, issue, source)),
            reason=reason_of(reason, earlier, source),
        )
    return PresentIssue(issue=issue, source=told, whole=whole, is_new=True, replaces=earlier)


def identification_of(document: Mapping[str, Any], number: int | None) -> str:
    """Return by what an issue of a document is known; None: its draft."""
    which = "draft" if number is None else f"issue {number}"
    return f"{document['unit']['ident']} / visit {document['visit']['label']} / {which}"


def _whole(source: ReportSource) -> dict[str, Any]:
    """Return the document with all pages, whichever were asked for."""
    pages: ReportPages = "all"
    return report_document(replace(source, options=replace(source.options, pages=pages)))


def _issue_of_entry(visit: Visit, entry: str) -> ReportIssue | None:
    return next((one.issue for one in visit.issues if one.entry == entry), None)
