"""A frequency counter that speaks SCPI-1999.

The measurement instructions follow SCPI-1999 volume 2 chapter 3 (from memory): ``READ?`` is
ABORt, INITiate, FETCh?; ``MEASure?`` is CONFigure, READ?; a changed setting makes ``FETCh?``
invalid.
"""

from decimal import Decimal

from benchwatch_simulators.bench_time import BenchTime
from benchwatch_simulators.counters.counter_settings import CounterSettings, ScpiCounterSpec
from benchwatch_simulators.counters.edge_counter import Counting
from benchwatch_simulators.counters.gate_cycle import GateCycle
from benchwatch_simulators.scpi.scpi_errors import ScpiError
from benchwatch_simulators.scpi.scpi_instrument import MEASURING, NOT_A_NUMBER, ScpiInstrument
from benchwatch_simulators.scpi.scpi_parameters import ParameterLimits, read_number, read_switch

INFINITE = "+9.9E+37"

DOUBTFUL = 32
"""Bit 5, FREQuency, of the questionable status (SCPI-99 9.4)."""


class SimulatedScpiCounter(ScpiInstrument):
    """Executes SCPI commands.

    Args:
        spec: identity, gate and state at power-on.
        counting: counting circuit.
        time: time of the bench.
    """

    def __init__(self, spec: ScpiCounterSpec, counting: Counting, time: BenchTime) -> None:
        super().__init__(spec.identity)
        self.counting = counting
        self._time = time
        self._cycle = GateCycle(counting.count, spec.dead_s)
        self.settings = CounterSettings(self.tree, spec, counting, self._changed)
        self._add_measuring()
        self._runs_from_power_on = spec.continuous
        self._start()

    @property
    def now_s(self) -> float:
        """Seconds since power-on."""
        return self._time.now_s

    def power_cycle(self) -> None:
        """Restore the state of power-on; a counter that runs freely starts again."""
        super().power_cycle()
        self._start()

    def _start(self) -> None:
        if self._runs_from_power_on:
            self._set_continuous("ON")

    # Overrides of `ScpiInstrument`.

    def reset(self) -> None:
        """Stop, and restore the settings of ``*RST``: not running freely."""
        self._cycle.forget()
        self._cycle.continuous = False
        self.settings.reset()

    def trigger(self) -> None:
        """Open the gate that waits for ``*TRG``.

        Raises:
            ScpiError: -211: no gate waits.
        """
        if not self._cycle.armed:
            raise ScpiError(-211)
        self._cycle.initiate(self.now_s, self.settings.gate_s)

    @property
    def is_busy(self) -> bool:
        """Whether a single gate is open, or a trigger is awaited."""
        return self._cycle.is_busy(self.now_s)

    def finish(self) -> None:
        """Wait for a single gate to close.

        Raises:
            ScpiError: -214: a trigger is awaited; a real instrument might wait for ever.
        """
        if self._cycle.armed:
            raise ScpiError(-214)
        if self.is_busy:
            self._await_reading()

    def condition(self, register: str) -> int:
        """Return bit 4 (MEASuring) of ``operation``, or bit 5 (FREQuency) of ``questionable``."""
        if register == "questionable":
            return 0 if self.counting.is_sound else DOUBTFUL
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
        """Set up the counter; arguments: expected hertz, resolution in hertz, channel list."""
        numbers = [text for text in arguments if not text.startswith("(")]
        for text in arguments:
            if text.startswith("(") and text.replace(" ", "") != "(@1)":
                raise ScpiError(-224, text)
        gate_s = self.settings.limits.default
        expected = float(self.counting.signal.spec.nominal_hz)
        if numbers:
            highest = float(self.counting.spec.maximum_hz)
            expected = read_number(
                numbers[0], ParameterLimits(least=0.001, most=highest, default=expected, unit="HZ")
            )
        if len(numbers) > 1:
            gate_s = self._gate_for(expected, numbers[1])
        self._cycle.forget()
        self._cycle.continuous = False
        self.settings.configure(gate_s)

    def _gate_for(self, expected_hz: float, resolution: str) -> float:
        """Return the gate in seconds with that `resolution` (hertz, as text) at `expected_hz`."""
        gates = self.settings.limits
        at_one_second_hz = self.counting.spec.t_res_s * expected_hz
        finest, coarsest, usual = (
            at_one_second_hz / max(gate_s, 1e-9)
            for gate_s in (gates.most, gates.least, gates.default)
        )
        return at_one_second_hz / read_number(
            resolution, ParameterLimits(least=finest, most=coarsest, default=usual, unit="HZ")
        )

    def _configuration(self) -> str:
        nominal = self.counting.signal.spec.nominal_hz
        resolution_hz = float(nominal) * self.counting.tick(self.settings.gate_s)
        return f'"FREQ {nominal:+E},{resolution_hz:+.3E}"'

    def _read(self) -> str:
        if self.settings.on_bus_trigger:
            raise ScpiError(-214)
        self._cycle.abort(self.now_s)
        self._initiate()
        return self._fetch()

    def _fetch(self) -> str:
        self._await_reading()
        try:
            frequency = self._cycle.reading(self.now_s)
        except LookupError:
            raise ScpiError(-230) from None
        if not self.counting.is_sound:
            self.note("questionable", DOUBTFUL)
        return _written(frequency)

    def _initiate(self) -> None:
        if self._cycle.continuous or self._cycle.armed:
            raise ScpiError(-213)
        if self.settings.on_bus_trigger:
            self._cycle.arm()
        else:
            self._cycle.initiate(self.now_s, self.settings.gate_s)
        self.note("operation", MEASURING)

    def _set_continuous(self, text: str) -> None:
        on = read_switch(text)
        if on and self.settings.on_bus_trigger:
            raise ScpiError(-221, "trigger source is BUS")
        if on != self._cycle.continuous:
            self._cycle.continuous = on
            self._changed()

    def _abort(self) -> None:
        self._cycle.abort(self.now_s)
        if self._cycle.continuous:
            self._cycle.initiate(self.now_s, self.settings.gate_s)

    def _changed(self) -> None:
        """Make the reading invalid after a change of a setting; a running counter restarts."""
        self._cycle.forget()
        if self._cycle.continuous:
            self._cycle.initiate(self.now_s, self.settings.gate_s)

    def _await_reading(self) -> None:
        ready_s = self._cycle.ready_s(self.now_s)
        if ready_s is not None:
            self._time.wait_until(ready_s)


def _written(frequency: Decimal | None) -> str:
    """Write a frequency in hertz as the answer to a query."""
    if frequency is None:
        return NOT_A_NUMBER
    return INFINITE if frequency.is_infinite() else f"{frequency:+E}"
