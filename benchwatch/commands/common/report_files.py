"""What ``benchwatch report`` writes: issued reports, drafts, the laboratory file, keys."""

import functools
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from benchwatch.central_record.register_entries import RegisterPlace
from benchwatch.clock import SystemClock, dated_minute, iso_time, local_minute
from benchwatch.commands.common.fitted_table import terminal_columns
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.progress import progress
from benchwatch.commands.common.signing_password import ask_new_password, ask_password
from benchwatch.errors import FileError, UsageError
from benchwatch.register.amending import LONGEST_REASON
from benchwatch.report.visit_style import VisitStyle
from benchwatch.report.whole_file import shown_path, write_whole
from benchwatch.system.processes import apart

if TYPE_CHECKING:
    from benchwatch.report.contents.report_source import ReportPages
    from benchwatch.report.issue.issuing import Issued, ReportFile
    from benchwatch.report.issue.report_reading import ReportRequest
    from benchwatch.report.issue.verifying import Verification
    from benchwatch.report.laboratory.laboratory import Laboratory

WIDEST_TEXT, NARROWEST_TEXT = 120, 40
"""Columns of a report on a terminal."""
PUBLIC_ENDING: Final = ".pub"
"""Is added to the name of a secret key for that of the public one."""
VIEWER_STARTS_S: Final = 5.0
"""A viewer that has not ended by then has opened the file."""


def report_style(own_chain: str | None) -> VisitStyle:
    """Return the style of a report: local times with their zone."""
    return VisitStyle(
        moment=dated_minute,
        day=lambda utc_s: local_minute(utc_s)[:10] or "-",
        now_utc_s=0.0,  # a report says nothing of the present
        own_chain=own_chain,
    )


def report_request(
    register: RegisterPlace, visit: str, *, lab: Path | None, pages: "ReportPages", forecast: bool
) -> "ReportRequest":
    """Return the request for a report, with the laboratory's file read.

    Raises:
        UsageError: a key of the laboratory file can't be used.
        FileError: it can't be read.
    """
    from benchwatch.recording.read_position import ReadPosition  # noqa: PLC0415 - slow to load
    from benchwatch.report.contents.report_source import (  # noqa: PLC0415 - likewise
        ReportOptions,
    )
    from benchwatch.report.issue.report_reading import ReportRequest  # noqa: PLC0415 - likewise

    return ReportRequest(
        register=register,
        visit=visit,
        make_style=report_style,
        laboratory=_laboratory(lab),
        options=ReportOptions(pages=pages, forecast=forecast),
        position=ReadPosition(),
    )


def _laboratory(path: Path | None) -> "Laboratory":
    """Return what the laboratory file states; without one, nothing."""
    from benchwatch.report.laboratory.laboratory import (  # noqa: PLC0415 - only for a report
        Laboratory,
        load_laboratory,
        usual_laboratory_file,
    )

    chosen = path or usual_laboratory_file()
    if path is None and _is_missing(chosen):
        narrate("there is no laboratory file, so none is named: benchwatch report --init")
        return Laboratory()
    return load_laboratory(chosen)


def _is_missing(path: Path) -> bool:
    """Return whether there is no such file; one that can't be looked at may be there."""
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return True
    except OSError:
        return False
    return False


# ------------------------------------------------------------------------- issued reports


def issue(
    request: "ReportRequest",
    outs: Sequence[Path],
    *,
    reason: str,
    key_file: Path | None,
    as_json: bool,
) -> Path:
    """Issue a report in files, say what was done, and return the first file.

    Raises:
        BenchwatchError: see `benchwatch.report.issue.issuing.issue_report`.
    """
    from benchwatch.report.issue.issuing import issue_report  # noqa: PLC0415 - slow to load

    password = functools.cache(ask_password)
    if key_file is not None:
        from benchwatch.report.issue.key_files import (  # noqa: PLC0415 - an extra
            read_secret_key,
        )

        read_secret_key(key_file, password)  # a wrong key is refused before anything is issued
    words = " ".join(reason.split())
    if len(words) > LONGEST_REASON:
        raise UsageError(f"the reason has {len(words)} characters: {LONGEST_REASON} at most.")
    with _making(request):
        done = issue_report(request, outs, reason=words, clock=SystemClock())
    signatures = {} if key_file is None else _sign(done, key_file, password)
    if as_json:
        print_json(_issued_values(done, signatures))
    for sentence in _issued_sentences(done, reason=words):
        narrate(sentence)
    for made in signatures.values():
        narrate(f"{shown_path(made)} is its signature")
    return done.files[0].path


def _making(request: "ReportRequest") -> AbstractContextManager[None]:
    """Say how far the readings of the visit are read; then that the report is being made."""

    def read() -> float | None:
        done = None if request.position is None else request.position.fraction()
        return None if done == 1.0 else done  # how long the pages take, nobody knows

    return progress(f"making the report on visit {request.visit}", read)


def _sign(
    done: "Issued", key_file: Path, password: "functools._lru_cache_wrapper[str]"
) -> dict[Path, Path]:
    """Sign the files of an issue; return the signature of each."""
    from benchwatch.report.issue.signature import sign_file  # noqa: PLC0415 - an extra

    issue_of = done.issue
    comment = f"{issue_of.identification}, {dated_minute(issue_of.issued_utc_s)}"
    return {file.path: sign_file(file.path, key_file, password, comment) for file in done.files}


def _issued_sentences(done: "Issued", *, reason: str) -> Iterator[str]:
    """Yield what was issued, and what follows from it."""
    what, old = done.issue, done.replaces
    for file in done.files:
        yield f"{shown_path(file.path)} {_file_words(file, done)}"
    if done.is_new and old is not None:
        yield f"it replaces issue {old.number} of {dated_minute(old.issued_utc_s)}: {what.reason}"
        yield from what.changes
    if reason and not (done.is_new and old is not None):
        yield "the reason is not used: it is for an issue that replaces another"
    if done.is_open:
        yield "the visit is still open: what comes later will be in a further issue"


def _file_words(file: "ReportFile", done: "Issued") -> str:
    if file.place == "there":
        return f"is there already, as {done.issue.identification}: nothing has changed since"
    if done.is_new:
        return f"is {done.issue.identification}"
    return f"is a further file of {done.issue.identification}: nothing has changed since"


def _issued_values(done: "Issued", signatures: Mapping[Path, Path]) -> dict[str, Any]:
    what, old = done.issue, done.replaces
    return {
        "kind": "report", "identification": what.identification, "issue": what.number,
        "time": iso_time(what.issued_utc_s), "is_new": done.is_new, "visit_open": done.is_open,
        "replaces": None if old is None else old.number, "reason": what.reason or None,
        "changes": list(what.changes), "content": what.content,
        "files": [
            {"file": str(file.path.absolute()), "form": file.form.ending, "sha256": file.sha256,
             "was_there": file.place == "there",
             "signature": _absolute(signatures.get(file.path))}
            for file in done.files
        ],
    }  # fmt: skip


def _absolute(path: Path | None) -> str | None:
    return None if path is None else str(path.absolute())


# --------------------------------------------------------------------------------- drafts


def write_draft(
    request: "ReportRequest", outs: Sequence[Path], *, opens: bool, as_json: bool
) -> Path | None:
    """Write a draft into files, or on standard output; return the file to be shown.

    Raises:
        BenchwatchError: the visit can't be read, or a file can't be written.
    """
    from benchwatch.report.forms.json_form import json_form  # noqa: PLC0415 - slow to load
    from benchwatch.report.issue.issuing import draft_document, form_of  # noqa: PLC0415 - likewise

    forms = [form_of(path) for path in outs]
    with _making(request):
        document = draft_document(request)
        for path, form in zip(outs, forms, strict=True):
            _write_draft_file(path, form.write(document), str(document["issue"]["identification"]))
    if outs:
        return outs[0]
    if as_json:
        print_text(json_form(document).decode().rstrip("\n"))
        return None
    if opens:
        from benchwatch.report.forms.html_form import html_form  # noqa: PLC0415 - slow to load

        path = Path(tempfile.mkdtemp(prefix="benchwatch-")) / "report-draft.html"
        _write_draft_file(path, html_form(document), "")
        return path
    from benchwatch.report.forms.text_form import COLUMNS, text_form  # noqa: PLC0415 - slow to load

    columns = min(max(terminal_columns() or COLUMNS, NARROWEST_TEXT), WIDEST_TEXT)
    print_text(text_form(document, columns).decode().rstrip("\n"))
    return None


def _write_draft_file(path: Path, content: bytes, identification: str) -> None:
    """Write a draft; a file that is there stays, unless it is a draft of the same report."""
    from benchwatch.report.issue.kept_files import look_at_place  # noqa: PLC0415 - slow to load

    place = look_at_place(path, "", identification, ())
    write_whole(path, content, replaces=place == "draft")
    narrate(f"{shown_path(path)} is a draft: it is not issued, and in no register")


def show(path: Path) -> None:
    """Show a file in the viewer that the system has for it; where there is none, say so."""
    opener = shutil.which("xdg-open")
    if opener is None:
        failed = click.launch(str(path)) != 0
    else:
        viewer = subprocess.Popen(  # noqa: S603 - a program of the system, with a path as its only word
            [opener, str(path.absolute())],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            **apart(),
        )
        with suppress(subprocess.TimeoutExpired):  # a viewer may stay in the foreground
            viewer.wait(VIEWER_STARTS_S)
        failed = bool(viewer.returncode)
    if failed:
        narrate(f"no program is at hand that shows it: open {shown_path(path)} yourself")


# -------------------------------------------------------------- what a laboratory sets up


def write_laboratory_file(path: Path | None) -> None:
    """Write a laboratory file in which every key is explained; None: where the program reads it.

    Raises:
        UsageError: the file is there already, or has another ending.
        FileError: it can't be written.
    """
    from benchwatch.report.laboratory.laboratory import (  # noqa: PLC0415 - only for a report
        usual_laboratory_file,
    )
    from benchwatch.report.laboratory.laboratory_draft import (  # noqa: PLC0415 - likewise
        laboratory_draft,
    )

    if path is not None and path.suffix != ".toml":
        raise UsageError(f"--init {shown_path(path)}: the name of a laboratory file ends in .toml.")
    chosen = path or usual_laboratory_file()
    if path is None:
        try:
            chosen.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise FileError(
                f"{shown_path(chosen.parent)} can't be made: {error.strerror}. Give a file: "
                "benchwatch report --init lab.toml, and later --lab lab.toml."
            ) from error
    write_whole(chosen, laboratory_draft().encode(), replaces=False)
    narrate(f"{shown_path(chosen)} is written: take the # away where a line is to count")
    if path is not None:
        narrate(f"benchwatch report 12 --lab {shown_path(chosen)} reads it")


def write_keys(secret: Path) -> None:
    """Make a pair of keys for signatures, in two new files.

    Raises:
        UsageError: a file is there already, or the extra is not installed.
        FileError: a file can't be written.
    """
    from benchwatch.report.issue.key_files import make_keys  # noqa: PLC0415 - an extra

    public = secret.with_name(secret.name + PUBLIC_ENDING)
    made = make_keys(secret, public, ask_new_password() or None)
    narrate(f"{shown_path(secret)} is the secret key {made.name}: keep it, and give it to nobody")
    narrate(f"{shown_path(public)} is the public one, for whoever checks your signatures")


# ------------------------------------------------------------------------------ verifying


def verified_values(found: "Verification", path: Path) -> dict[str, Any]:
    """Return what was found out about a file, for JSON."""
    known = found.found
    issued = None if known is None else known.issued
    newest = None if known is None else known.visit.newest_issue
    return {
        "kind": "verified", "file": str(path.absolute()), "sound": found.sound,
        "sha256": found.claim.sha256, "form": found.claim.form or None,
        "says": found.claim.identification or None,
        "identification": None if issued is None else issued.issue.identification,
        "issue": None if issued is None else issued.issue.number,
        "entry": None if issued is None else issued.entry,
        "visit": None if known is None else known.visit.name,
        "newest_issue": None if newest is None else newest.issue.number,
        "findings": [
            {"question": one.question, "sound": one.sound, "text": one.text}
            for one in found.findings
        ],
    }  # fmt: skip
