"""The visit of a counter: what the operator says of it goes to register, journal and event log."""

import math
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any, Final

from benchwatch.errors import UsageError
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.journal.run_writer import RunWriter
from benchwatch.pipeline.dial_check_words import check_words
from benchwatch.pipeline.event_log import EventLog, limit_words, settle_limit_words
from benchwatch.plan import Plan
from benchwatch.reading import POWER_WORDS
from benchwatch.register.visit_writer import RunOfVisit, VisitWriter
from benchwatch.snapshot import VisitNow

NEW_VISIT: Final = "another visit began"
"""End reason of a run."""


class VisitKeeper:
    """Passes on what happens in a visit; without a register only to journal and event log.

    Args:
        writer: writes to the register; None: there is none.
        journal: the run in the journal.
        log: the event log.
        plan: names counter and resource.
    """

    def __init__(
        self, writer: VisitWriter | None, journal: RunWriter, log: EventLog, plan: Plan
    ) -> None:
        self.writer, self._journal, self._log, self._plan = writer, journal, log, plan
        self.begins = writer is not None and writer.begins_at_once
        """Whether the next reading begins the visit."""
        self.elsewhere: VisitNow | None = None
        """The unit on a counter elsewhere, whose station has the register."""
        self._report: tuple[str, float] | None = None
        """The sentence on the newest report that this watch issued, and its time in the run."""
        self._attach()

    @property
    def now(self) -> VisitNow | None:
        """The state of the visit; None without a register."""
        if self.writer is None:
            return self.elsewhere
        if self._report is None:
            return self.writer.now
        text, elapsed_s = self._report
        return replace(self.writer.now, report=text, report_s=elapsed_s)

    @property
    def is_closed(self) -> bool:
        """Whether the visit is closed, perhaps by another program."""
        return self.writer is not None and self.writer.is_closed()

    def begin(self, nominal_hz: float, limits: Plan) -> None:
        """Put the visit, or this run of it, into the register: the first reading has come.

        Args:
            nominal_hz: hertz; NaN: not known.
            limits: its tolerance and settle limit hold; a visit that goes on under others says so.
        """
        self.begins = False
        is_known = math.isfinite(nominal_hz) and nominal_hz > 0
        if self.writer is not None:
            nominal = Decimal(repr(nominal_hz)) if is_known else None
            self.writer.begin(nominal, limits.tolerance, settle_limit_words(limits.settle))
            self.write_limits(limits)

    def write_limits(self, limits: Plan) -> None:
        """Put the tolerance and the settle limit of a plan into the register, if they are new."""
        if self.writer is not None:
            tolerance = limits.tolerance
            words = "" if tolerance is None else limit_words(tolerance)
            self.writer.write_limits(tolerance, words, settle_limit_words(limits.settle))

    def note(self, text: str) -> None:
        """Add a note; the time line has it as a mark."""
        if self.writer is not None:
            self.writer.write_note(text)

    def note_report(self, number: int, text: str, utc_s: float, elapsed_s: float) -> None:
        """Log that a report on the visit with this number was issued; `text` says where it is.

        The register has an entry of its own, and another visit may have begun in the meantime.
        """
        if self.now is not None and self.now.number == number:
            self._log.add_text(utc_s, elapsed_s, "visit", text)
            self._report = (text, elapsed_s)

    def add_condition(self, name: str, text: str, utc_s: float, elapsed_s: float) -> None:
        """Add a condition, such as ``room`` and ``21.5 C``."""
        self._log.add_text(utc_s, elapsed_s, "condition", f"{name} {text}")
        if self.writer is not None:
            self.writer.write_condition(name, text)

    def add_comparison(
        self, text: str, values: Mapping[str, Any], utc_s: float, elapsed_s: float
    ) -> None:
        """Add a comparison of counters: what it says, and its numbers for JSON."""
        self._log.add_text(utc_s, elapsed_s, "comparison", text)
        if self.writer is not None:
            self.writer.write_comparison(text, values)

    def log_check(self, check: DialCheck, elapsed_s: float) -> None:
        """Put a finished check at another dial setting into the event log."""
        self._log.add_text(check.utc_s, elapsed_s, "check", check_words(check))

    def write_check(self, check: DialCheck, elapsed_s: float) -> None:
        """Write a check to register and journal, in place of an earlier one at its setting."""
        text = check_words(check)
        self._journal.write_check(check.as_dict(), check.utc_s, elapsed_s)
        if self.writer is not None:
            self.writer.write_check(text, check.as_dict())

    def answer_power(self, utc_s: float, elapsed_s: float, *, was_off: bool) -> None:
        """Note whether the unit was switched off before this run.

        Raises:
            UsageError: there is no register.
        """
        text = POWER_WORDS[was_off]
        self._need_writer().write_power(text)
        self._log.add_text(utc_s, elapsed_s, "power", text)

    def name_unit(self, ident: str, utc_s: float, elapsed_s: float) -> None:
        """Give the nameless visit its unit.

        Raises:
            UsageError: it has another unit already, or is closed; or there is no register.
        """
        self._need_writer().name_unit(ident)
        self._log.add_text(utc_s, elapsed_s, "visit", f"this is the visit of {ident}")

    def close(self, utc_s: float, elapsed_s: float) -> None:
        """Close the visit; readings go on to the journal.

        Raises:
            UsageError: it is closed already, or there is no register.
        """
        self._need_writer().close()
        self._log.add_text(utc_s, elapsed_s, "visit", "the visit is closed")

    def begin_another(self, utc_s: float) -> None:
        """Go on with another visit, nameless, and a run of its own.

        Raises:
            UsageError: there is no register.
        """
        writer = self._need_writer()
        self._journal.begin_another(utc_s, NEW_VISIT)
        writer.begin_another()
        self._attach()
        self.begins = True
        self._log.newest, self._report = (), None

    def _attach(self) -> None:
        if self.writer is not None:
            self.writer.attach(
                RunOfVisit(
                    run=self._journal.key,
                    journal=self._journal.journal_name,
                    counter=self._plan.name,
                    resource=self._plan.resource,
                )
            )

    def _need_writer(self) -> VisitWriter:
        if self.writer is None:
            raise UsageError("there is no visit: this watch keeps nothing (--no-journal).")
        return self.writer
