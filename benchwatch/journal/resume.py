"""Reads the results of earlier runs that a new run goes on with: those of its visit.

A closed terminal, a power cut or ``kill -9`` ends a run in the middle of a trim. As found can't
be measured again, and a nudge in the next run would put a false one on record. The register says
which runs a visit has (`read_earlier`). Of a run that is in no visit, and where the register can't
be read, the journal alone decides (`find_interrupted`): a run of the same resource and nominal, up
to `LONGEST_INTERRUPTION_S` later, goes on with the interrupted one.
"""

import math
import os
from collections.abc import Collection, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from benchwatch.errors import FileError
from benchwatch.estimate.results import Nudge
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.journal.schema import JournalRun
from benchwatch.journal.trim_entries import TrimEntries, json_object
from benchwatch.reading import OTHER_DIAL, POWER_WORDS
from benchwatch.snapshot import LoggedEvent, Records, Trace
from benchwatch.system.processes import is_alive

if TYPE_CHECKING:
    from benchwatch.estimate.dial_check_record import DialCheck
    from benchwatch.estimate.trim.mean_pull import PullSample

LONGEST_INTERRUPTION_S: Final = 12 * 3600.0
"""A run that was interrupted longer ago is not continued."""
ASK_POWER_AFTER_S: Final = 120.0
"""After a shorter pause the operator is not asked whether the unit was switched off."""
ALIVE_WITHIN_S: Final = 120.0
"""A run that wrote an entry within this time, or within five gates, and whose process exists, is
still running. After that time the process must also run this program, because the system uses
process numbers again."""
PROGRAM: Final = b"benchwatch"
"""Part of the command line of each process of this program."""
STOPPED: Final = "stopped"
"""End reason of a run that was ended at the screen: neither it nor the runs that it continued are
continued."""
ENDED_IN_ORDER: Final = frozenset({STOPPED, "the typing was ended", "standard input has ended"})
"""End reasons of runs that were ended by whoever ran them; likewise."""
LIMIT_REASONS: Final = frozenset({"count reached", "time is up", "settled", "not settled"})
"""End reasons of a run that ended by its own limits. It is skipped, unless it had itself continued
an interrupted run: then the next run can continue both."""
TRACE_POINTS: Final = 1000
"""About how many readings of each earlier run are read for the charts."""
LARGEST_OFFSET: Final = 1e-2
"""Readings farther off (fractional) are left out of the charts: they are none of this nominal."""
LONGEST_CHAIN_RUNS: Final = 100
"""Most interrupted runs, each continuing the one before, that are read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierRuns:
    """Results of earlier runs that a new run goes on with; times are seconds of the new run."""

    runs: tuple[int, ...]
    """Keys of these runs, oldest first; empty where the journal has none of them any more."""
    utc_s: float
    """When its newest entry was written, Unix seconds."""
    records: Records = field(default_factory=Records)
    samples: "tuple[PullSample, ...]" = ()
    notes: tuple[LoggedEvent, ...] = ()
    turn: Nudge | None = None
    """The newest turn of the trimmer."""
    tool_on: bool = False
    """Whether the operator had last reported the tool as on the trimmer."""
    first_touch: "PullSample | None" = None
    """What the tool moved by when it went on, where it is on and no lift has confirmed a pull."""
    nominal: Decimal | None = None
    """Hertz; None: not known."""
    checks: "tuple[DialCheck, ...]" = ()
    """The newest check at each other dial setting."""
    dialled_hz: float | None = None
    """The other setting, in hertz, that the unit was dialled to last; None: the main one."""
    ended_in_order: bool = False
    """Whether the newest run was ended by whoever ran it, and not interrupted."""
    trace: Trace = field(default_factory=Trace)
    """Some of the readings, for charts; nan between two runs."""
    power_on_s: float = 0.0
    """Start of the first of the runs since the unit was last switched off, as far as was said."""
    power_unanswered: bool = False
    """Whether it was not said if the unit was switched off in a pause of more than
    `ASK_POWER_AFTER_S` before one of the runs, or before the new one."""


def find_interrupted(
    path: Path,
    resource: str,
    nominal: Decimal | None,
    simulated: str | None,
    *,
    utc_s: float,
    unit: str | None = None,
) -> EarlierRuns | None:
    """Return the newest interrupted run of `resource`, or None if none can be continued.

    A later or parallel run that ended by its own limits (``--count 5``) makes no difference.

    Args:
        path: the journal.
        resource: the instrument.
        nominal: hertz; None accepts a run with any nominal.
        simulated: name of the simulated bench; None for a real one.
        utc_s: the present, Unix seconds; the new run begins now.
        unit: ident of the unit; None: not named.

    Raises:
        JournalError: the file can't be read as a journal.
    """
    with JournalReader(path) as journal:
        return _find(
            journal, resource, nominal, {"simulated_bench": simulated, "unit": unit}, utc_s
        )


def read_earlier(path: Path, keys: Collection[int], utc_s: float) -> EarlierRuns | None:
    """Read the results of the runs with these keys, those of one visit.

    Args:
        path: the journal.
        keys: keys of the runs.
        utc_s: the present, Unix seconds; the new run begins now.

    Returns:
        The results; None if the journal has none of the runs.

    Raises:
        JournalError: the file can't be read as a journal.
    """
    with JournalReader(path) as journal:
        runs = [run for run in journal.runs() if run.key in keys]
        if not runs:
            return None
        return _read(journal, runs, max(_last_entry_s(journal, run) for run in runs), utc_s)


def _find(
    journal: JournalReader,
    resource: str,
    nominal: Decimal | None,
    same: dict[str, str | None],
    utc_s: float,
) -> EarlierRuns | None:
    """Find the run as `find_interrupted` does; `same`: settings of it that must be the same."""
    runs = {run.key: run for run in journal.runs()}
    same_resource = [run for run in runs.values() if run.resource == resource]
    last_s = {run.key: _last_entry_s(journal, run) for run in same_resource}
    for run in sorted(same_resource, key=lambda run: last_s[run.key], reverse=True):
        settings = json_object(run.settings)
        if any(settings.get(name) != value for name, value in same.items()):
            continue
        if None not in (nominal, run.nominal_hz) and nominal != run.nominal_hz:
            return None
        silent_s = abs(utc_s - last_s[run.key])  # a clock may have been set back meanwhile
        if (
            silent_s > LONGEST_INTERRUPTION_S
            or run.end_reason in ENDED_IN_ORDER
            or is_still_written(run, settings, silent_s)
        ):
            return None
        chain = _chain(runs, run)
        if run.end_reason not in LIMIT_REASONS or len(chain) > 1:
            return _read(journal, chain, last_s[run.key], utc_s)
    return None


def _chain(runs: dict[int, JournalRun], newest: JournalRun) -> list[JournalRun]:
    """Return `newest` and the runs that it continued, oldest first."""
    chain = [newest]
    while len(chain) < LONGEST_CHAIN_RUNS:
        before = runs.get(json_object(chain[-1].settings).get("goes_on_with", 0))
        if before is None or before in chain:
            break
        chain.append(before)
    return chain[::-1]


def is_still_written(run: JournalRun, settings: dict[str, Any], silent_s: float) -> bool:
    """Return whether another process still writes `run`."""
    process = settings.get("process")
    if run.ended_utc_s is not None:
        return False
    is_recent = silent_s <= max(ALIVE_WITHIN_S, 5.0 * (run.gate_s or 0.0))
    if not isinstance(process, int) or process <= 0:
        return is_recent and process is None
    if process == os.getpid():
        return False
    alive = is_alive(process)
    if alive is None:  # not known, such as of somebody else's process
        return is_recent
    return alive and (is_recent or _runs_this_program(process))


def _runs_this_program(process: int) -> bool:
    """Return whether a process runs this program; False where the system can't be asked."""
    try:
        return PROGRAM in Path(f"/proc/{process}/cmdline").read_bytes()
    except OSError:
        return False


def _last_entry_s(journal: JournalReader, run: JournalRun) -> float:
    """Return the time of the newest entry of `run`, Unix seconds; the start without entries."""
    moments = [run.started_utc_s, run.ended_utc_s or 0.0]
    for table in ("readings", "gaps", "marks", "notes"):
        query = f"SELECT utc_s FROM {table} WHERE run = ? ORDER BY number DESC LIMIT 1"  # noqa: S608 - ours
        moments += [float(utc_s) for (utc_s,) in journal.ask(query, (run.key,))]
    return max(moments)


def _read(
    journal: JournalReader, chain: list[JournalRun], last_s: float, utc_s: float
) -> EarlierRuns:
    nominal = chain[-1].nominal_hz
    left = TrimEntries(utc_s, None if nominal is None else float(nominal))
    power_on_s, ended_s, is_open = chain[0].started_utc_s - utc_s, math.inf, False
    for run in chain:
        is_open |= run.started_utc_s - ended_s > ASK_POWER_AFTER_S
        ended_s = _last_entry_s(journal, run)
        notes = len(left.notes)
        for at_utc_s, kind, document, lasted_s in _entries(journal, run):
            # An entry in a form that this program does not write is left out.
            with suppress(KeyError, TypeError, ValueError, OverflowError, FileError):
                left.take(at_utc_s, kind, document, lasted_s)
        answers = [note.text for note in left.notes[notes:] if note.kind == "power"]
        is_open &= not answers
        if POWER_WORDS[True] in answers:
            power_on_s = run.started_utc_s - utc_s
    return EarlierRuns(
        runs=tuple(run.key for run in chain),
        utc_s=last_s,
        records=left.records,
        samples=left.samples,
        notes=tuple(left.notes),
        turn=left.turn,
        tool_on=left.tool_on,
        first_touch=left.first_touch,
        checks=tuple(left.checks.values()),
        dialled_hz=left.dialled_hz,
        ended_in_order=chain[-1].end_reason in ENDED_IN_ORDER,
        nominal=nominal,
        trace=Trace() if nominal is None else _trace(journal, chain, float(nominal), utc_s),
        power_on_s=power_on_s,
        power_unanswered=is_open or utc_s - last_s > ASK_POWER_AFTER_S,
    )


def _trace(
    journal: JournalReader, chain: list[JournalRun], nominal_hz: float, utc_s: float
) -> Trace:
    """Return up to `TRACE_POINTS` readings of each run, evenly chosen, in seconds of the new run.

    The offsets are those read, without corrections.
    """
    times: list[float] = []
    offsets: list[float] = []
    for run in chain:
        (highest,) = journal.ask("SELECT max(number) FROM readings WHERE run = ?", (run.key,))[0]
        every = max(int(highest or 0) // TRACE_POINTS, 1)
        query = (
            "SELECT elapsed_s, text FROM readings WHERE run = ? AND number % ? = 0 "
            "AND instr(flags, ?) = 0 ORDER BY number"
        )
        for elapsed_s, text in journal.ask(query, (run.key, every, OTHER_DIAL)):
            with suppress(ValueError):
                offset = (float(text) - nominal_hz) / nominal_hz
                if abs(offset) < LARGEST_OFFSET:
                    times.append(run.started_utc_s + float(elapsed_s) - utc_s)
                    offsets.append(offset)
        if times and not math.isnan(offsets[-1]):
            times.append(times[-1])
            offsets.append(math.nan)
    return Trace(tuple(times), tuple(offsets))


def _entries(journal: JournalReader, run: JournalRun) -> Iterator[tuple[float, str, str, float]]:
    """Yield time, kind, document and duration of all entries but readings, in order of writing.

    The time (Unix seconds) is the start of the run plus the entry's elapsed time: the ``utc_s`` of
    a record is the time of its readings, and not when it was made.
    """
    began = run.started_utc_s
    query = """
        SELECT number, elapsed_s, kind, document, 0.0 FROM notes WHERE run = :run
        UNION ALL SELECT number, elapsed_s, kind, document, 0.0 FROM records WHERE run = :run
        UNION ALL SELECT number, elapsed_s, 'mark', text, 0.0 FROM marks WHERE run = :run
        UNION ALL SELECT number, elapsed_s, 'gap', reason, lasted_s FROM gaps WHERE run = :run
        ORDER BY number"""
    for _, elapsed_s, kind, document, lasted_s in journal.ask(query, {"run": run.key}):
        yield began + float(elapsed_s), str(kind), str(document), float(lasted_s)
