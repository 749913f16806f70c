"""Writes one run to the journal: its events, and notes for a later run that continues it.

`trim_entries` reads the notes.
"""

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from benchwatch.journal.schema import JournalRun, settings_text
from benchwatch.journal.trim_entries import (
    CHECK_KIND,
    DIAL_KIND,
    KEPT_BY_ITSELF,
    PROOF_KIND,
    PULL_KIND,
    json_object,
)
from benchwatch.journal.writer import Journal, new_key
from benchwatch.plan import Plan
from benchwatch.reading import Entry, Note
from benchwatch.snapshot import LoggedEvent

if TYPE_CHECKING:
    from benchwatch.estimate.trim.mean_pull import PullSample


class RunWriter:
    """Writes the entries of one run.

    Args:
        journal: where entries are written; None: nowhere.
        run: the run as known at its start.
        samples: measured pulls of the tool from the run that this one continues; they are in the
            journal already.
    """

    def __init__(
        self, journal: Journal | None, run: JournalRun, samples: "tuple[PullSample, ...]" = ()
    ) -> None:
        self._journal, self._run, self._samples = journal, run, samples
        self._save()

    @property
    def key(self) -> int:
        """Key of the run."""
        return self._run.key

    @property
    def kept_key(self) -> int | None:
        """Key of the run in the journal; None without one."""
        return None if self._journal is None else self._run.key

    @property
    def journal_name(self) -> str:
        """File name of the journal; empty without one."""
        return "" if self._journal is None else self._journal.path.name

    @property
    def started_utc_s(self) -> float:
        """When the run began, Unix seconds."""
        return self._run.started_utc_s

    @property
    def trouble(self) -> str | None:
        """Why entries do not reach the disk; None while they do."""
        return None if self._journal is None else self._journal.trouble

    @property
    def not_on_disk(self) -> int | None:
        """How many entries wait for the disk; None without a journal."""
        return None if self._journal is None else self._journal.not_on_disk

    def update_run(self, **known: Any) -> None:
        """Write the fields of the run's `JournalRun` given by keyword, if any has changed."""
        run = replace(self._run, **known)
        if run != self._run:
            self._run = run
            self._save()

    def begin_another(self, utc_s: float, reason: str) -> None:
        """End the run at `utc_s` (Unix seconds) because of `reason`, and begin another.

        Both count elapsed time from the same moment.
        """
        self.update_run(ended_utc_s=utc_s, end_reason=reason)
        key = new_key(utc_s)
        settings = {**json_object(self._run.settings), "goes_on_with": None, "unit": None}
        self._run = replace(
            self._run,
            key=key,
            settings=settings_text(**settings),
            ended_utc_s=None,
            end_reason="",
        )
        self._samples = ()
        self._save()

    def write(self, event: Entry) -> int | None:
        """Write an event or a note; return its number, or None without a journal."""
        return None if self._journal is None else self._journal.write(self._run.key, event)

    def write_logged(self, logged: LoggedEvent) -> None:
        """Write an entry of the event log as a note, unless the journal has it as an event."""
        if logged.kind in {"mark", "gap", "record"}:
            return
        nudge = logged.nudge
        sized = None if nudge is None else {"size": nudge.size, "u": nudge.u}
        document = json.dumps({"text": logged.text, "nudge": sized})
        self._write_entry(logged.utc_s, logged.elapsed_s, logged.kind, document)

    def write_kept_by_itself(self, utc_s: float, elapsed_s: float) -> None:
        """Write a note that the last record, as found, was made automatically."""
        self._write_entry(utc_s, elapsed_s, KEPT_BY_ITSELF, "{}")

    def write_tool_pull(
        self, samples: "tuple[PullSample, ...]", utc_s: float, elapsed_s: float
    ) -> None:
        """Write the measured pulls of the tool, if they have changed.

        Args:
            samples: the pulls.
            utc_s: time of the newest reading or touch, Unix seconds.
            elapsed_s: the same time, seconds of the run.
        """
        if samples and samples != self._samples:
            self._samples = samples
            self._write_entry(utc_s, elapsed_s, PULL_KIND, json.dumps({"samples": samples}))

    def write_check(self, values: Mapping[str, Any], utc_s: float, elapsed_s: float) -> None:
        """Write a finished check at another dial setting, its numbers as values for JSON."""
        self._write_entry(utc_s, elapsed_s, CHECK_KIND, json.dumps(values))

    def write_proof(
        self, offset: float | None, time_base: str, utc_s: float, elapsed_s: float
    ) -> None:
        """Write that readings are corrected by a comparison from here on.

        Args:
            offset: of the counter's time base, fractional; None: no correction any more.
            time_base: the time base that is off so, as the counter tells it.
            utc_s: Unix seconds.
            elapsed_s: seconds of the run.
        """
        values = {"offset": offset, "time_base": time_base}
        self._write_entry(utc_s, elapsed_s, PROOF_KIND, json.dumps(values))

    def write_dialled(self, setting_hz: float | None, utc_s: float, elapsed_s: float) -> None:
        """Write that the unit is dialled to another setting, in hertz; None: back to the main."""
        self._write_entry(utc_s, elapsed_s, DIAL_KIND, json.dumps({"setting_hz": setting_hz}))

    def _write_entry(self, utc_s: float, elapsed_s: float, kind: str, document: str) -> None:
        self.write(
            Note(
                counter=self._run.counter,
                utc_s=utc_s,
                elapsed_s=elapsed_s,
                kind=kind,
                document=document,
            )
        )

    def _save(self) -> None:
        if self._journal is not None:
            self._journal.save_run(self._run)


def run_of(plan: Plan, utc_s: float, watch: int, earlier: Sequence[int] = ()) -> JournalRun:
    """Return the journal's run for a run that starts with `plan`.

    Args:
        plan: the counter, and its limits and settings.
        utc_s: when the run starts, Unix seconds.
        watch: key shared by the counters of one watch.
        earlier: keys of the runs that it goes on with, oldest first.
    """
    settings = settings_text(
        tolerance=plan.tolerance,
        settle=None if plan.settle is None else plan.settle.limit,
        settle_horizon_s=None if plan.settle is None else plan.settle.horizon_s,
        set_gate_s=plan.setup.gate_s,
        set_channel=plan.setup.channel,
        interval_s=plan.interval_s,
        simulated_bench=plan.simulated,
        unit=plan.unit,
        process=os.getpid(),
        goes_on_with=earlier[-1] if earlier else None,
    )
    return JournalRun(
        key=new_key(utc_s),
        watch=watch,
        counter=plan.name,
        resource=plan.resource,
        driver=plan.driver,
        started_utc_s=utc_s,
        nominal_hz=plan.nominal,
        settings=settings,
    )
