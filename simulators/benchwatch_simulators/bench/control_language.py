"""The line language that controls a simulated bench: trimmers, tools, dials and plugs.

It is served on its own port. A line is a verb, a value, and the name of a counter (optional if the
bench has only one). The answer is one line: ``ok``, a value, or ``error: `` and a sentence.

| line | effect | answer |
|---|---|---|
| ``turn TURNS [COUNTER]`` | turns the trimmer of the counter's oscillator | ``ok`` |
| ``tool on|off [COUNTER]`` | rests a tool on that trimmer, or lifts it | ``ok`` |
| ``dial FREQUENCY [COUNTER]`` | dials the synthesizer to it, such as ``100MHz`` | ``ok`` |
| ``truth [COUNTER]`` | | that oscillator's true offset now without noise, a fraction |
| ``signal on|off [COUNTER]`` | plugs the signal in or pulls it | ``ok`` |
| ``reference on|off [COUNTER]`` | plugs the external reference in or pulls it | ``ok`` |
| ``hangup [COUNTER]`` | drops every connection to that counter | ``ok`` |
| ``heard [COUNTER]`` | | the newest messages the counter received, a JSON list |
| ``remote [COUNTER]`` | | ``yes`` or ``no``: whether the front panel is locked to the bus |
| ``time`` | | seconds since the bench was switched on |
| ``names`` | | the names of the counters, separated by blanks |
| ``help`` | | these forms, separated by semicolons |
"""

import json
import math
from collections.abc import Iterable
from decimal import Decimal
from typing import Protocol

from benchwatch.errors import UsageError
from benchwatch.quantity import parse_frequency, printable
from benchwatch_simulators.line_control import LineControl


class ControlledBench(Protocol):
    """The methods of a bench that the language calls; `counter` is the name of a counter."""

    @property
    def names(self) -> list[str]:
        """Names of the counters."""

    @property
    def now_s(self) -> float:
        """Seconds since the bench was switched on."""

    def turn(self, counter: str, amount: float) -> None:
        """Turn the trimmer of its oscillator by `amount` turns."""

    def rest_tool(self, counter: str, on: bool) -> None:
        """Rest a tool on that trimmer, or lift it."""

    def dial(self, counter: str, frequency_hz: Decimal) -> None:
        """Dial the synthesizer at its input to `frequency_hz`."""

    def truth(self, counter: str) -> float:
        """Return the true fractional offset of its oscillator now."""

    def plug_signal(self, counter: str, on: bool) -> None:
        """Plug the signal in or pull it."""

    def plug_reference(self, counter: str, on: bool) -> None:
        """Plug the reference in or pull it."""

    def hang_up(self, counter: str) -> None:
        """Drop every connection to a counter."""

    def received(self, counter: str) -> list[str]:
        """Return the newest messages that a counter received."""

    def is_remote(self, counter: str) -> bool:
        """Return whether a counter's front panel is locked to the bus."""


_FORMS = {
    "turn": "turn TURNS [COUNTER]",
    "tool": "tool on|off [COUNTER]",
    "dial": "dial FREQUENCY [COUNTER]",
    "truth": "truth [COUNTER]",
    "signal": "signal on|off [COUNTER]",
    "reference": "reference on|off [COUNTER]",
    "hangup": "hangup [COUNTER]",
    "heard": "heard [COUNTER]",
    "remote": "remote [COUNTER]",
    "time": "time",
    "names": "names",
    "help": "help",
}
_WITH_VALUE = {"turn", "tool", "dial", "signal", "reference"}
_MOST_TURNS = 100.0


class Control(LineControl):
    """Executes lines of the language on a bench."""

    def __init__(self, bench: ControlledBench) -> None:
        super().__init__(_FORMS, _WITH_VALUE)
        self._bench = bench

    @property
    def _now_s(self) -> float:
        return self._bench.now_s

    @property
    def _names(self) -> Iterable[str]:
        return self._bench.names

    def _joined(self, verb: str, words: list[str]) -> list[str]:
        if verb == "dial" and len(words) > 1 and words[1].lower().endswith("hz"):
            return [words[0] + words[1], *words[2:]]  # 100 MHz, with a blank
        return words

    def _counter(self, verb: str, words: list[str]) -> str:
        if len(words) == 1:
            return words[0]
        if not words and len(self._bench.names) == 1:
            return self._bench.names[0]
        raise UsageError(
            f"expected: {_FORMS[verb]}; the counters are {', '.join(self._bench.names)}"
        )

    def _act(self, verb: str, value: str, words: list[str]) -> str:
        bench, counter = self._bench, self._counter(verb, words)
        answer = "ok"
        if verb == "turn":
            bench.turn(counter, _turns(value))
        elif verb == "tool":
            bench.rest_tool(counter, _on(value))
        elif verb == "dial":
            bench.dial(counter, parse_frequency(value))
        elif verb == "signal":
            bench.plug_signal(counter, _on(value))
        elif verb == "reference":
            bench.plug_reference(counter, _on(value))
        elif verb == "hangup":
            bench.hang_up(counter)
        elif verb == "truth":
            answer = f"{bench.truth(counter):+.12e}"
        elif verb == "remote":
            answer = "yes" if bench.is_remote(counter) else "no"
        else:
            answer = json.dumps(bench.received(counter))
        return answer


def _on(text: str) -> bool:
    if text.lower() not in ("on", "off"):
        raise UsageError(f"expected on or off, not '{printable(text)}'")
    return text.lower() == "on"


def _turns(text: str) -> float:
    try:
        turns = float(text)
    except ValueError:
        turns = math.nan
    if not abs(turns) <= _MOST_TURNS:
        raise UsageError(f"'{printable(text)}' is no number of turns, such as 0.1 or -0.01")
    return turns
