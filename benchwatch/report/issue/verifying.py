"""Says whether a file is a report as it was issued, and whether what it rests on is unchanged."""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from benchwatch.central_record.register_entries import RegisterPlace, runs_of
from benchwatch.errors import RegisterError
from benchwatch.quantity import how_many, printable
from benchwatch.register import RegisterReader, Visit, register_source
from benchwatch.register.chain_check import check_chains, head_stands
from benchwatch.register.issued_report import IssuedFile
from benchwatch.register.register_entry import short_name
from benchwatch.report.amendment_words import amendment_words
from benchwatch.report.issue.file_claims import FileClaim, read_claim
from benchwatch.report.issue.key_files import read_public_key
from benchwatch.report.issue.signature import check_signature, signature_path
from benchwatch.report.whole_file import shown_path

Question = Literal["file", "register", "head", "readings", "newest", "amendments", "signature"]
MOST_FAULTS: Final = 5
"""Faults of a register that are named."""
DRAFT_END: Final = " / draft"

Moment = Callable[[float], str]
"""Writes a time in Unix seconds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """The answer to one question about a report."""

    question: Question
    sound: bool | None
    """None: it is worth knowing, and nothing is wrong with it."""
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundReport:
    """The entry of a register that has the file."""

    register: RegisterPlace
    visit: Visit
    issued: IssuedFile
    own_chain: str | None
    """Visits and entries of this chain are called by their number alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What was found out about a file."""

    claim: FileClaim
    found: FoundReport | None
    """None: no register has it."""
    findings: tuple[Finding, ...]

    @property
    def sound(self) -> bool:
        """Whether it is as issued, and all that it rests on is unchanged."""
        return all(one.sound is not False for one in self.findings)


def verify_report(
    path: Path,
    registers: Sequence[RegisterPlace],
    moment: Moment,
    *,
    public_key: Path | None = None,
) -> Verification:
    """Verify a file against registers and the journals beside them.

    Args:
        path: of the file.
        registers: in the order in which they are asked; a missing one has nothing.
        moment: writes times.
        public_key: file of the key by which the signature beside the file is checked; None: it is
            not checked.

    Raises:
        FileError: the file, or the public key, can't be read.
        RegisterError: no register has it, and one can't be read.
    """
    claim = read_claim(path)
    shown = shown_path(path)
    signed = list(_on_signature(path, public_key))
    troubles: list[RegisterError] = []
    for register in registers:
        try:
            with register_source(register).reading() as connection:
                if connection is None:
                    continue
                found = _find(connection, register, claim.sha256)
                if found is None:
                    continue
                findings = [_as_issued(shown, found, moment), *_on_register(connection, found)]
        except RegisterError as error:
            troubles.append(error)
            continue
        findings += [*_on_readings(found), *_on_visit(found, moment), *signed]
        return Verification(claim=claim, found=found, findings=tuple(findings))
    if troubles:
        raise troubles[0]
    unknown = Finding(question="file", sound=False, text=_unknown_words(shown, claim, registers))
    return Verification(claim=claim, found=None, findings=(unknown, *signed))


def _shown(register: RegisterPlace) -> str:
    return shown_path(register) if isinstance(register, Path) else str(register)


def _find(
    connection: sqlite3.Connection, register: RegisterPlace, sha256: str
) -> FoundReport | None:
    """Return the entry of the file with this SHA-256; None where the register has none."""
    reader = RegisterReader(connection, register)
    for issued, visit in _issued_with(connection, reader, sha256):
        if issued.sha256 == sha256:
            return FoundReport(
                register=register, visit=visit, issued=issued, own_chain=reader.own_chain
            )
    return None


def _issued_with(
    connection: sqlite3.Connection, reader: RegisterReader, text: str
) -> Iterator[tuple[IssuedFile, Visit]]:
    """Yield the issued files, with their visits, of visits whose reports have a text."""
    query = "SELECT DISTINCT visit FROM entries WHERE kind = 'report' AND instr(document, ?) > 0"
    for (name,) in connection.execute(query, (text,)).fetchall():
        visit = reader.visit(str(name))
        if visit is not None:
            yield from ((issued, visit) for issued in visit.issues)


def _unknown_words(shown: str, claim: FileClaim, registers: Sequence[RegisterPlace]) -> str:
    """Write what a file says of itself that no register has."""
    there = [_shown(one) for one in registers if not isinstance(one, Path) or one.exists()]
    if not there:
        return f"{shown} can't be verified: there is no register at {_shown(registers[0])}."
    stated, where = claim.identification, " and ".join(there)
    if not stated:
        return (
            f"{shown} is not in {where}, and does not say of which visit and issue it is: it is no "
            "report, or was changed."
        )
    if stated.endswith(DRAFT_END):
        return f"{shown} is a draft ({stated}), and drafts are in no register."
    if any(_has_issue(path, stated) for path in registers):
        return (
            f"{shown} is NOT as it was issued: it says that it is {stated}, and the register has "
            "that issue with other content. It was changed afterwards."
        )
    return (
        f"{shown} says that it is {stated}, but {where} has no such issue: it was issued "
        "elsewhere, or never."
    )


def _has_issue(register: RegisterPlace, identification: str) -> bool:
    """Return whether a register has an issue of this identification."""
    number = identification.rpartition(" ")[2]
    with register_source(register).reading() as connection:
        if connection is None:
            return False
        reader = RegisterReader(connection, register)
        return any(
            issued.issue.identification == identification
            for issued, _ in _issued_with(connection, reader, f'/ issue {number}"')
        )


def _as_issued(shown: str, found: FoundReport, moment: Moment) -> Finding:
    issued = found.issued
    entry = short_name(issued.entry, found.own_chain)
    return Finding(
        question="file",
        sound=True,
        text=f"{shown} is as it was issued: {issued.issue.identification}, "
        f"{moment(issued.issue.issued_utc_s)}, by {printable(issued.who, 64)} (entry {entry} of "
        f"{_shown(found.register)}).",
    )


def _on_register(connection: sqlite3.Connection, found: FoundReport) -> Iterator[Finding]:
    """Yield whether the register was changed, and whether it still has the issue's head."""
    faults = [fault for chain in check_chains(connection) for fault in chain.faults]
    if faults:
        named = "; ".join(printable(fault, 300) for fault in faults[:MOST_FAULTS])
        text = f"the register was CHANGED after it was written: {named}."
        yield Finding(question="register", sound=False, text=text)
    else:
        text = "the register is as it was written: each entry follows from the one before."
        yield Finding(question="register", sound=True, text=text)
    head = found.issued.issue.head
    if head is None:
        return
    there = head_stands(connection, head.entry, head.hash)
    what = f"the register's head of that day (entry {short_name(head.entry, found.own_chain)})"
    text = f"{what} is still there." if there else f"{what} is NOT there: entries were cut off."
    yield Finding(question="head", sound=there, text=text)


def _on_readings(found: FoundReport) -> Iterator[Finding]:
    """Yield whether the readings are those of the issue, and whether others came later."""
    from benchwatch.measured_visit.fingerprint import (  # noqa: PLC0415 - reads whole journals
        fingerprint_of,
    )

    stated, where = found.issued.issue.readings, runs_of(found.register)
    if stated is None:
        text = "no reading is behind this report."
        yield Finding(question="readings", sound=None, text=text)
        return
    whole = fingerprint_of(found.visit, where)
    now = whole
    if whole is not None and whole.last_numbers != stated.last_numbers:
        now = fingerprint_of(found.visit, where, dict(stated.last_numbers))
    at_hand = 0 if now is None else now.readings
    count = how_many(stated.readings, "reading")
    if now is not None and now.sha256 == stated.sha256:
        yield Finding(question="readings", sound=True, text=f"its {count} are unchanged.")
    elif at_hand < stated.readings:
        text = f"its {count} can't be verified: {at_hand} are at hand in "
        text += (
            f"{shown_path(where)}. Bring the journals of the visit there, or archives of them."
            if isinstance(where, Path)
            else f"{where.shown}. The others are not there yet, or in its archive only."
        )
        yield Finding(question="readings", sound=False, text=text)
    else:
        what = "journal" if isinstance(where, Path) else "central record"
        text = f"its {count} are NOT those of this issue: the {what} was changed."
        yield Finding(question="readings", sound=False, text=text)
    later = (0 if whole is None else whole.readings) - at_hand
    if later > 0:
        text = f"{how_many(later, 'reading')} of the visit came later and are not in it."
        yield Finding(question="readings", sound=None, text=text)


def _on_visit(found: FoundReport, moment: Moment) -> Iterator[Finding]:
    """Yield by which issue it is superseded, and what was amended since."""
    issue, newest = found.issued.issue, found.visit.newest_issue
    if newest is not None and newest.issue.number > issue.number:
        when = moment(newest.issue.issued_utc_s)
        text = f"it is SUPERSEDED by issue {newest.issue.number} of {when}."
        yield Finding(question="newest", sound=None, text=text)
    else:
        text = "it is the newest issue of the report on this visit."
        yield Finding(question="newest", sound=None, text=text)
    for one in found.visit.amendments:
        if one.entry not in issue.amendments:
            words = amendment_words(one, lambda name: short_name(name, found.own_chain))
            yield Finding(question="amendments", sound=None, text=f"since then {words}.")


def _on_signature(path: Path, public_key: Path | None) -> Iterator[Finding]:
    """Yield what the signature beside the file says, if there is one or one is asked for."""
    beside = signature_path(path)
    if public_key is None:
        if beside.exists():
            text = f"a signature is beside it, {shown_path(beside)}: --public-key FILE checks it."
            yield Finding(question="signature", sound=None, text=text)
        return
    key = read_public_key(public_key)
    if not beside.exists():
        text = f"it is NOT signed: there is no {shown_path(beside)}."
        yield Finding(question="signature", sound=False, text=text)
        return
    check = check_signature(path, key)
    text = check.text if check.sound else f"NOT signed as it should be: {check.text}"
    yield Finding(question="signature", sound=check.sound, text=f"{text}.")
