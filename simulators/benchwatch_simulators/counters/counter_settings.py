"""The settings of the simulated SCPI counter: gate, input, trigger, time base.

Command names follow SCPI-1999 volume 2 (SENSe, INPut, TRIGger and ROSCillator subsystems),
from memory. Counters differ in the command of the gate, so a bench file chooses one.
"""

from collections.abc import Callable
from dataclasses import dataclass

from benchwatch_simulators.counters.edge_counter import Counting
from benchwatch_simulators.scpi.scpi_errors import ScpiError
from benchwatch_simulators.scpi.scpi_parameters import (
    ParameterLimits,
    read_number,
    read_switch,
    read_word,
)
from benchwatch_simulators.scpi.scpi_tree import CommandTree

GATE_PATTERNS = {
    "aperture": "[SENSe#:]FREQuency[:CW]:APERture",
    "gate-time": "[SENSe#:]FREQuency:GATE:TIME",
    "stop-timer": "[SENSe#:]FREQuency:ARM:STOP:TIMer",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ScpiCounterSpec:
    """Identity, gate and state at power-on of a counter; times in seconds."""

    identity: str = "SIMULATED,BENCH COUNTER,0,1.0"
    gate_command: str = "aperture"
    gate_s: float = 0.25
    """Gate at power-on; 0: it answers at once with its latest measurement."""
    gate_least_s: float = 0.001
    gate_most_s: float = 100.0
    dead_s: float = 0.0
    """Pause from gate to gate of a running counter."""
    continuous: bool = False
    """Whether it runs freely from power-on."""


class CounterSettings:
    """The settings and their commands.

    Args:
        tree: command tree to which the commands are added.
        spec: defaults and limits.
        counting: counting circuit, whose time base is selected.
        changed: called after every change of a setting, which makes the reading invalid.

    Attributes:
        gate_s: gate time in use, seconds.
        on_bus_trigger: whether a gate waits for ``*TRG``.
    """

    def __init__(
        self,
        tree: CommandTree,
        spec: ScpiCounterSpec,
        counting: Counting,
        changed: Callable[[], None],
    ) -> None:
        self.limits = ParameterLimits(
            least=min(spec.gate_least_s, spec.gate_s),
            most=max(spec.gate_most_s, spec.gate_s),
            default=spec.gate_s,
            unit="S",
        )
        self._counting = counting
        self._changed = changed
        self._words: dict[str, str] = {}
        self.reset()
        self._add(tree, GATE_PATTERNS[spec.gate_command])

    def reset(self) -> None:
        """Restore the settings of ``*RST``."""
        self.gate_s = self.limits.default
        self.on_bus_trigger = False
        self._words.update(COUP="AC", IMP="1000000", FUNC="FREQ")
        self._counting.external = self._counting.reference is not None
        self._counting.automatic = True

    def configure(self, gate_s: float) -> None:
        """Set the gate to `gate_s` within its limits, and no trigger, as ``CONFigure`` does."""
        self.gate_s = min(max(gate_s, self.limits.least), self.limits.most)
        self.on_bus_trigger = False

    def _add(self, tree: CommandTree, gate: str) -> None:
        tree.add(gate, self._set_gate, 1)
        tree.add(f"{gate}?", self._read_gate, 0, 1)
        source = "[SENSe#:]ROSCillator:SOURce"
        tree.add(source, self._set_source, 1)
        tree.add(f"{source}?", lambda: "EXT" if self._counting.shows_external else "INT")
        tree.add(f"{source}:AUTO", self._set_auto, 1)
        tree.add(f"{source}:AUTO?", lambda: str(int(self._counting.automatic)))
        tree.add("TRIGger:SOURce", self._set_trigger, 1)
        tree.add("TRIGger:SOURce?", lambda: "BUS" if self.on_bus_trigger else "IMM")
        tree.add("[SENSe#:]FUNCtion[:ON]", self._setter("FUNC", _function), 1)
        tree.add("[SENSe#:]FUNCtion[:ON]?", lambda: f'"{self._words["FUNC"]}"')
        tree.add("INPut#:COUPling", self._setter("COUP", _coupling), 1)
        tree.add("INPut#:COUPling?", lambda: self._words["COUP"])
        tree.add("INPut#:IMPedance", self._setter("IMP", _impedance), 1)
        tree.add("INPut#:IMPedance?", lambda: self._words["IMP"])

    def _setter(self, key: str, read: Callable[[str], str]) -> Callable[[str], None]:
        """Return a handler that stores its parameter, as `read` returns it, under `key`."""

        def set_word(text: str) -> None:
            self._words[key] = read(text)
            self._changed()

        return set_word

    def _set_gate(self, text: str) -> None:
        self.gate_s = read_number(text, self.limits)
        self._changed()

    def _read_gate(self, text: str = "") -> str:
        named = self.limits.named(text) if text else self.gate_s
        if named is None:
            raise ScpiError(-224, text)
        return f"{named:+.6E}"

    def _set_source(self, text: str) -> None:
        source = read_word(text, "INTernal", "EXTernal")
        if source == "EXT" and not self._counting.reference_present:
            raise ScpiError(-221, "no reference at the input")
        self._counting.external = source == "EXT"
        self._counting.automatic = False
        self._changed()

    def _set_auto(self, text: str) -> None:
        self._counting.automatic = read_switch(text)
        if self._counting.automatic:
            self._counting.external = self._counting.reference is not None
        self._changed()

    def _set_trigger(self, text: str) -> None:
        self.on_bus_trigger = read_word(text, "IMMediate", "BUS") == "BUS"
        self._changed()


def _coupling(text: str) -> str:
    return read_word(text, "AC", "DC")


def _impedance(text: str) -> str:
    ohms = read_number(text, ParameterLimits(least=50.0, most=1e6, default=1e6, unit="OHM"))
    if ohms not in (50.0, 1e6):
        raise ScpiError(-224, text)
    return f"{ohms:.0f}"


def _function(text: str) -> str:
    if text[0] not in "'\"":
        raise ScpiError(-104, text)
    return read_word(text[1:-1] or "-", "FREQuency")
