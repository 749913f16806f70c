"""What a file that may be a report says of itself, read with limits: it may come from anybody."""

import errno
import hashlib
import html
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchwatch.errors import FileError
from benchwatch.quantity import printable
from benchwatch.report.contents.report_document import TITLE
from benchwatch.report.whole_file import shown_path

LARGEST_BYTES: Final = 200_000_000
"""A larger file is no report."""
LOOKED_AT_BYTES: Final = 200_000
"""How much of the beginning and of the end is searched for what a file says of itself."""
LONGEST_CLAIM: Final = 400
"""Characters of what a file says of itself."""
_AT_ONCE: Final = 1 << 20

_IDENTIFICATION: Final = re.compile(
    rf"[^\n]{{1,{LONGEST_CLAIM}}} / visit [^\s/]{{1,40}}(?:/\d{{1,18}})? / "
    r"(?:issue \d{1,6}|draft)"
)
_JSON_TEXT: Final = re.compile(r'"identification"\s*:\s*("(?:[^"\\]|\\.){1,2000}")')
_HTML_TITLE: Final = re.compile(r"<title>([^<]{1,2000})</title>", re.IGNORECASE)
_XML_NAME: Final = re.compile(r"<(?:\w+:)?uniqueIdentifier>([^<]{1,2000})</")
_PDF_TITLE: Final = re.compile(
    r"<dc:title>\s*<rdf:Alt>\s*<rdf:li[^>]{0,100}>([^<]{1,2000})</rdf:li>"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FileClaim:
    """A file, and what it says of itself."""

    sha256: str
    size: int
    """Bytes."""
    form: str
    """What it looks like: ``HTML``, ``PDF``, ``JSON``, ``XML`` or ``text``; empty: none of them."""
    identification: str
    """Unit, visit and issue that it names; empty where it names none."""


def read_claim(path: Path) -> FileClaim:
    """Read a file.

    Raises:
        FileError: it can't be read, is no file, or is too large for a report.
    """
    digest, size = hashlib.sha256(), 0
    first = last = b""
    try:
        _check_kind(path)
        with path.open("rb") as file:
            while piece := file.read(_AT_ONCE):
                digest.update(piece)
                size += len(piece)
                if size > LARGEST_BYTES:
                    break
                first = first or piece[:LOOKED_AT_BYTES]
                last = (last + piece)[-LOOKED_AT_BYTES:]
    except (OSError, ValueError) as error:
        why = printable(getattr(error, "strerror", None) or str(error), 200)
        raise FileError(f"{shown_path(path)} can't be read: {why}.") from error
    if size > LARGEST_BYTES:
        raise FileError(
            f"{shown_path(path)} is too large for a report: none has more than "
            f"{LARGEST_BYTES / 1e6:.0f} MB."
        )
    form, identification = _stated(first, last)
    return FileClaim(sha256=digest.hexdigest(), size=size, form=form, identification=identification)


def _check_kind(path: Path) -> None:
    """Refuse what is no file: a pipe without a writer would be waited for."""
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, "it is no file")


def _stated(first: bytes, last: bytes) -> tuple[str, str]:
    """Return the form of a file and the identification in it, from its beginning and its end."""
    text = first.decode("utf-8", "replace").lstrip("\ufeff \r\n\t")
    if first.startswith(b"%PDF-"):
        both = text + last.decode("utf-8", "replace")
        return "PDF", _named(_PDF_TITLE, both, html.unescape)
    if text.startswith("{"):
        return "JSON", _named(_JSON_TEXT, text, json.loads)
    if text[:15].lower().startswith(("<!doctype html", "<html")):
        return "HTML", _named(_HTML_TITLE, text, html.unescape)
    if text.startswith("<?xml"):
        return "XML", _named(_XML_NAME, text, html.unescape)
    if b"\0" in first:
        return "", ""
    found = _IDENTIFICATION.search(text[:5000])
    return "text", "" if found is None else _shown(found[0].rpartition(",,")[2])


def _named(pattern: re.Pattern[str], text: str, decoded: Callable[[str], str]) -> str:
    """Return the identification in the first place that `pattern` finds; empty without one."""
    found = pattern.search(text)
    if found is None:
        return ""
    try:
        stated = decoded(found[1])
    except ValueError:
        return ""
    named = _IDENTIFICATION.search(stated[:2000])
    if named is None:
        return ""
    return _shown(named[0].removeprefix(f"{TITLE}, "))


def _shown(identification: str) -> str:
    return printable(identification.strip(), LONGEST_CLAIM)
