"""Sets what the operator asks for between two readings, and keeps track of time base and gate."""

import math
import queue
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final

from benchwatch.acquire.counter_status import StatusPublisher
from benchwatch.acquire.reading_maker import ReadingMaker
from benchwatch.acquire.settings_poller import PolledSettings, SettingsPoller
from benchwatch.clock import Clock
from benchwatch.counter import Counter, DriverExtras, Setup, TimeBase, plausible_gate_s
from benchwatch.errors import UsageError
from benchwatch.quantity import format_duration

SAME_GATE_SHARE: Final = 1e-3
"""Two answers about one gate differ by no more than this fraction."""
MOST_RESETS: Final = 3
"""A requested gate is set again so often within `RESETS_WITHIN_S`; after that somebody else must be
setting another one."""
RESETS_WITHIN_S: Final = 600.0


@dataclass(frozen=True, slots=True)
class DialSetting:
    """Another setting of the unit's dial at which readings are accepted; nothing is set for it."""

    hertz: Decimal | None
    """None: readings at the nominal only."""


class SettingsControl:
    """Applies the setup and later requests, and follows time base and gate of one counter.

    Args:
        setup: what the operator asked to be set; later requests replace parts of it.
        maker: gets nominal, gate and time base for the readings.
        publisher: publishes changes.
        note: puts a sentence on the time line.
        clock: the clock of the run.
    """

    def __init__(
        self,
        setup: Setup,
        *,
        maker: ReadingMaker,
        publisher: StatusPublisher,
        note: Callable[[str], None],
        clock: Clock,
    ) -> None:
        self._setup = setup
        self._maker = maker
        self._publisher = publisher
        self._note = note
        self._clock = clock
        self._poller = SettingsPoller(clock)
        self._requests: queue.SimpleQueue[Setup | Decimal | DialSetting] = queue.SimpleQueue()
        self._set_gate_s: float | None = None
        """The gate that was read back after the requested one had been set."""
        self._resets: deque[float] = deque(maxlen=MOST_RESETS)
        self._unreported: list[str] = []
        """Settings that were noted as no longer reported."""
        self._doubted_s: float | None = None
        """The gate that was noted as impossible."""

    def request(self, request: Setup | Decimal | DialSetting) -> None:
        """Queue a request for after the reading in flight: settings, nominal in hertz, or dial."""
        self._requests.put(request)

    def begin(self, counter: Counter, extras: DriverExtras) -> tuple[TimeBase, float | None]:
        """Apply the setup on a new connection; return time base and gate in seconds."""
        if not self._setup.is_empty:
            self._configure(counter, self._setup)
        polled = self._poller.first(counter)
        if extras.retry_unanswered is not None and self._reports_less(polled):
            extras.retry_unanswered()
            polled = self._poller.first(counter)
        self._apply(polled)
        return polled.time_base, polled.gate_s

    def _reports_less(self, polled: PolledSettings) -> bool:
        """Return whether the counter reported more on its last connection; it may be busy now."""
        known = self._publisher.status
        base = polled.time_base.source == "unknown" and known.time_base.source != "unknown"
        return base or (polled.gate_s is None and known.gate_s is not None)

    def between_readings(self, counter: Counter) -> None:
        """Carry out requests; poll the settings when it is time, and publish changes."""
        while not self._requests.empty():
            self._carry_out(self._requests.get(), counter)
        if self._is_newly_doubtful():
            self._poller.poll_next()
        if not self._poller.is_due(self._maker.gate_s):
            return
        status = self._publisher.status
        known = PolledSettings(status.time_base, status.gate_s)
        polled = self._poller.poll(counter, known)
        if polled != known and self._has_lost_its_gate(polled):
            polled = replace(polled, gate_s=self._set_again(counter, polled.gate_s))
        if polled != known:
            self._apply(polled)
            self._publisher.update(time_base=polled.time_base, gate_s=polled.gate_s)
        if self._is_newly_doubtful():
            self._doubted_s = self._maker.gate_s
            self._note(self._maker.doubt or "")
        self._note_unreported(polled)

    def _carry_out(self, request: Setup | Decimal | DialSetting, counter: Counter) -> None:
        if isinstance(request, Decimal):
            self._maker.set_nominal(request)
            self._publisher.update(nominal=request)
            return
        if isinstance(request, DialSetting):
            self._maker.set_dial(request.hertz)
            return
        state = self._publisher.status.link.state
        try:
            self._configure(counter, request)
        except UsageError as error:
            self._publisher.set_state(state, str(error))
            return
        self._setup = Setup(
            gate_s=self._setup.gate_s if request.gate_s is None else request.gate_s,
            channel=self._setup.channel if request.channel is None else request.channel,
        )
        gate_s = plausible_gate_s(counter.gate_s())
        self._maker.set_gate(self._publisher.status.gate_s if gate_s is None else gate_s)
        self._publisher.set_state(state, gate_s=self._maker.gate_s)

    # ------------------------------------------------------------- the requested gate

    def _configure(self, counter: Counter, setup: Setup) -> None:
        read_back = counter.configure(setup)
        self._maker.gate_was_set()
        if read_back.gate_s is not None:
            self._set_gate_s = read_back.gate_s

    def _has_lost_its_gate(self, polled: PolledSettings) -> bool:
        if self._set_gate_s is None or polled.gate_s is None:
            return False
        return not _same(polled.gate_s, self._set_gate_s)

    def _set_again(self, counter: Counter, polled_s: float | None) -> float | None:
        """Set the requested gate again, as after a power cut behind an adapter that stays on.

        Returns:
            The gate after that, in seconds.
        """
        wanted_s, gate_s = self._set_gate_s, counter.gate_s()
        if not (_same(gate_s, polled_s) and wanted_s):
            return wanted_s  # a second query does not confirm it, so the first answer was wrong
        found, asked = format_duration(gate_s or 0.0), format_duration(wanted_s)
        now_s = self._clock.monotonic()
        if len(self._resets) == MOST_RESETS and now_s - self._resets[0] < RESETS_WITHIN_S:
            self._set_gate_s = None
            self._note(
                f"the counter's gate is {found} again, though {asked} was asked for and set again "
                f"{MOST_RESETS} times. It is left so; does somebody set it at the front panel?"
            )
            return gate_s
        self._resets.append(now_s)
        try:
            self._configure(counter, self._setup)
        except UsageError as error:
            self._set_gate_s = None
            self._note(f"the counter's gate was found at {found}, and stays so: {error}")
            return gate_s
        if _same(self._set_gate_s, wanted_s):
            end = f"it was set to {asked} again, as asked"
        else:
            end = f"{asked} was asked for, and it does not go there any more"
        self._note(f"the counter's gate was found at {found}; {end}")
        return self._set_gate_s

    # ------------------------------------------------------------- notes on the time line

    def _note_unreported(self, known: PolledSettings) -> None:
        """Note when a known setting is no longer reported, and when it is again."""
        unreported = self._poller.unreported()
        shown = {
            "time base": known.time_base.source,
            "gate": format_duration(known.gate_s or math.nan),
        }
        for what in unreported:
            if what not in self._unreported:
                self._note(
                    f"the counter no longer tells its {what} so that it can be read; "
                    f"the last one told is kept: {shown[what]}"
                )
        for what in self._unreported:
            if what not in unreported:
                self._note(f"the counter tells its {what} again: {shown[what]}")
        self._unreported = unreported

    def _is_newly_doubtful(self) -> bool:
        """Return whether the reported gate can't be right and this is not noted yet."""
        return self._maker.doubt is not None and self._maker.gate_s != self._doubted_s

    def _apply(self, polled: PolledSettings) -> None:
        self._maker.set_time_base(polled.time_base)
        self._maker.set_gate(polled.gate_s)


def _same(one_s: float | None, other_s: float | None) -> bool:
    """Return whether two answers are about the same gate."""
    return (
        one_s is not None
        and other_s is not None
        and math.isclose(one_s, other_s, rel_tol=SAME_GATE_SHARE)
    )
