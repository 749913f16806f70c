"""The report on a visit: its values, drafts of it in files, and issues of it."""

from collections.abc import Sequence
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from benchwatch.api.registered import register_beside
from benchwatch.clock import SystemClock, dated_minute, local_minute

if TYPE_CHECKING:
    from benchwatch.report.issue.issuing import Issued
    from benchwatch.report.visit_style import VisitStyle

FilePath = str | PathLike[str]
Pages = Literal["all", "customer"]


class VisitReport:
    """The report on one visit; each method reads the register anew.

    Args:
        visit: number of the visit, or ``CHAIN/NUMBER``.
        journal: the journal beside which the register is; None: the one that a watch writes where
            none is named.
        simulated: whether it is a visit of a simulated bench.
        laboratory: the laboratory file; None: nothing is said of the laboratory.
        pages: all, or those for whoever brought the unit.
        forecast: whether a forecast is asked for; the laboratory file must allow it.

    Raises:
        UsageError: a key of the laboratory file can't be used; in its methods: there is no such
            visit.
        FileError: the laboratory file can't be read; in its methods: the register.
    """

    def __init__(
        self,
        visit: int | str,
        *,
        journal: FilePath | None = None,
        simulated: bool = False,
        laboratory: FilePath | None = None,
        pages: Pages = "all",
        forecast: bool = False,
    ) -> None:
        from benchwatch.report.contents.report_source import (  # noqa: PLC0415 - slow to load
            ReportOptions,
        )
        from benchwatch.report.issue.report_reading import (  # noqa: PLC0415 - likewise
            ReportRequest,
        )
        from benchwatch.report.laboratory.laboratory import (  # noqa: PLC0415 - likewise
            Laboratory,
            load_laboratory,
        )

        self._request: ReportRequest = ReportRequest(
            register=register_beside(journal, simulated=simulated),
            visit=str(visit),
            make_style=_style,
            laboratory=Laboratory() if laboratory is None else load_laboratory(Path(laboratory)),
            options=ReportOptions(pages=pages, forecast=forecast),
        )

    def values(self) -> dict[str, Any]:
        """Return a draft as values: the document that every form is written from."""
        from benchwatch.report.issue.issuing import draft_document  # noqa: PLC0415 - slow to load

        return draft_document(self._request)

    def write(self, path: FilePath, *, replace: bool = False) -> Path:
        """Write a draft into a file and return its path; the register does not know of it.

        Args:
            path: of the file; its ending says in which form: ``.pdf``, ``.html``, ``.txt`` and
                others, which a wrong ending lists.
            replace: whether a file that is there is replaced.

        Raises:
            UsageError: the ending is that of no form, or the file is there.
            FileError: the file can't be written.
        """
        from benchwatch.report.issue.issuing import form_of  # noqa: PLC0415 - slow to load
        from benchwatch.report.whole_file import write_whole  # noqa: PLC0415 - likewise

        place = Path(path)
        form = form_of(place)
        write_whole(place, form.write(self.values()), replaces=replace)
        return place

    def issue(self, paths: FilePath | Sequence[FilePath], *, reason: str = "") -> "Issued":
        """Issue the report in one or more files: it gets a number, and the register keeps it.

        If nothing has changed since the newest issue, these are further files of that.

        Args:
            paths: of one file or several; their endings say in which forms.
            reason: why another issue is made.

        Raises:
            UsageError: the ending is that of no form, or a file is there.
            FileError: a file or the register can't be written.
        """
        from benchwatch.report.issue.issuing import issue_report  # noqa: PLC0415 - slow to load

        several = [paths] if isinstance(paths, str | PathLike) else paths
        places = [Path(one) for one in several]
        words = " ".join(reason.split())
        return issue_report(self._request, places, clock=SystemClock(), reason=words)


def _style(own_chain: str | None) -> "VisitStyle":
    """Return the style of a report: local times with their zone."""
    from benchwatch.report.visit_style import VisitStyle  # noqa: PLC0415 - slow to load

    return VisitStyle(
        moment=dated_minute,
        day=lambda utc_s: local_minute(utc_s)[:10] or "-",
        now_utc_s=0.0,  # a report says nothing of the present
        own_chain=own_chain,
    )
