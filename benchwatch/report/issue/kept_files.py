"""What is at the place where a report is to be written: an issued report is never written over."""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from benchwatch.errors import FileError, UsageError
from benchwatch.register.issued_report import IssuedFile
from benchwatch.report.issue.file_claims import read_claim
from benchwatch.report.whole_file import shown_path

Place = Literal["free", "there", "draft"]
"""free: nothing is there. there: the very file that is to be written. draft: a draft of the report
on the same visit, which may be written over."""


def look_at_place(
    path: Path, sha256: str, draft_identification: str, issues: Sequence[IssuedFile]
) -> Place:
    """Return what is at the place of a file that is to be written.

    Args:
        path: of the file.
        sha256: of what is to be written.
        draft_identification: what a draft of the same report says of itself.
        issues: the issued files of the visit.

    Raises:
        UsageError: another file is there, which stays as it is.
    """
    if not os.path.lexists(path):
        return "free"
    try:
        claim = read_claim(path)
    except FileError:
        claim = None
    if claim is not None:
        if claim.sha256 == sha256:
            return "there"
        for one in issues:
            if one.sha256 == claim.sha256:
                raise UsageError(
                    f"{shown_path(path)} is issue {one.issue.number} of this report, and issued "
                    "reports are kept. Choose another name."
                )
        if claim.identification == draft_identification:
            return "draft"
    raise UsageError(
        f"{shown_path(path)} exists and is no draft of this report, so it stays as it is. "
        "Choose another name."
    )
