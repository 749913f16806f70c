"""The base of SCPI-1999 instruments: messages, common commands, status and errors.

Clauses of IEEE 488.2 and SCPI-1999 are cited from memory. A subclass adds the commands of a
particular instrument, as `benchwatch_simulators.counters.scpi_counter` does.
"""

import threading
from collections import deque

from benchwatch_simulators.scpi.scpi_errors import ErrorQueue, ScpiError
from benchwatch_simulators.scpi.scpi_parameters import read_whole
from benchwatch_simulators.scpi.scpi_syntax import MessageUnit, parse_message
from benchwatch_simulators.scpi.scpi_tree import CommandTree

OPERATION_COMPLETE = 1
POWER_ON = 128
MEASURING = 16
"""Bit 4 of the operation status (SCPI-99 9.3)."""
NOT_A_NUMBER = "+9.91E+37"
"""Answer that stands for no number (SCPI-99 volume 1, 7.2.1.4)."""

_KEPT_MESSAGES = 1000
_LARGEST_BYTE = 255
_LARGEST_REGISTER = 0x7FFF


class ScpiInstrument:
    """Executes program messages one at a time, from any number of clients.

    Args:
        identity: answer to ``*IDN?``.

    Attributes:
        remote: True while the front panel is locked to the bus.
        received: the newest messages, for tests.
    """

    def __init__(self, identity: str) -> None:
        self.identity = identity
        self.remote = False
        self.received: deque[str] = deque(maxlen=_KEPT_MESSAGES)
        self.errors = ErrorQueue()
        self.events = POWER_ON
        self._event_enable = 0
        self._service_enable = 0
        self._status_enable = {"operation": 0, "questionable": 0}
        self._status_events = {"operation": 0, "questionable": 0}
        self._output_waits = False
        self._wants_completion = False
        self._common = CommandTree()
        self.tree = CommandTree()
        self._lock = threading.Lock()
        self._highest_suffix = 1
        self._add_common()
        self._add_required()

    # What a subclass overrides.

    def reset(self) -> None:
        """Go to the state after ``*RST``; status and queues stay (IEEE 488.2 10.32)."""

    def trigger(self) -> None:
        """Execute ``*TRG``.

        Raises:
            ScpiError: -211: no trigger is awaited.
        """
        raise ScpiError(-211)

    def finish(self) -> None:
        """Wait until no operation is pending."""

    @property
    def is_busy(self) -> bool:
        """Whether an overlapped operation is pending."""
        return False

    def condition(self, register: str) -> int:
        """Return the condition bits of the register ``operation`` or ``questionable``."""
        return MEASURING if register == "operation" and self.is_busy else 0

    # Messages.

    def execute(self, message: str) -> str | None:
        """Execute one message and return its response message, None when it has none.

        Raises:
            InstrumentClosed: the bench was closed meanwhile.
        """
        with self._lock:
            self.received.append(message)
            self.remote = True
            return self._execute(message)

    def overrun(self) -> None:
        """Queue -363: a line was too long for the input buffer."""
        self.fail(ScpiError(-363))

    def talk(self) -> str | None:
        """Queue -420: a read without a query (IEEE 488.2 6.3.2.2)."""
        self.fail(ScpiError(-420))
        return None

    def interrupted(self) -> None:
        """Queue -410: a response was dropped unread (IEEE 488.2 6.3.2.3)."""
        self.fail(ScpiError(-410))

    def clear(self) -> None:
        """Do nothing: a device clear affects only the queues of the bus (IEEE 488.2 5.8)."""

    def group_trigger(self) -> None:
        """Execute ``*TRG`` (IEEE 488.2 10.37)."""
        self.execute("*TRG")

    def go_local(self) -> None:
        """Unlock the front panel."""
        self.remote = False

    def power_cycle(self) -> None:
        """Restore settings, queues and status of power-on (IEEE 488.2 5.12)."""
        with self._lock:
            self._rst()
            self._cls()
            self.events = POWER_ON
            self._event_enable = self._service_enable = 0
            self.remote = False

    def fail(self, error: ScpiError) -> None:
        """Queue an error and set its event bit."""
        self.errors.push(error)
        self.events |= error.event_bit

    def note(self, register: str, bits: int) -> None:
        """Set event bits of a register, whose conditions have begun; they stay until read."""
        self._status_events[register] |= bits

    def _execute(self, message: str) -> str | None:
        responses: list[str] = []
        self._output_waits = False
        path: tuple[str, ...] = ()
        suffixes: tuple[int, ...] = ()
        ended = False
        for unit in parse_message(message):
            try:
                if unit.error is not None:
                    raise unit.error
                if ended and unit.is_query:
                    raise ScpiError(-440)  # noqa: TRY301 - handled below, as every error of a unit
                if unit.is_common:
                    response = self._run(self._common, unit, unit.nodes, unit.suffixes)
                    ended = ended or (unit.is_query and unit.nodes == ("IDN",))
                else:
                    # SCPI-99 6.2.4: a header continues at the node of the header before it.
                    nodes = unit.nodes if unit.is_rooted else path + unit.nodes
                    numbers = unit.suffixes if unit.is_rooted else suffixes + unit.suffixes
                    response = self._run(self.tree, unit, nodes, numbers)
                    path, suffixes = nodes[:-1], numbers[:-1]
            except ScpiError as error:
                self.fail(error)
                if error.is_command_error:
                    break
            else:
                if response is not None:
                    responses.append(response)
                    self._output_waits = True
        return ";".join(responses) if responses else None

    def _run(
        self,
        tree: CommandTree,
        unit: MessageUnit,
        nodes: tuple[str, ...],
        suffixes: tuple[int, ...],
    ) -> str | None:
        """Check and execute one unit; return its response, if any."""
        entry = tree.find(nodes, is_query=unit.is_query)
        entry.check(unit.arguments, suffixes, self._highest_suffix)
        return entry.handler(*unit.arguments)

    # IEEE 488.2 chapter 10: the common commands of every instrument.

    def _add_common(self) -> None:
        add = self._common.add
        add("IDN?", lambda: self.identity)
        add("RST", self._rst)
        add("CLS", self._cls)
        add("ESE", self._set_event_enable, 1)
        add("ESE?", lambda: str(self._event_enable))
        add("ESR?", self._read_events)
        add("OPC", self._opc)
        add("OPC?", self._opc_query)
        add("SRE", self._set_service_enable, 1)
        add("SRE?", lambda: str(self._service_enable))
        add("STB?", lambda: str(self.status_byte))
        add("WAI", self.finish)
        add("TST?", lambda: "0")
        add("TRG", self.trigger)

    def _rst(self) -> None:
        self._wants_completion = False
        self.reset()

    def _cls(self) -> None:
        self._wants_completion = False
        self.events = 0
        self._status_events = {"operation": 0, "questionable": 0}
        self.errors.clear()

    def _opc(self) -> None:
        self._wants_completion = True

    def _opc_query(self) -> str:
        self.finish()
        return "1"

    def _set_event_enable(self, text: str) -> None:
        self._event_enable = read_whole(text, _LARGEST_BYTE)

    def _set_service_enable(self, text: str) -> None:
        self._service_enable = read_whole(text, _LARGEST_BYTE) & ~64

    def _notice_completion(self) -> None:
        if self._wants_completion and not self.is_busy:
            self._wants_completion = False
            self.events |= OPERATION_COMPLETE

    def _read_events(self) -> str:
        self._notice_completion()
        events, self.events = self.events, 0
        return str(events)

    @property
    def status_byte(self) -> int:
        """The status byte with its summary bits (IEEE 488.2 11.2, SCPI-99 9.2)."""
        self._notice_completion()
        byte = 4 if len(self.errors) else 0
        byte |= 8 if self._summary("questionable") else 0
        byte |= 16 if self._output_waits else 0
        byte |= 32 if self.events & self._event_enable else 0
        byte |= 128 if self._summary("operation") else 0
        return byte | (64 if byte & self._service_enable else 0)

    def _summary(self, register: str) -> int:
        return self._status_events[register] & self._status_enable[register]

    # SCPI-1999 4.2.1: the other commands of every instrument.

    def _add_required(self) -> None:
        add = self.tree.add
        add("SYSTem:ERRor[:NEXT]?", self.errors.pop)
        add("SYSTem:ERRor:COUNt?", lambda: str(len(self.errors)))
        add("SYSTem:VERSion?", lambda: "1999.0")
        add("SYSTem:LOCal", self.go_local)
        add("SYSTem:REMote", lambda: None)
        add("STATus:PRESet", self._preset_status)
        for pattern, register in (("OPERation", "operation"), ("QUEStionable", "questionable")):
            self._add_register(f"STATus:{pattern}", register)

    def _add_register(self, pattern: str, register: str) -> None:
        def enable(text: str) -> None:
            self._status_enable[register] = read_whole(text, _LARGEST_REGISTER)

        def events() -> str:
            seen, self._status_events[register] = self._status_events[register], 0
            return str(seen)

        self.tree.add(f"{pattern}[:EVENt]?", events)
        self.tree.add(f"{pattern}:CONDition?", lambda: str(self.condition(register)))
        self.tree.add(f"{pattern}:ENABle", enable, 1)
        self.tree.add(f"{pattern}:ENABle?", lambda: str(self._status_enable[register]))

    def _preset_status(self) -> None:
        self._status_enable = {"operation": 0, "questionable": 0}
