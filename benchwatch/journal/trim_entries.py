"""Reads the journal's entries of a trim (records, notes, tool's pull) for a run that continues it.

`run_writer` writes them.
"""

import json
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final, NamedTuple, cast, get_args

from benchwatch.errors import FileError
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.estimate.results import Nudge
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.quantity import format_duration, printable
from benchwatch.reading import AS_FOUND, AS_LEFT, TOOL_WORDS, RecordKind
from benchwatch.snapshot import LoggedEvent, LoggedKind, Records

if TYPE_CHECKING:
    from benchwatch.estimate.trim.mean_pull import PullSample

PULL_KIND: Final = "pull"
"""Kind of the note that holds the measured pulls of the tool."""
KEPT_BY_ITSELF: Final = "kept by itself"
"""Kind of the note that marks the as found before it as recorded automatically."""
PROOF_KIND: Final = "proof"
"""Kind of the note that readings are corrected by a comparison from there on, or no more."""
CHECK_KIND: Final = "dial check"
"""Kind of the note that holds the numbers of a finished check at another dial setting."""
LARGEST_OFFSET: Final = 0.01
"""A time base is not farther off; a larger one in a note was put there by hand."""
DIAL_KIND: Final = "dial"
"""Kind of the note that says to which setting the unit was dialled."""


def gap_words(lasted_s: float, reason: str) -> str:
    """Write the event log's text on a gap of `lasted_s` seconds."""
    return f"no readings for {format_duration(lasted_s)}: {reason}"


def record_words(record: OffsetRecord, *, kept: bool) -> str:
    """Write the event log's text on a record: made automatically (`kept`), and its cautions."""
    caution = f"; caution: {record.caution}" if record.caution else ""
    return " (recorded automatically)" * kept + caution


def noted_tool_state(kind: str, document: str) -> bool | None:
    """Return whether a note reports the tool as on (True) or off (False); None: neither."""
    text = json_object(document).get("text") if kind == "tool" else None
    return next((on for on, words in TOOL_WORDS.items() if words == text), None)


def is_check(document: str) -> bool:
    """Return whether a note's document is a readable check at another dial setting."""
    try:
        DialCheck.from_dict(json_object(document))
    except FileError:
        return False
    return True


class ProofNote(NamedTuple):
    """From which event on readings are corrected by a comparison, and by how much."""

    number: int
    """Number of the note."""
    offset: float
    """Of the time base, fractional; 0: no correction any more."""
    own: bool
    """Whether it is the counter's own oscillator that is off so; else its external time base."""


def proof_notes(notes: Iterable[tuple[int, str]]) -> list[ProofNote]:
    """Return what the readable notes of this kind say, in the order of writing.

    Args:
        notes: number and document of each.
    """
    found = []
    for number, document in notes:
        values = json_object(document)
        offset = values.get("offset")
        if offset is None or (isinstance(offset, float) and abs(offset) < LARGEST_OFFSET):
            found.append(ProofNote(number, offset or 0.0, values.get("time_base") == "internal"))
    return found


def earlier_verdicts(notes: Iterable[tuple[int, str]]) -> frozenset[int]:
    """Return the numbers of the notes that a later note of the same check takes the place of.

    Args:
        notes: number and document of each note of a check, in the order of writing.
    """
    newest: dict[tuple[float, float], int] = {}
    earlier = set()
    for number, document in notes:
        if not is_check(document):
            continue
        check = DialCheck.from_dict(json_object(document))
        if check.began_utc_s is None:
            continue
        key = check.setting_hz, check.began_utc_s
        if key in newest:
            earlier.add(newest[key])
        newest[key] = number
    return frozenset(earlier)


def is_record(kind: str, document: str) -> bool:
    """Return whether an entry of the table of records is a readable record."""
    if kind not in get_args(RecordKind):
        return False
    try:
        OffsetRecord.from_dict(json_object(document))
    except (KeyError, TypeError, ValueError, OverflowError, FileError):
        return False
    return True


class TrimEntries:
    """Collects the state of a trim from the entries of earlier runs, in order of writing.

    Args:
        utc_s: zero of the new run's time, Unix seconds.
        nominal_hz: nominal of the newest run; records under another nominal become notes only.
    """

    def __init__(self, utc_s: float, nominal_hz: float | None) -> None:
        self._utc_s, self._nominal_hz = utc_s, nominal_hz
        self.records = Records()
        self.samples: tuple[PullSample, ...] = ()
        self.notes: list[LoggedEvent] = []
        self.turn: Nudge | None = None
        self.tool_on = False
        self.checks: dict[float, DialCheck] = {}
        """The newest check at each dial setting, in hertz."""
        self.dialled_hz: float | None = None
        """The other setting that the unit was dialled to last; None: the main one."""

    @property
    def first_touch(self) -> "PullSample | None":
        """What the tool moved by when it went on, if it is on and no pull is known; fractional."""
        if not self.tool_on or self.samples:
            return None
        moved = None
        for note in reversed(self.notes):  # back to the touch: turns may have come after it
            if note.kind == "tool" and note.nudge is not None:
                moved = note.nudge.size, note.nudge.u
            elif note.kind == "tool" and note.text == TOOL_WORDS[True]:
                break
        return moved

    def take(self, utc_s: float, kind: str, document: str, lasted_s: float) -> None:
        """Add an entry.

        Args:
            utc_s: when the entry was made, or a gap began; Unix seconds.
            kind: kind of record or note, ``mark`` or ``gap``.
            document: its document, or text.
            lasted_s: duration of a gap in seconds.

        Raises:
            KeyError, TypeError, ValueError, OverflowError, FileError: it can't be read.
        """
        if kind in get_args(RecordKind):
            self._take_record(utc_s, OffsetRecord.from_dict(json_object(document)))
        elif kind == KEPT_BY_ITSELF:
            self._mark_kept_by_itself()
        elif kind == PULL_KIND:
            samples = json_object(document)["samples"]
            self.samples = tuple((float(size), _optional(u)) for size, u in samples)
        elif kind in {CHECK_KIND, DIAL_KIND}:
            self._take_dial(kind, json_object(document))
        elif kind == "mark":
            self._note(utc_s, kind, document)
        elif kind == "gap":
            self._note(utc_s, kind, gap_words(lasted_s, document))
        elif kind in get_args(LoggedKind):
            self._take_logged(utc_s, kind, document)

    def _take_logged(self, utc_s: float, kind: str, document: str) -> None:
        """Add an entry of the event log; arguments and errors as those of `take`."""
        values = json_object(document)
        nudge = _nudge(values["nudge"], utc_s - self._utc_s)
        text = str(values["text"])
        if kind == "nudge":
            self.turn = nudge
        elif kind == "tool":
            noted = noted_tool_state(kind, document)
            self.tool_on = self.tool_on if noted is None else noted
        if nudge is None or not self._refine_noted_nudge(utc_s, nudge):
            self._note(utc_s, kind, text, nudge=nudge)

    def _take_dial(self, kind: str, values: dict[str, Any]) -> None:
        """Add a finished check, or where the unit was dialled to."""
        if kind == DIAL_KIND:
            self.dialled_hz = _optional(values["setting_hz"])
            return
        check = DialCheck.from_dict(values)
        if check.nominal_hz == self._nominal_hz:
            self.checks[check.setting_hz] = check

    def _refine_noted_nudge(self, utc_s: float, nudge: Nudge) -> bool:
        """Refine the note of the same nudge, if there is one; False: the nudge is new."""
        for place in range(len(self.notes) - 1, -1, -1):
            old = self.notes[place]
            if old.nudge is not None:
                if old.utc_s == utc_s:
                    self.notes[place] = replace(old, nudge=nudge)
                return old.utc_s == utc_s
        return False

    def _mark_kept_by_itself(self) -> None:
        self.records = replace(self.records, as_found_automatic=self.records.as_found is not None)
        record = self.notes[-1].record if self.notes else None
        if record is not None:
            words = record_words(record, kept=True)
            self.notes[-1] = replace(self.notes[-1], text=words)

    def _take_record(self, utc_s: float, record: OffsetRecord) -> None:
        self._note(utc_s, "record", record_words(record, kept=False), record=record)
        if None not in (record.nominal_hz, self._nominal_hz) and (
            record.nominal_hz != self._nominal_hz
        ):
            return
        if record.kind == AS_LEFT:
            self.records = replace(self.records, as_left=record)
        elif record.kind == AS_FOUND:
            self.records = replace(self.records, as_found=record, as_found_automatic=False)

    def _note(
        self,
        utc_s: float,
        kind: str,
        text: str,
        *,
        nudge: Nudge | None = None,
        record: OffsetRecord | None = None,
    ) -> None:
        self.notes.append(
            LoggedEvent(
                utc_s=utc_s,
                elapsed_s=utc_s - self._utc_s,
                kind=cast("LoggedKind", kind),
                text=printable(text, 200),
                nudge=nudge,
                record=record,
            )
        )


def _nudge(values: dict[str, Any] | None, at_s: float) -> Nudge | None:
    if values is None:
        return None
    return Nudge(at_s=at_s, size=float(values["size"]), u=_optional(values["u"]))


def _optional(value: Any) -> float | None:
    return None if value is None else float(value)


def json_object(text: str) -> dict[str, Any]:
    """Read a JSON object; return an empty one for any other text."""
    try:
        values = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return values if isinstance(values, dict) else {}
