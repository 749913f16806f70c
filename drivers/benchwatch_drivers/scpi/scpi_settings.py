"""The settings of a counter that speaks SCPI: queried, and set only on request."""

import math
import re
from dataclasses import dataclass
from typing import Final

from benchwatch.counter import TimeBase, TimeBaseSource, plausible_gate_s
from benchwatch.errors import UsageError
from benchwatch.quantity import printable
from benchwatch_drivers.scpi.scpi_number import HUGE, NUMBER
from benchwatch_drivers.scpi.scpi_query import ScpiQuery


@dataclass(frozen=True, slots=True)
class SettingCommands:
    """The query and the command of a setting, in one of the spellings that counters use."""

    query: str
    command: str


GATE_COMMANDS: Final = (
    SettingCommands("FREQ:APER?", "FREQ:APER"),
    SettingCommands("FREQ:GATE:TIME?", "FREQ:GATE:TIME"),
    SettingCommands("FREQ:ARM:STOP:TIM?", "FREQ:ARM:STOP:TIM"),
)
"""The gate has no single spelling (SCPI-1999 has APERture; the others are from memory)."""


class ScpiSettings:
    """Gate, channel and time base of one counter.

    Attributes:
        touched: True when something was set.
    """

    def __init__(self, dialogue: ScpiQuery) -> None:
        self.touched = False
        self._dialogue = dialogue
        self._gate_commands: SettingCommands | None = None

    @property
    def has_reported_gate(self) -> bool:
        """True when the counter has answered a query of its gate."""
        return self._gate_commands is not None

    def gate_s(self) -> float | None:
        """Query the gate, in seconds, in each spelling until one is answered."""
        spellings = (self._gate_commands,) if self._gate_commands else GATE_COMMANDS
        for spelling in spellings:
            gate_s = plausible_gate_s(self._setting(spelling.query))
            if gate_s is not None:
                self._gate_commands = spelling
                return gate_s
        return None

    def time_base(self) -> TimeBase:
        """Query ``ROSC:SOUR?``."""
        reply = (self._dialogue.query_setting("ROSC:SOUR?") or "").strip().strip("\"'").upper()
        source: TimeBaseSource = "unknown"
        if reply.startswith("INT"):
            source = "internal"
        elif reply.startswith("EXT"):
            source = "external"
        return TimeBase(source)

    def set_gate(self, gate_s: float) -> float:
        """Set the gate, in seconds, and return what is read back.

        Raises:
            UsageError: the counter can't, or refuses.
        """
        if self._gate_commands is None and self.gate_s() is None:
            raise UsageError(
                "the gate of this counter can't be set: it knows none of "
                f"{', '.join(spelling.command for spelling in GATE_COMMANDS)}. "
                "Set it at the front panel and leave --gate out."
            )
        assert self._gate_commands is not None
        self._set(f"{self._gate_commands.command} {gate_s:.9g}", f"a gate of {gate_s:g} s")
        read_back = self.gate_s()
        if read_back is None:
            raise UsageError(f"a gate of {gate_s:g} s was set, but it can't be read back.")
        return read_back

    def set_channel(self, channel: int) -> int:
        """Set the input, and return what is read back.

        Raises:
            UsageError: the counter refuses, or does not report it.
        """
        self._set(f'FUNC "FREQ {channel}"', f"channel {channel}")
        reply = self._dialogue.query_setting("FUNC?") or ""
        match = re.fullmatch(r'\s*"?\s*FREQ(?:UENCY)?\s+(\d+)\s*"?\s*', reply.upper())
        if match is None:
            raise UsageError(
                f"channel {channel} was set, but the counter answers '{printable(reply)}' when "
                "asked for it. Choose the channel at the front panel."
            )
        return int(match[1])

    def _set(self, command: str, what: str) -> None:
        """Send a command and check the error queue."""
        self._dialogue.drain_errors()
        self.touched = True
        self._dialogue.link.write(command)
        errors = self._dialogue.drain_errors()
        if errors:
            raise UsageError(
                f"the counter refuses {what}: {errors[0][1]}. Ask for another, or leave it out."
            )

    def _setting(self, query: str) -> float | None:
        """Query a number; None where the answer is no number."""
        reply = (self._dialogue.query_setting(query) or "").strip()
        value = float(reply) if NUMBER.fullmatch(reply) else math.nan
        return value if abs(value) < float(HUGE) else None
