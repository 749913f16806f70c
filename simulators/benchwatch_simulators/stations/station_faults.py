"""Faults of simulated stations, written as those of simulated counters are.

A fault is written ``KIND@TIME`` or ``KIND@TIME+DURATION``, with ``STATION=`` in front where only
one station is meant, such as ``tide-007=link@30s+20s``. Times count from the start of the stations.
"""

from typing import Final

from benchwatch_simulators.faults import Fault, parse_fault_of

STATION_FAULTS: Final = {
    "link": "the connection to the broker is cut, and can't be made again",
    "silent": "the counters give no readings",
    "off": "power fails: nothing is closed, and the station starts anew after that time",
    "clock": "the computer's clock is three hours ahead",
    "full": "the disk of the journal is full",
}
"""Each kind, and what happens."""
STATION_FAULT_FORM: Final = "tide-007=link@30s+20s, off@1min or tide-003=clock@10s"
CLOCK_JUMP_S: Final = 3 * 3600.0

_USUAL_S: Final = {"link": 10.0, "silent": 10.0, "off": 3.0, "clock": 20.0, "full": 10.0}
"""Durations where none is stated."""


def parse_station_fault(text: str) -> Fault:
    """Read a fault such as ``tide-007=link@30s+20s``; its `counter` is the station.

    Raises:
        UsageError: the kind is unknown or a time can't be read; the message shows the forms.
    """
    return parse_fault_of(text, STATION_FAULTS, STATION_FAULT_FORM)


def lasts_s(fault: Fault) -> float:
    """Return how long a fault lasts, seconds."""
    return _USUAL_S[fault.kind] if fault.lasts_s is None else fault.lasts_s
