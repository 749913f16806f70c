"""A frequency counter that speaks SCPI-1999.

The measurement instructions follow SCPI-1999 volume 1 chapter 3 of the instrument classes and
volume 2 chapter 3 (from memory): ``READ?`` is ABORt, INITiate, FETCh?; ``MEASure?`` is
CONFigure, READ?; a changed setting makes ``FETCh?`` invalid.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from benchwatch.clock import Clock
from benchwatch_simulators.counter import Counting
from benchwatch_simulators.cycle import Cycle
from benchwatch_simulators.scpi import InstrumentClosed, ScpiInstrument
from benchwatch_simulators.scpi_errors import ScpiError
from benchwatch_simulators.scpi_parameters import Limits, number, switch, word

NOT_A_NUMBER = "+9.91E+37"
INFINITE = "+9.9E+37"

GATE_PATTERNS = {
    "aperture": "[SENSe#:]FREQuency[:CW]:APERture",
    "gate-time": "[SENSe#:]FREQuency:GATE:TIME",
    "stop-timer": "[SENSe#:]FREQuency:ARM:STOP:TIMer",
}
"""SCPI counters agree on no single gate command; a bench names the one its counter knows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScpiCounterSpec:
    """The front of a counter; times in seconds."""

    identity: str = "SIMULATED,BENCH COUNTER,0,1.0"
    gate_command: str = "aperture"
    gate_s: float = 0.25
    """At power-on; 0 answers at once with what was seen last."""
    gate_least_s: float = 0.001
    gate_most_s: float = 100.0
    dead_s: float = 0.0
    continuous: bool = False
    """Free running at power-on."""


class ScpiCounter(ScpiInstrument):
    """Commands on top of a `Counting`.

    Args:
        spec: what it is like.
        counting: what does the counting.
        clock: time; bench time counts from `zero_s` on it.
        zero_s: ``clock.monotonic()`` at power-on.
        closing: set when the bench closes; calls off every wait.
    """

    def __init__(
        self,
        spec: ScpiCounterSpec,
        counting: Counting,
        clock: Clock,
        zero_s: float,
        closing: threading.Event,
    ) -> None:
        super().__init__(spec.identity)
        self.spec = spec
        self.counting = counting
        self._clock = clock
        self._zero = zero_s
        self._closing = closing
        self._cycle = Cycle(counting.count, spec.dead_s)
        self._gate_limits = Limits(
            min(spec.gate_least_s, spec.gate_s), spec.gate_most_s, spec.gate_s, "S"
        )
        self._words: dict[str, str] = {}
        self._settings()
        self._add_measuring()
        self._add_sense()
        if spec.continuous:
            self._set_continuous("ON")

    @property
    def now_s(self) -> float:
        """Seconds since power-on."""
        return self._clock.monotonic() - self._zero

    @property
    def gate_s(self) -> float:
        """Gate time in use."""
        return self._gate

    # What an instrument says to `ScpiInstrument`.

    def reset(self) -> None:
        """Stop and go back to the settings of ``*RST``: not free running."""
        self._cycle.forget()
        self._cycle.continuous = False
        self._settings()

    def trigger(self) -> None:
        """Open the gate that waits for ``*TRG``."""
        if not self._cycle.armed:
            raise ScpiError(-211)
        self._cycle.initiate(self.now_s, self._gate)

    @property
    def is_busy(self) -> bool:
        """True while a single gate is open or a trigger awaited."""
        return self._cycle.is_busy(self.now_s)

    def finish(self) -> None:
        """Wait for a single gate to close; one that awaits a trigger never would."""
        if self._cycle.armed:
            raise ScpiError(-214)
        if self.is_busy:
            self._await_reading()

    def condition(self, register: str) -> int:
        """Bit 4 MEASuring of operation; bit 5 FREQuency of questionable: no signal."""
        if register == "questionable":
            return 0 if self.counting.signal_present else 32
        return super().condition(register)

    # Measuring.

    def _add_measuring(self) -> None:
        add = self.tree.add
        function = "[:SCALar][:VOLTage]:FREQuency"
        add(f"MEASure{function}?", self._measure, 0, 3)
        add(f"CONFigure{function}", self._configure, 0, 3)
        add("CONFigure?", self._configuration)
        add("READ?", self._read)
        add(f"READ{function}?", self._read)
        add("FETCh?", self._fetch)
        add(f"FETCh{function}?", self._fetch)
        add("INITiate[:IMMediate]", self._initiate)
        add("INITiate:CONTinuous", self._set_continuous, 1)
        add("INITiate:CONTinuous?", lambda: str(int(self._cycle.continuous)))
        add("ABORt", self._abort)

    def _measure(self, *arguments: str) -> str:
        self._configure(*arguments)
        return self._read()

    def _configure(self, *arguments: str) -> None:
        """Set up for a frequency: expected value, resolution in hertz, channel list."""
        numbers = [text for text in arguments if not text.startswith("(")]
        for text in arguments:
            if text.startswith("(") and text.replace(" ", "") != "(@1)":
                raise ScpiError(-224, text)
        nominal = float(self.counting.signal.spec.nominal_hz)
        expected = nominal
        if numbers:
            expected = number(
                numbers[0], Limits(0.001, float(self.counting.spec.maximum_hz), nominal, "HZ")
            )
        gate_s = self.spec.gate_s
        if len(numbers) > 1:
            one_second = self.counting.spec.t_res_s * expected
            limits = self._gate_limits
            least = one_second / limits.most
            coarsest = one_second / max(limits.least, 1e-9)
            default = one_second / max(self.spec.gate_s, 1e-9)
            gate_s = one_second / number(numbers[1], Limits(least, coarsest, default, "HZ"))
        self._cycle.forget()
        self._cycle.continuous = False
        self._words["TRIG"] = "IMM"
        self._gate = min(max(gate_s, self._gate_limits.least), self._gate_limits.most)

    def _configuration(self) -> str:
        nominal = self.counting.signal.spec.nominal_hz
        resolution = float(nominal) * self.counting.spec.t_res_s / (self._gate or 0.01)
        return f'"FREQ {nominal:+E},{resolution:+.3E}"'

    def _read(self) -> str:
        if self._words["TRIG"] == "BUS":
            raise ScpiError(-214)
        self._cycle.abort(self.now_s)
        self._initiate()
        return self._fetch()

    def _fetch(self) -> str:
        self._await_reading()
        try:
            return _written(self._cycle.reading(self.now_s))
        except LookupError:
            raise ScpiError(-230) from None

    def _initiate(self) -> None:
        if self._cycle.continuous or self._cycle.armed:
            raise ScpiError(-213)
        if self._words["TRIG"] == "BUS":
            self._cycle.arm()
        else:
            self._cycle.initiate(self.now_s, self._gate)

    def _set_continuous(self, text: str) -> None:
        on = switch(text)
        if on == self._cycle.continuous:
            return
        self._cycle.forget()
        self._cycle.continuous = on
        if on:
            self._cycle.initiate(self.now_s, self._gate)

    def _abort(self) -> None:
        self._cycle.abort(self.now_s)
        if self._cycle.continuous:
            self._cycle.initiate(self.now_s, self._gate)

    def _await_reading(self) -> None:
        ready_s = self._cycle.ready_s(self.now_s)
        if ready_s is None:
            return
        while (left_s := ready_s - self.now_s) > 0:
            if self._clock.wait(self._closing, left_s):
                raise InstrumentClosed

    # Settings.

    def _settings(self) -> None:
        self._gate = self.spec.gate_s
        self._words = {"TRIG": "IMM", "COUP": "AC", "IMP": "1000000", "AUTO": "1", "FUNC": "FREQ"}
        self.counting.external = self.counting.reference is not None

    def _changed(self) -> None:
        """A changed setting makes the reading invalid; a running counter starts afresh."""
        self._cycle.forget()
        if self._cycle.continuous:
            self._cycle.initiate(self.now_s, self._gate)

    def _add_sense(self) -> None:
        add = self.tree.add
        gate = GATE_PATTERNS[self.spec.gate_command]
        add(gate, self._set_gate, 1)
        add(f"{gate}?", self._read_gate, 0, 1)
        source = "[SENSe#:]ROSCillator:SOURce"
        add(source, self._set_source, 1)
        add(f"{source}?", lambda: "EXT" if self.counting.counts_externally else "INT")
        add(f"{source}:AUTO", self._set_auto, 1)
        add(f"{source}:AUTO?", lambda: self._words["AUTO"])
        self._add_word("[SENSe#:]FUNCtion", "FUNC", _function, quoted=True)
        self._add_word("INPut#:COUPling", "COUP", lambda text: word(text, "AC", "DC"))
        self._add_word("INPut#:IMPedance", "IMP", _impedance)
        self._add_word("TRIGger:SOURce", "TRIG", lambda text: word(text, "IMMediate", "BUS"))

    def _add_word(
        self, pattern: str, key: str, read: Callable[[str], str], *, quoted: bool = False
    ) -> None:
        def setting(text: str) -> None:
            self._words[key] = read(text)
            self._changed()

        def query() -> str:
            return f'"{self._words[key]}"' if quoted else self._words[key]

        self.tree.add(pattern, setting, 1)
        self.tree.add(f"{pattern}?", query)

    def _set_gate(self, text: str) -> None:
        self._gate = number(text, self._gate_limits)
        self._changed()

    def _read_gate(self, text: str = "") -> str:
        named = self._gate_limits.named(text) if text else self._gate
        if named is None:
            raise ScpiError(-224, text)
        return f"{named:+.6E}"

    def _set_source(self, text: str) -> None:
        source = word(text, "INTernal", "EXTernal")
        if source == "EXT" and not self.counting.reference_present:
            raise ScpiError(-221, "no reference at the input")
        self.counting.external = source == "EXT"
        self._words["AUTO"] = "0"
        self._changed()

    def _set_auto(self, text: str) -> None:
        on = switch(text)
        self._words["AUTO"] = str(int(on))
        if on:
            self.counting.external = self.counting.reference is not None
        self._changed()


def _written(frequency: Decimal | None) -> str:
    if frequency is None:
        return NOT_A_NUMBER
    return INFINITE if frequency.is_infinite() else f"{frequency:+E}"


def _impedance(text: str) -> str:
    ohms = number(text, Limits(50.0, 1e6, 1e6, "OHM"))
    if ohms not in (50.0, 1e6):
        raise ScpiError(-224, text)
    return f"{ohms:.0f}"


def _function(text: str) -> str:
    if text[0] not in "'\"":
        raise ScpiError(-104, text)
    return word(text[1:-1] or "-", "FREQuency")
