"""What an interrupted run left behind, for the next one on the same counter.

A terminal that is closed, a power cut or ``kill -9`` ends a run in the middle of a trim. As
found can't be measured again, and a nudge in the next run would put a false one on record. So a
run of the same resource and nominal goes on where the interrupted one was, up to `WITHIN_S`
later: its records, the tool's pull, notes and last turn.
"""

import json
import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import Any, Final, cast, get_args

from benchwatch.errors import FileError
from benchwatch.estimate.results import Nudge
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.journal.schema import JournalRun
from benchwatch.quantity import format_duration, printable
from benchwatch.reading import AS_LEFT, TOOL_WORDS, RecordKind
from benchwatch.snapshot import LoggedEvent, LoggedKind, Records

WITHIN_S: Final = 12 * 3600.0
"""A run that was interrupted longer ago than this is not gone on with."""
ALIVE_S: Final = 120.0
"""A run whose process exists and that wrote so recently, or within five gates, goes on in another
process. Later that process must also run this program: process numbers are used again."""
PROGRAM: Final = b"benchwatch"
"""Part of the command line of each process of this program."""
LEFT: Final = "stopped"
"""End reason of a run that was ended at the screen: it is over, with those it went on with."""
AS_ASKED: Final = frozenset({"count reached", "time is up", "settled", "not settled"})
"""End reasons of a run that ended as asked. If it had gone on with an interrupted run, the next
one can too; if not, it says nothing of the run before it."""
LONGEST_CHAIN: Final = 100
PULL: Final = "pull"
"""Kind of the entry that holds what single touches of the tool showed."""
KEPT_BY_ITSELF: Final = "kept by itself"
"""Kind of the entry that says that nobody asked for the as found before it."""

Sample = tuple[float, float | None]
"""Size and standard uncertainty of the pull at one touch, fractional."""


@dataclass(frozen=True, slots=True)
class InterruptedRun:
    """What an interrupted run left; times are seconds of the new run."""

    run: int
    """Key of the newest of the interrupted runs."""
    utc_s: float
    """When the newest entry was written."""
    records: Records = field(default_factory=Records)
    samples: tuple[Sample, ...] = ()
    notes: tuple[LoggedEvent, ...] = ()
    turn: Nudge | None = None
    """The newest turn of the trimmer."""
    tool_on: bool = False
    """Whether the tool was said to be on the trimmer."""
    nominal: Decimal | None = None
    """In hertz; None: not known."""


def gap_words(lasted_s: float, reason: str) -> str:
    """Say in the event log that readings are missing."""
    return f"no readings for {format_duration(lasted_s)}: {reason}"


def record_words(record: OffsetRecord, *, kept: bool) -> str:
    """Say in the event log who put an offset on record, and its cautions."""
    caution = f"; caution: {record.caution}" if record.caution else ""
    return " (kept by itself)" * kept + caution


def find_interrupted(
    path: Path, resource: str, nominal: Decimal | None, simulated: str | None, utc_s: float
) -> InterruptedRun | None:
    """Return what the newest interrupted run of `resource` left, if it can be gone on with.

    A run beside or after it that ended as asked (``--count 5``) changes nothing.

    Args:
        path: the journal.
        resource: the instrument.
        nominal: in hertz; None takes whatever the run had.
        simulated: name of the simulated bench, None for a real one.
        utc_s: the present, Unix seconds; the new run begins now.

    Raises:
        JournalError: the file can't be read as a journal.
    """
    with JournalReader(path) as journal:
        return _find(journal, resource, nominal, simulated, utc_s)


def _find(
    journal: JournalReader,
    resource: str,
    nominal: Decimal | None,
    simulated: str | None,
    utc_s: float,
) -> InterruptedRun | None:
    runs = {run.key: run for run in journal.runs()}
    mine = [run for run in runs.values() if run.resource == resource]
    last_s = {run.key: _last_entry_s(journal, run) for run in mine}
    for run in sorted(mine, key=lambda run: last_s[run.key], reverse=True):
        settings = _object(run.settings)
        if settings.get("simulated_bench") != simulated:
            continue
        if None not in (nominal, run.nominal_hz) and nominal != run.nominal_hz:
            return None
        silent_s = abs(utc_s - last_s[run.key])  # a clock may have been set back meanwhile
        if silent_s > WITHIN_S or run.end_reason == LEFT or _goes_on(run, settings, silent_s):
            return None
        chain = _chain(runs, run)
        if run.end_reason not in AS_ASKED or len(chain) > 1:
            return _read(journal, chain, last_s[run.key], utc_s)
    return None


def _chain(runs: dict[int, JournalRun], newest: JournalRun) -> list[JournalRun]:
    """Return the runs that `newest` went on with and itself, oldest first."""
    chain = [newest]
    while len(chain) < LONGEST_CHAIN:
        before = runs.get(_object(chain[-1].settings).get("goes_on_with", 0))
        if before is None or before in chain:
            break
        chain.append(before)
    return chain[::-1]


def _goes_on(run: JournalRun, settings: dict[str, Any], silent_s: float) -> bool:
    """Tell whether another program still writes `run`."""
    process = settings.get("process")
    if run.ended_utc_s is not None:
        return False
    is_recent = silent_s <= max(ALIVE_S, 5.0 * (run.gate_s or 0.0))
    if not isinstance(process, int) or process <= 0 or os.name != "posix":
        return is_recent and (process is None or os.name != "posix")
    if process == os.getpid():
        return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return is_recent  # somebody else's process
    return is_recent or _is_ours(process)


def _is_ours(process: int) -> bool:
    """Tell whether a process runs this program; False where the system does not tell."""
    try:
        return PROGRAM in Path(f"/proc/{process}/cmdline").read_bytes()
    except OSError:
        return False


def _last_entry_s(journal: JournalReader, run: JournalRun) -> float:
    """Return when the newest entry of `run` was written; its beginning when there is none."""
    moments = [run.started_utc_s, run.ended_utc_s or 0.0]
    for table in ("readings", "gaps", "marks", "notes"):
        query = f"SELECT utc_s FROM {table} WHERE run = ?1 ORDER BY number DESC LIMIT 1"  # noqa: S608 - ours
        moments += [float(utc_s) for (utc_s,) in journal.ask(query, (run.key,))]
    return max(moments)


def _read(
    journal: JournalReader, chain: list[JournalRun], last_s: float, utc_s: float
) -> InterruptedRun:
    nominal = chain[-1].nominal_hz
    left = _EntryReader(utc_s, None if nominal is None else float(nominal))
    for run in chain:
        for at_utc_s, kind, document, lasted_s in _entries(journal, run):
            with suppress(KeyError, TypeError, ValueError, OverflowError, FileError):
                left.take(
                    at_utc_s, kind, document, lasted_s
                )  # what is no entry of ours is left out
    return InterruptedRun(
        run=chain[-1].key,
        utc_s=last_s,
        records=left.records,
        samples=left.samples,
        notes=tuple(left.notes),
        turn=left.turn,
        tool_on=left.tool_on,
        nominal=nominal,
    )


def _entries(journal: JournalReader, run: JournalRun) -> Iterator[tuple[float, str, str, float]]:
    """Yield time, kind, document and length of all entries but readings, in order of writing.

    A record's time is that of its readings; the one after it in the file dates it well enough.
    """
    began = run.started_utc_s
    query = """
        SELECT number, elapsed_s, kind, document, 0.0 FROM notes WHERE run = ?1
        UNION ALL SELECT number, elapsed_s, kind, document, 0.0 FROM records WHERE run = ?1
        UNION ALL SELECT number, elapsed_s, 'mark', text, 0.0 FROM marks WHERE run = ?1
        UNION ALL SELECT number, elapsed_s, 'gap', reason, lasted_s FROM gaps WHERE run = ?1
        ORDER BY number"""
    for _, elapsed_s, kind, document, lasted_s in journal.ask(query, (run.key,)):
        yield began + float(elapsed_s), str(kind), str(document), float(lasted_s)


def tool_told(kind: str, document: str) -> bool | None:
    """Return whether a note says that the tool is on (True) or off; None: it says neither."""
    text = _object(document).get("text") if kind == "tool" else None
    return next((on for on, words in TOOL_WORDS.items() if words == text), None)


def is_record(kind: str, document: str) -> bool:
    """Tell whether an entry of the table of records can be read as one."""
    if kind not in get_args(RecordKind):
        return False
    try:
        OffsetRecord.from_dict(_object(document))
    except (KeyError, TypeError, ValueError, OverflowError, FileError):
        return False
    return True


class _EntryReader:
    """Reads the entries of interrupted runs, in the order of writing.

    Args:
        utc_s: zero of the new run's time, Unix seconds.
        nominal_hz: of the newest of them; records under another one are notes only.
    """

    def __init__(self, utc_s: float, nominal_hz: float | None) -> None:
        self._utc_s, self._nominal_hz = utc_s, nominal_hz
        self.records = Records()
        self.samples: tuple[Sample, ...] = ()
        self.notes: list[LoggedEvent] = []
        self.turn: Nudge | None = None
        self.tool_on = False

    def take(self, utc_s: float, kind: str, document: str, lasted_s: float) -> None:
        """Take the entry that was written at `utc_s`, or of a gap that began then."""
        if kind in get_args(RecordKind):
            self._take_record(utc_s, OffsetRecord.from_dict(_object(document)))
        elif kind == KEPT_BY_ITSELF:
            self._kept_by_itself()
        elif kind == PULL:
            samples = _object(document)["samples"]
            self.samples = tuple((float(size), _optional(u)) for size, u in samples)
        elif kind == "mark":
            self._note(utc_s, kind, document)
        elif kind == "gap":
            self._note(utc_s, kind, gap_words(lasted_s, document))
        elif kind in get_args(LoggedKind):
            values = _object(document)
            nudge = _nudge(values["nudge"], utc_s - self._utc_s)
            text = str(values["text"])
            if kind == "nudge":
                self.turn = nudge
            elif kind == "tool":
                told = tool_told(kind, document)
                self.tool_on = self.tool_on if told is None else told
            if nudge is None or not self._known_better(utc_s, nudge):
                self._note(utc_s, kind, text, nudge=nudge)

    def _known_better(self, utc_s: float, nudge: Nudge) -> bool:
        """Replace the note of the same nudge, now known better; False: the nudge is new."""
        for place in range(len(self.notes) - 1, -1, -1):
            old = self.notes[place]
            if old.nudge is not None:
                if old.utc_s == utc_s:
                    self.notes[place] = replace(old, nudge=nudge)
                return old.utc_s == utc_s
        return False

    def _kept_by_itself(self) -> None:
        self.records = replace(self.records, as_found_kept=self.records.as_found is not None)
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
        else:
            self.records = replace(self.records, as_found=record, as_found_kept=False)

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
    return None if values is None else Nudge(at_s, float(values["size"]), _optional(values["u"]))


def _optional(value: Any) -> float | None:
    return None if value is None else float(value)


def _object(text: str) -> dict[str, Any]:
    """Read a JSON object; anything else is an empty one."""
    try:
        values = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return values if isinstance(values, dict) else {}
