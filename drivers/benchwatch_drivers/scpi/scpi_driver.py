"""Counters that speak SCPI-1999 (IEEE 488.2 common commands, the SENSe and ROSCillator trees).

Reading sends queries only. A query that a counter does not know goes unanswered once, and is not
sent again. Clauses, from memory: IEEE 488.2-1992 section 8.7 (numeric replies) and
10.14 (*IDN?); SCPI-1999 volume 1, 7.2.1.5 (9.91E37 is NaN, 9.9E37 infinity) and volume 2, 21.8
(error queue).
"""

from dataclasses import replace
from decimal import Decimal
from typing import Final

from benchwatch.counter import Identity, Link, Measurement, Setup, TimeBase
from benchwatch.errors import LinkLost, NotACounter, ReplyError, ReplyTimeout
from benchwatch.quantity import last_digit, printable
from benchwatch_drivers.scpi.free_running import SHORTEST_QUERY_S, FreeRunning
from benchwatch_drivers.scpi.scpi_number import HUGE, INFINITY, NAN, NUMBER, read_frequency
from benchwatch_drivers.scpi.scpi_query import ScpiQuery
from benchwatch_drivers.scpi.scpi_settings import ScpiSettings

FETCH_TIMEOUT_S: Final = 1.0
MOST_ODD_REPLIES: Final = 3
"""After so many replies that are no number, and no number ever, it is no counter."""
LONGEST_CHANGE_S: Final = 1.3
"""A free-running counter has a new result within this, unless its gate is long."""
MOST_REFUSALS: Final = 2
"""After so many command errors, with a reported gate but no reading ever, it is no counter."""

LOCAL_COMMAND: Final = "SYST:LOC"
"""No command of SCPI-1999, but common practice on links without a remote line."""


class ScpiCounter:
    """A frequency counter behind SCPI."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._dialogue = ScpiQuery(link)
        self._settings = ScpiSettings(self._dialogue)
        self._is_free_running: bool | None = None
        """None while it is not known whether the counter is free-running."""
        self._free_running = FreeRunning(link, self._newest)
        self._has_measured = False
        self._odd_replies = 0
        self._refusals = 0

    # ------------------------------------------------------------- what a counter offers

    def identify(self) -> Identity:
        """Query ``*IDN?``.

        Raises:
            NotACounter: no answer, or one that is no identity.
        """
        try:
            text = self._dialogue.query_identity()
        except (ReplyTimeout, ReplyError) as error:
            raise NotACounter(
                f"nothing that speaks SCPI answers at {printable(self._link.resource)}: "
                f"*IDN? got {_first_sentence(error)}. Check the port, or choose another driver."
            ) from error
        shown = text.strip("\0\t ")
        readable = shown.isascii() and shown.isprintable() and any(c.isalpha() for c in shown)
        if not readable or NUMBER.fullmatch(shown):
            raise NotACounter(
                f"{printable(self._link.resource)} answers '{printable(text)}' to *IDN?, which is "
                "no identity. Check the port, or choose another driver."
            )
        fields = [printable(field.strip()) for field in shown.split(",", 3)]
        return Identity.of_fields(printable(shown), fields)

    def gate_s(self) -> float | None:
        """Query the gate, in seconds; None when the counter does not report it."""
        gate_s = self._settings.gate_s()
        if gate_s is not None:
            self._use_gate(gate_s)
        return gate_s

    def time_base(self) -> TimeBase:
        """Query which time base is in use."""
        return self._settings.time_base()

    def measure(self, timeout_s: float) -> Measurement:
        """Take a reading with ``READ?``, or wait for the next one of a free-running counter.

        ``READ?`` would stop a free-running counter (INIT:CONT? answers 1); ``FETC?`` returns its
        newest result and changes nothing.
        """
        self._judge(self._dialogue.resynchronise())
        if self._is_free_running is None:
            reply = self._dialogue.query_setting("INIT:CONT?")
            if reply is None:
                self._is_free_running = self._is_changing()
            else:
                self._is_free_running = reply.strip() in {"1", "ON"}
        try:
            wait = self._free_running.next if self._is_free_running else self._read
            measurement = wait(timeout_s)
        except ReplyTimeout:
            if not self._has_measured:
                self._is_free_running = None
            raise
        self._has_measured = True
        return measurement

    def configure(self, setup: Setup) -> Setup:
        """Set gate and channel where asked, and read them back.

        Raises:
            UsageError: the counter can't, or refuses; the message quotes it.
        """
        self._judge(self._dialogue.resynchronise())
        gate_s = channel = None
        if setup.channel is not None:
            channel = self._settings.set_channel(setup.channel)
        if setup.gate_s is not None:
            gate_s = self._settings.set_gate(setup.gate_s)
            self._use_gate(gate_s)
        return Setup(gate_s=gate_s, channel=channel)

    def release(self) -> None:
        """Return the front panel to local, if anything was set; queries alone leave it in local.

        No query follows: any later message would set remote again, and in the middle of a gate the
        answer would be late. A counter that does not know the command puts an error into its
        queue, which is read out the next time something is set.
        """
        if self._settings.touched:
            self._link.write(LOCAL_COMMAND)

    def measurement_rejected(self) -> None:
        """Note that a reading was implausible: it may have been the answer to another query."""
        self._dialogue.mark_unsynchronised()

    def retry_unanswered(self) -> None:
        """Allow queries of settings that went unanswered again: they were answered before."""
        self._dialogue.clear_unanswered()

    # ------------------------------------------------------------- readings

    def _use_gate(self, gate_s: float) -> None:
        self._free_running.use_gate(gate_s)
        self._dialogue.busy_s = gate_s

    def _read(self, timeout_s: float) -> Measurement:
        answer = self._dialogue.query_reading("READ?", timeout_s)
        measurement = self._measurement(answer.text, answer.arrived_s, repeat=answer.repeat)
        return replace(measurement, dated_by_pace=True) if answer.waited else measurement

    def _newest(self, deadline: float) -> Measurement:
        """Query the newest result; raises as `Link.query` and `ScpiQuery.resynchronise`."""
        self._judge(self._dialogue.resynchronise(deadline))
        left_s = max(deadline - self._link.now(), SHORTEST_QUERY_S)
        text = self._dialogue.query("FETC?", min(FETCH_TIMEOUT_S, left_s))
        return self._measurement(text, self._link.now())

    def _is_changing(self) -> bool:
        """Return whether a counter that does not know INIT:CONT? is free-running.

        Its newest result then changes although no measurement is started.
        """
        deadline = self._link.now() + LONGEST_CHANGE_S
        first: str | None = None
        while self._link.now() < deadline:
            try:
                text = self._dialogue.query("FETC?", self._dialogue.query_timeout_s)
            except (ReplyTimeout, ReplyError):
                self._dialogue.resynchronise()
                return False
            if not NUMBER.fullmatch(text.strip()):
                return False
            if text != (first := first or text):
                return True
            self._link.pause(LONGEST_CHANGE_S / 20)
        return False

    def _reports_newest(self) -> bool:
        """Return whether a counter that can't be started returns its newest result."""
        reply = self._dialogue.query_setting("FETC?") or ""
        return NUMBER.fullmatch(reply.strip()) is not None

    def _measurement(self, text: str, arrived_s: float, *, repeat: bool = False) -> Measurement:
        value = self._number(text)
        if abs(value) > HUGE:
            if abs(value - NAN) < abs(value - INFINITY):
                raise ReplyError(
                    "the counter has no valid result (it answers 9.91E37, not a number). "
                    "Check its signal and trigger level."
                )
            return Measurement(value_hz=None, resolution_hz=0.0, repeat=repeat, arrived_s=arrived_s)
        return Measurement(
            value_hz=value, resolution_hz=last_digit(value), repeat=repeat, arrived_s=arrived_s
        )

    def _number(self, text: str) -> Decimal:
        try:
            return read_frequency(text)
        except ReplyError as error:
            self._dialogue.mark_unsynchronised()
            self._odd_replies += 1
            if self._odd_replies >= MOST_ODD_REPLIES and not self._has_measured:
                raise NotACounter(
                    f"{printable(self._link.resource)} answers '{printable(text)}' when asked for "
                    "a reading, which is no number. Is it a counter? Choose another driver."
                ) from error
            raise

    def _judge(self, errors: list[tuple[int, str]]) -> None:
        """Act on the errors that were queued after a missed answer (SCPI-1999 vol. 2, 21.8)."""
        for code, text in errors:
            if -200 < code <= -100 and not self._has_measured:
                self._refusals += 1
                if self._settings.has_reported_gate and self._refusals < MOST_REFUSALS:
                    continue  # the error may be older, caused by another program
                if not self._is_free_running and self._reports_newest():
                    self._is_free_running = True
                    continue
                raise NotACounter(
                    f"{printable(self._link.resource)} speaks SCPI, but can't be asked for a "
                    f"reading: {text}. Is it a counter? Choose another driver."
                )
            if code in {-350, -500}:
                raise LinkLost(f"the counter was restarted ({text}). It is asked anew.")
            if -400 < code <= -300:
                raise ReplyError(f"the counter reports a fault of its own: {text}.")


def _first_sentence(error: Exception) -> str:
    return str(error).split(". ", 1)[0]
