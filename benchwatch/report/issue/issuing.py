"""Issues the report on a visit: files on the disk, and an entry of the register for each.

The order keeps two promises, whenever the program is killed or the disk is full. A file that has
its name is in the register: it is written under another name, then its entry is added, and only
then the file gets its name. And no number is given to two issues: the transaction that adds the
entry checks that nothing was added since the report was made. Where the program ended in between,
the entry is there and the file is not; the same command then writes the same bytes.
"""

import hashlib
import re
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

from benchwatch.clock import Clock
from benchwatch.errors import FileError, RegisterError, UsageError
from benchwatch.register import RegisterFile
from benchwatch.register.issued_report import ReportIssue, issued_file_values
from benchwatch.register.register_entry import Draft
from benchwatch.report.contents.report_document import report_document
from benchwatch.report.forms.form_list import FORMS, Form
from benchwatch.report.issue.kept_files import Place, look_at_place
from benchwatch.report.issue.report_reading import (
    RegisteredVisit,
    ReportRequest,
    count_entries,
    present_head,
    read_registered_visit,
    read_source,
)
from benchwatch.report.issue.which_issue import PresentIssue, identification_of, present_issue
from benchwatch.report.whole_file import give_name, shown_path, written_beside

MOST_TRIES: Final = 8
"""How often a report is made anew because the register was written meanwhile."""
LONGEST_NAME: Final = 100
_NOT_IN_NAMES: Final = re.compile(r"[^\w.-]")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportFile:
    """A file of a report."""

    path: Path
    form: Form
    content: bytes
    sha256: str
    place: Place
    """What was at its place before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Issued:
    """What was issued."""

    issue: ReportIssue
    files: tuple[ReportFile, ...]
    is_new: bool
    """Whether this made a new issue; else these are files of the newest one."""
    replaces: ReportIssue | None
    is_open: bool
    """Whether the visit is still open, so that more may come."""


class _WrittenMeanwhile(Exception):
    """Another program added something that the report may have to say."""


def usual_ending() -> str:
    """Return the ending of reports whose form nobody chose: PDF where that can be written."""
    return ".pdf" if find_spec("typst") is not None else ".html"


def file_name(present: PresentIssue) -> str:
    """Return a name for the file of an issue, with letters that any file system takes."""
    source, unit = present.source, present.whole["unit"]["ident"]
    stem = f"{unit}-visit-{source.visit.number}-issue-{present.issue.number}"
    if source.options.pages != "all":
        stem += f"-{source.options.pages}"
    return _NOT_IN_NAMES.sub("_", stem)[-LONGEST_NAME:].lstrip("._-") + usual_ending()


def form_of(path: Path) -> Form:
    """Return the form of a report that the ending of a file's name says.

    Raises:
        UsageError: no form has that ending.
    """
    form = FORMS.get(path.suffix.lower())
    if form is None:
        raise UsageError(
            f"{shown_path(path)}: the ending says in which form a report is written: "
            f"{', '.join(FORMS)}."
        )
    return form


def draft_document(request: ReportRequest) -> dict[str, Any]:
    """Return the document of a draft, which is in no register.

    Raises:
        UsageError: there is no such visit.
        RegisterError: the register can't be read.
    """
    return report_document(read_source(request, read_registered_visit(request)))


def issue_report(
    request: ReportRequest, paths: Sequence[Path], *, clock: Clock, reason: str = ""
) -> Issued:
    """Issue the report of a visit in one or more files; their endings say in which forms.

    If it says the same as the newest issue, these are further files of that issue. Otherwise it is
    the next issue, which names the one before, what has changed, and why.

    Args:
        request: of which visit, and how.
        paths: where to; each must be free, or have exactly what would be written to it. In a folder
            the file gets a name that says of what it is, and the usual form.
        clock: dates the issue.
        reason: why a further issue is made; empty: the reasons of the amendments since.

    Raises:
        UsageError: there is no such visit, no such form, or a file is there already.
        FileError: a file can't be written.
        RegisterError: the register can't be read or written.
    """
    for path in paths:
        if not path.is_dir():
            form_of(path)
    if len({path.absolute() for path in paths}) < len(paths):
        raise UsageError("the same file is asked for twice.")
    if not isinstance(request.register, Path):
        raise UsageError(f"{request.register} is only read: the report is issued at the station.")
    for _ in range(MOST_TRIES):
        registered = read_registered_visit(request)
        source = read_source(request, registered)
        present = present_issue(source, registered.head, reason=reason, now_utc_s=clock.utc())
        files = _files(present, paths)
        drafts = _drafts(present, files, clock)
        check = _refuse_anything_new(registered, is_new=present.is_new)
        try:
            _write(RegisterFile(request.register, clock=clock), files, drafts, check)
        except _WrittenMeanwhile:
            continue
        return Issued(
            issue=present.issue,
            files=tuple(files),
            is_new=present.is_new,
            replaces=present.replaces,
            is_open=registered.visit.closed_utc_s is None,
        )
    raise RegisterError(
        f"the register was written to each of the {MOST_TRIES} times that this report was made, "
        f"so nothing was issued ({request.register}). Close the visit first, or try again."
    )


def _files(present: PresentIssue, paths: Sequence[Path]) -> list[ReportFile]:
    """Return the files of an issue, none of which is written yet.

    Raises:
        UsageError: another file is there, or a form needs a library that is not installed.
        FileError: a file that is there can't be read.
    """
    document, visit = present.document(), present.source.visit
    drafts_name = identification_of(present.whole, None)
    files = []
    for place in paths:
        path = place / file_name(present) if place.is_dir() else place
        form = form_of(path)
        content = form.write(document)
        digest = hashlib.sha256(content).hexdigest()
        found = look_at_place(path, digest, drafts_name, visit.issues)
        files.append(ReportFile(path=path, form=form, content=content, sha256=digest, place=found))
    return files


def _drafts(present: PresentIssue, files: Sequence[ReportFile], clock: Clock) -> list[Draft]:
    """Return the entries for the files that the register does not have yet."""
    visit = present.source.visit
    known = {one.sha256 for one in visit.issues}
    drafts = []
    for file in files:
        if file.sha256 in known:
            continue
        known.add(file.sha256)
        values = issued_file_values(
            present.issue,
            form=file.form.ending,
            pages=present.source.options.pages,
            file=file.path.name,
            sha256=file.sha256,
        )
        at_utc_s = present.issue.issued_utc_s if present.is_new else clock.utc()
        drafts.append(
            Draft(kind="report", document=values, unit=visit.unit, visit=visit.name,
                  at_utc_s=at_utc_s)
        )  # fmt: skip
    return drafts


def _refuse_anything_new(
    registered: RegisteredVisit, *, is_new: bool
) -> Callable[[sqlite3.Connection], None]:
    """Return what checks, within the transaction, that the register still says the same."""

    def check(connection: sqlite3.Connection) -> None:
        if count_entries(connection, registered.visit.name) != registered.entries:
            raise _WrittenMeanwhile
        head = registered.head
        if is_new and head is not None and present_head(connection, head.chain) != head:
            raise _WrittenMeanwhile

    return check


def _write(
    register: RegisterFile,
    files: Sequence[ReportFile],
    drafts: Sequence[Draft],
    check: Callable[[sqlite3.Connection], None],
) -> None:
    """Write files and entries, in the order that the docstring of this module explains."""
    missing = [file for file in files if file.place != "there"]
    with ExitStack() as stack:
        written = [stack.enter_context(written_beside(file.path, file.content)) for file in missing]
        if drafts:
            register.add(drafts, check)
        for beside, file in zip(written, missing, strict=True):
            try:
                give_name(beside, file.path, replaces=file.place == "draft")
            except (UsageError, FileError) as error:
                raise FileError(
                    f"{error} It is issued, and in the register: the same command with another "
                    "name writes it."
                ) from error
