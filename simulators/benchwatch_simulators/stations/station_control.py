"""The line language that controls simulated stations: links, counters, power, clocks and disks.

It is served on its own port, and has the form of a simulated bench's `control_language`. A line is
a verb, a value, and the name of a station or ``all`` (optional if there is only one station). The
answer is one line: ``ok``, a value, or ``error: `` and a sentence.

| line | effect | answer |
|---|---|---|
| ``link on|off [STATION]`` | cuts its connection to the broker, or lets it connect again | ``ok`` |
| ``counters on|off [STATION]`` | its counters give readings, or none | ``ok`` |
| ``power on|off [STATION]`` | it ends without closing anything, or starts | ``ok`` |
| ``clock AHEAD [STATION]`` | sets its clock ahead, such as by ``3h``, ``-2h`` or ``0`` | ``ok`` |
| ``disk full|free [STATION]`` | fills the disk of its journal, or frees it | ``ok`` |
| ``readings [STATION]`` | | how many readings it has taken since it was switched on |
| ``unsent [STATION]`` | | how many events are not in the central record; ``?``: not known |
| ``time`` | | seconds since the stations were started |
| ``names`` | | the names of the stations, separated by blanks |
| ``help`` | | these forms, separated by semicolons |
"""

from collections.abc import Iterable, Mapping
from typing import Final, Protocol

from benchwatch.errors import QuantityError, UsageError
from benchwatch.quantity import parse_duration, printable
from benchwatch_simulators.line_control import LineControl


class ControlledStation(Protocol):
    """The methods of a station that the language calls; each returns at once."""

    @property
    def readings(self) -> int:
        """How many readings it has taken since it was switched on."""

    @property
    def unsent(self) -> int | None:
        """How many events are not in the central record; None: not known."""

    def set_link(self, *, on: bool) -> None:
        """Cut its connection to the broker, or let it connect again."""

    def set_counters(self, *, on: bool) -> None:
        """Let its counters give readings, or none."""

    def set_power(self, *, on: bool) -> None:
        """Switch it off without closing anything, or switch it on."""

    def set_clock(self, ahead_s: float) -> None:
        """Set its clock ahead of the computer's by `ahead_s` seconds."""

    def set_disk(self, *, full: bool) -> None:
        """Fill the disk of its journal, or free it."""


ALL: Final = "all"
_FORMS: Final = {
    "link": "link on|off [STATION]",
    "counters": "counters on|off [STATION]",
    "power": "power on|off [STATION]",
    "clock": "clock AHEAD [STATION]",
    "disk": "disk full|free [STATION]",
    "readings": "readings [STATION]",
    "unsent": "unsent [STATION]",
    "time": "time",
    "names": "names",
    "help": "help",
}
_WITH_VALUE: Final = frozenset({"link", "counters", "power", "clock", "disk"})
_MOST_AHEAD_S: Final = 50 * 366 * 86_400.0


class ControlledStations(Protocol):
    """The stations that the language controls."""

    @property
    def stations(self) -> Mapping[str, ControlledStation]:
        """The stations by name."""

    @property
    def now_s(self) -> float:
        """Seconds since the stations were started."""


class StationControl(LineControl):
    """Executes lines of the language on stations."""

    def __init__(self, controlled: ControlledStations) -> None:
        super().__init__(_FORMS, _WITH_VALUE)
        self._controlled = controlled

    @property
    def _now_s(self) -> float:
        return self._controlled.now_s

    @property
    def _names(self) -> Iterable[str]:
        return self._controlled.stations

    def _named(self, verb: str, words: list[str]) -> list[ControlledStation]:
        stations = self._controlled.stations
        if len(words) == 1 and (words[0] in stations or words[0] == ALL):
            return list(stations.values()) if words[0] == ALL else [stations[words[0]]]
        if not words and len(stations) == 1:
            return list(stations.values())
        if len(words) == 1:
            raise UsageError(f"there is no station '{printable(words[0])}': see names")
        raise UsageError(f"expected: {_FORMS[verb]}, with the name of a station or {ALL}")

    def _act(self, verb: str, value: str, words: list[str]) -> str:
        stations = self._named(verb, words)
        if verb == "readings":
            return str(sum(station.readings for station in stations))
        if verb == "unsent":
            unsent = [station.unsent for station in stations]
            known = [number for number in unsent if number is not None]
            return str(sum(known)) if len(known) == len(unsent) else "?"
        if verb == "clock":
            ahead_s = _ahead_s(value)
            for station in stations:
                station.set_clock(ahead_s)
            return "ok"
        choices = ("free", "full") if verb == "disk" else ("off", "on")
        if value.lower() not in choices:
            raise UsageError(f"expected: {_FORMS[verb]}, not '{printable(value)}'")
        yes = value.lower() == choices[1]
        for station in stations:
            if verb == "link":
                station.set_link(on=yes)
            elif verb == "counters":
                station.set_counters(on=yes)
            elif verb == "power":
                station.set_power(on=yes)
            else:
                station.set_disk(full=yes)
        return "ok"


def _ahead_s(text: str) -> float:
    sign = -1.0 if text.startswith("-") else 1.0
    size = text.removeprefix("-").removeprefix("+")
    try:
        ahead_s = 0.0 if size == "0" else sign * parse_duration(size)
    except QuantityError as error:
        raise UsageError(f"'{printable(text)}' is no time such as 3h, -20min or 0") from error
    if abs(ahead_s) > _MOST_AHEAD_S:
        raise UsageError(f"'{printable(text)}' is more than 50 years")
    return ahead_s
