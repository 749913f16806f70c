"""What each counter of a station is, for desks: retained by the broker, written on change."""

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final, Protocol

from benchwatch.counter import NEXT_TRY
from benchwatch.plan import Plan
from benchwatch.quantity import printable
from benchwatch.relay.payload import MOST_PLAIN_BYTES, VERSION, PayloadRefused, write_plain
from benchwatch.relay.station.publish import Publish
from benchwatch.relay.topics import state_topic
from benchwatch.snapshot import Records, RelayNow, Snapshot

if TYPE_CHECKING:
    from benchwatch.estimate.dial_check_record import DialCheck

NOTHING_ON_RECORD: Final[Mapping[str, Any]] = {
    "as_found": None, "as_found_automatic": False, "as_left": None, "checks": [],
}  # fmt: skip
OTHER_SPACING: Final = 1.25
"""The spacing of readings is written anew when it has changed by more than this factor."""


class RelayedCounter(Protocol):
    """One counter of the watch whose events are sent."""

    @property
    def snapshot(self) -> Snapshot:
        """The newest snapshot."""

    @property
    def plan(self) -> Plan:
        """What is asked of the counter now."""

    def show_relay(self, now: RelayNow, text: str) -> None:
        """Show how sending stands; a `text` becomes a note."""


class CounterStates:
    """Writes the states of counters to the broker, each when it has changed.

    Args:
        station: name of the station.
        counters: the counters by name.
        publish: hands a message to the connection.
    """

    def __init__(
        self, station: str, counters: Mapping[str, RelayedCounter], publish: Publish
    ) -> None:
        self._topics = {name: state_topic(station, name) for name in counters}
        self._counters = counters
        self._publish = publish
        self._written: dict[str, dict[str, Any]] = {}
        self._seen: dict[str, tuple[object, ...]] = {}
        """By counter: what its state was last worked out of."""

    def write_all_again(self) -> None:
        """Let `write_changes` write all states: the broker may not have them any more."""
        self._written, self._seen = {}, {}

    def write_changes(self) -> None:
        """Write the states that have changed; one that can't be sent now is tried again."""
        for name, counter in self._counters.items():
            now, plan = counter.snapshot, counter.plan
            before = self._written.get(name)
            spacing_s = _spacing_s(now, None if before is None else before["interval_s"])
            seen = (
                now.link, now.identity, now.time_base, now.gate_s, now.nominal_hz, now.run,
                now.visit, now.records, _checks(now), plan, spacing_s,
            )  # fmt: skip
            if seen == self._seen.get(name):
                continue  # as nearly always: a whole state takes much longer
            state = _state(now, plan, spacing_s)
            if state == before or self._write(name, state):
                self._written[name], self._seen[name] = state, seen

    def withdraw(self) -> None:
        """Remove all states from the broker: the watch has ended in order."""
        for topic in self._topics.values():
            self._publish(topic, b"", qos=1, retain=True)

    def _write(self, name: str, state: Mapping[str, Any]) -> bool:
        try:
            payload = write_plain(state)
            if len(payload) > MOST_PLAIN_BYTES:  # a desk would take nothing of it
                payload = write_plain({**state, **NOTHING_ON_RECORD})
        except PayloadRefused:
            return True  # text that can't be written; no other try would write it
        return self._publish(self._topics[name], payload, qos=1, retain=True)


def _spacing_s(now: Snapshot, written_s: float | None) -> float | None:
    """Return the usual spacing of readings; the one that was written while it is about the same."""
    spacing_s = now.spacing_s
    if spacing_s is None or not written_s:
        return spacing_s
    return written_s if 1 / OTHER_SPACING <= spacing_s / written_s <= OTHER_SPACING else spacing_s


def _state(now: Snapshot, plan: Plan, spacing_s: float | None) -> dict[str, Any]:
    settle = plan.settle
    visit = now.visit
    return {
        "v": VERSION,
        "counter": now.counter,
        "identity": "" if now.identity is None else printable(now.identity.text, 300),
        "time_base": now.time_base.source,
        "gate_s": now.gate_s,
        "nominal_hz": _nominal(now, plan),
        "tolerance": plan.tolerance,
        "settle": None
        if settle is None
        else {"limit": settle.limit, "horizon_s": settle.horizon_s},
        "unit": plan.unit if visit is None else visit.unit,
        "link": {
            "state": now.link.state,
            "detail": printable(now.link.detail.partition(NEXT_TRY)[0].strip(), 300),
        },
        "run": now.run,
        "interval_s": spacing_s,
        "simulated": plan.simulated is not None,
        **_on_record(now),
    }


def _on_record(now: Snapshot) -> dict[str, Any]:
    """Return what is on record of the unit: as found, as left, and checks at other settings."""
    records = now.records or Records()
    return {
        "as_found": None if records.as_found is None else records.as_found.as_dict(),
        "as_found_automatic": records.as_found_automatic,
        "as_left": None if records.as_left is None else records.as_left.as_dict(),
        "checks": [check.as_dict() for check in _checks(now)],
    }


def _checks(now: Snapshot) -> "tuple[DialCheck, ...]":
    """Return the finished checks at other dial settings."""
    rows = () if now.checks is None else now.checks.rows
    return tuple(row.check for row in rows if row.check is not None and not row.is_open)


def _nominal(now: Snapshot, plan: Plan) -> str | None:
    """Return the nominal in hertz as text, exact where the plan states it."""
    hertz = now.nominal_hz
    if not math.isfinite(hertz):
        return None
    if plan.nominal is not None and float(plan.nominal) == hertz:
        return f"{plan.nominal:f}"
    return f"{hertz:.6f}".rstrip("0").rstrip(".")
