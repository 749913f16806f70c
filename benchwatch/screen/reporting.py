"""Issues the report on the visit of a counter, by a program of its own.

A report reads a whole visit and draws its pages, which takes seconds of a processor: in this
process that would hold up readings and keys.
"""

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from benchwatch.errors import BenchwatchError, FileError, UsageError
from benchwatch.quantity import printable
from benchwatch.screen.typed_place import make_folder, typed_place
from benchwatch.snapshot import VisitNow
from benchwatch.system.processes import apart, lower_priority

LONGEST_S: Final = 300.0
"""A report that takes longer is given up."""
BEGIN_OF_SENTENCE: Final = "benchwatch: "
LONGEST_SENTENCE: Final = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportToIssue:
    """The report on a visit that goes on, to be issued by another thread."""

    visit: VisitNow | None
    """None: the counter's readings belong to no visit."""
    journal: Path | None
    """None: nothing is kept."""
    folder: Path
    """Where a file without a typed folder goes; it is made where it is not there."""
    station: str | None = None
    """The station elsewhere that reads the counter and keeps its visit; None: it is kept here."""
    typed: str = ""
    """The typed path; empty: a name is made."""
    elsewhere: bool = False
    """Whether the operator may be at another computer than this: then only a name may be typed."""
    note: Callable[[int, str], None] = lambda _number, _sentence: None
    """Gets the visit's number and the sentence on the report, once it is written."""

    def issue(self) -> str:
        """Write the report; return a sentence with its full path and issue, or what is wrong."""
        try:
            sentence = self._done(_run(self._words()))
        except BenchwatchError as error:
            return str(error)
        if self.visit is not None and self.visit.number is not None:
            self.note(self.visit.number, sentence)
        return sentence

    def _words(self) -> list[str]:
        """Return the words of the command.

        Raises:
            BenchwatchError: there is nothing to report, or nowhere to write it.
        """
        visit = self.visit
        if self.station is not None:
            raise UsageError(
                f"the visit is kept at {self.station}: write its report there, or of the central "
                "record."
            )
        if self.journal is None:
            raise UsageError(
                "nothing of this run is kept, so there is no report: watch without --no-journal."
            )
        if visit is None or visit.number is None:
            if visit is not None and visit.trouble is not None:
                raise UsageError(f"{visit.trouble} A report needs the register.")
            raise UsageError("there is nothing to report yet: the visit begins with its readings.")
        place = self.folder.absolute()
        if self.typed:
            place = typed_place(self.typed, place, elsewhere=self.elsewhere, what="a report")
        if self.folder.absolute() in {place, place.parent}:
            make_folder(self.folder, "report ~/report.pdf")
        words = ["report", str(visit.number), "--out", str(place), "--json"]
        words += ["--journal", str(self.journal.absolute())]
        return words + ["--sim"] * visit.simulated

    def _done(self, values: dict[str, Any]) -> str:
        """Write what was issued."""
        (file,) = values["files"]
        where = " on the bench's computer" if self.elsewhere else ""
        again = ", which has not changed" if not values["is_new"] else ""
        path, issue = printable(str(file["file"]), 300), printable(values["identification"], 100)
        return f"report{where}: {path}, {issue}{again}"


def _run(words: list[str]) -> dict[str, Any]:
    """Run the program with these words; return what it says of its report.

    Raises:
        FileError: it could not do it; the message is its own sentence.
    """
    command = [sys.executable, "-m", "benchwatch.cli", *words]
    try:
        program = subprocess.Popen(  # noqa: S603 - this program itself
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            errors="replace",
            **apart(low_priority=True),  # a key that interrupts the watch is not for it
        )
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise FileError(f"the report can't be made: {why}.") from error
    with program:
        lower_priority(program.pid)  # readings and keys go first
        try:
            out, narration = program.communicate(timeout=LONGEST_S)
        except subprocess.TimeoutExpired as error:
            program.kill()
            raise FileError(
                f"the report was given up after {LONGEST_S:.0f} s: the command benchwatch "
                f"{' '.join(words[:2])} makes it at leisure."
            ) from error
    try:
        values = json.loads(out)
    except ValueError:
        values = None
    if program.returncode or not isinstance(values, dict):
        raise FileError(_last_sentence(narration))
    return values


def _last_sentence(narration: str) -> str:
    """Return the last sentence that the program wrote, which says what is wrong."""
    lines = [line for line in narration.splitlines() if line.startswith(BEGIN_OF_SENTENCE)]
    if not lines:
        return "the report could not be made, and no reason was given."
    return printable(lines[-1].removeprefix(BEGIN_OF_SENTENCE), LONGEST_SENTENCE)
