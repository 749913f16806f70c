"""Counters elsewhere among those that are watched: which there are, and what can't be asked."""

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Final

from benchwatch.bench import Bench
from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.watched_counters import TypedSettings
from benchwatch.counter import Setup
from benchwatch.errors import UsageError
from benchwatch.plan import Plan
from benchwatch.quantity import printable
from benchwatch.relay.broker_address import ELSEWHERE_FORM, BrokerAddress
from benchwatch.relay.desk.desks import Desks, is_elsewhere
from benchwatch.relay.desk.known_counters import KnownCounter
from benchwatch.relay.desk.relayed_acquisition import gate_refused
from benchwatch.relay.station_name import DESK
from benchwatch.run.watch_visits import UnitsOnBench

_NAMED: Final = re.compile(r"([A-Za-z][\w-]*)=(.+)", re.DOTALL)
_BROKERS: Final = ("mqtt://", "mqtts://")
ANOTHER_NAME: Final = "give one of them another name, such as lab=MQTT::HOST::PORT::STATION."
_SIGNS_OF_OPTIONS: Final = frozenset(",=")
"""Signs that options and commands have between names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """A counter elsewhere: its name at this desk, and where it is."""

    name: str
    resource: str
    station: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Followed:
    """A station or a broker of which all counters are watched, also those that come later."""

    address: BrokerAddress
    station: str | None
    """None: all stations."""
    named: str
    """The name that was given to it; empty without one."""
    plan: Callable[[_Found], Plan]
    """Makes the plan of one of its counters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedElsewhere:
    """The counters elsewhere of a watch, as far as they were typed."""

    near: tuple[str, ...]
    """The words that are not counters elsewhere."""
    plans: list[Plan]
    is_here: bool
    """Whether a counter is read here, whose readings are kept here."""
    has_far: bool
    """Whether a counter elsewhere is watched."""
    desks: Desks
    followed: list[_Followed]

    def follow(self, join: Callable[[Plan], bool], say: Callable[[str], None]) -> None:
        """Let counters join that a station or a broker comes to know; before the start.

        Args:
            join: adds a counter to the watch; False: it has one of that name.
            say: takes a sentence for the person.
        """
        for one in self.followed:
            self.desks.follow(one.address, one.station, partial(_join, one, join), say)

    def spread(self, plans: list[Plan], described: Bench | None) -> list[Plan]:
        """Return the plans of a watch, in which each counter elsewhere has one of its own.

        Raises:
            ConnectionFailed: a broker can't be reached whose counters must be looked up.
            UsageError: a bench file asks something of a counter elsewhere, or one has the name of
                another counter.
        """
        made = plans if described is None else self._spread(plans, described)
        _check_names_differ(made)
        self.desks.counters = sum(plan.station is not None for plan in made)
        return made

    def _spread(self, plans: Sequence[Plan], bench: Bench) -> list[Plan]:
        """Return the plans of a bench file, a station's counters each with a plan of its own.

        Raises: as `_typed`.
        """
        spread: list[Plan] = []
        for plan in plans:
            if not is_elsewhere(plan.resource):
                spread.append(plan)
                continue
            check_described(plan, bench.where)
            spread += _plans(plan.name, plan.resource, self.desks, self.followed, _like(plan))
        return spread


def find_elsewhere(
    words: tuple[str, ...],
    described: Bench | None,
    typed: TypedSettings,
    identity: Path | None,
    *,
    simulated: bool,
    asked: Mapping[str, object],
    units: Sequence[tuple[str | None, str]],
) -> WatchedElsewhere:
    """Find the counters elsewhere of a watch.

    Args:
        words: what was typed as counters; with a bench file names of its counters.
        described: the bench file.
        typed: the typed settings.
        identity: folder of the certificate of this desk; None: only brokers on this computer.
        simulated: whether a simulated bench is watched.
        asked: options that are for counters here, with their values; None: not typed.
        units: typed names of counters and idents.

    Raises:
        ConnectionFailed: a broker can't be reached whose counters must be looked up.
        FileError: the certificate can't be used.
        UsageError: a resource can't be read, or an option is for counters that are read here.
    """
    far: tuple[str, ...] = ()
    near, is_here = words, True
    if described is not None:
        of_file = [one for one in described.counters if not words or one.name in words]
        is_here = not of_file or not all(is_elsewhere(plan.resource) for plan in of_file)
        of_stations = [plan for plan in of_file if is_elsewhere(plan.resource)]
        has_far = bool(of_stations)
        for plan in of_stations:
            check_described(plan, described.where)
            if any(name == plan.name or (name is None and not is_here) for name, _ in units):
                raise UsageError(_unit_refused(plan.name, "its station"))
    else:
        far = tuple(word for word in words if is_elsewhere(_parts(word)[1]))
        near = tuple(_no_broker(word) for word in words if word not in far)
        is_here, has_far = bool(near) or simulated or not far, bool(far)
    desks, followed = _desks(identity if has_far else None), list[_Followed]()
    plans = _typed(far, replace(typed, units=UnitsOnBench()), desks, followed)
    if not is_here:
        for option, value in asked.items():
            if value is not None:
                raise UsageError(
                    f"{option} is for counters that are read here, and these are read and kept "
                    "at their stations: leave it out."
                )
    for plan in plans:
        if any(name == plan.name or (name is None and not is_here) for name, _ in units):
            raise UsageError(_unit_refused(plan.name, plan.station or ""))
    return WatchedElsewhere(
        near=near, plans=plans, is_here=is_here, has_far=has_far, desks=desks, followed=followed
    )


def _no_broker(word: str) -> str:
    """Return a typed counter.

    Raises:
        UsageError: it is the address of a broker, whose counters are given in another form.
    """
    if _parts(word)[1].lower().startswith(_BROKERS):
        raise UsageError(
            f"'{printable(word, 100)}' is the address of a broker: the counters that it knows are "
            f"given as {ELSEWHERE_FORM}."
        )
    return word


def checked_groups(
    groups: Sequence[tuple[str, ...]], plans: Sequence[Plan]
) -> Sequence[tuple[str, ...]]:
    """Return the groups of counters on one signal, of which none may be elsewhere.

    Raises:
        UsageError: a group names one.
    """
    stations = {plan.name: plan.station for plan in plans}
    for name in (name for group in groups for name in group):
        if stations.get(name) is not None:
            raise UsageError(
                f"{name} is read at {stations[name]}, by another clock than this computer's: "
                "compare counters where they stand, and leave it out of the proof."
            )
    return groups


def _desks(identity: Path | None) -> Desks:
    """Return the desks of this process; raises as `find_elsewhere`."""
    if identity is None:
        return Desks()
    from benchwatch.relay.identity import Identity  # noqa: PLC0415 - most watches need none

    loaded = Identity.load(identity)
    if loaded.name != DESK:
        raise UsageError(
            f"{printable(str(identity))} is the identity of {loaded.name}, and a broker lets only "
            f"{DESK} see counters of stations: give the folder of that name."
        )
    for caution in loaded.cautions:
        narrate(caution)
    return Desks(loaded)


def _typed(
    words: tuple[str, ...], typed: TypedSettings, desks: Desks, followed: list[_Followed]
) -> list[Plan]:
    """Return the plans of the typed counters elsewhere; a station's or broker's are looked up.

    Those of which all counters are watched are added to `followed`.

    Raises:
        ConnectionFailed: a broker can't be reached whose counters must be looked up.
        UsageError: a resource can't be read, or a setting can't be asked of a counter elsewhere.
    """

    def plan(found: _Found) -> Plan:
        return replace(typed.plan(found.name, found.resource), station=found.station)

    plans = [plan_ for word in words for plan_ in _plans(*_parts(word), desks, followed, plan)]
    for one in plans:
        if typed.gate_s is not None:
            raise UsageError(gate_refused(one.name, one.station or ""))
        if typed.interval_s is not None:
            raise UsageError(
                f"the readings of {one.name} come as {one.station} takes them: leave --interval "
                "out."
            )
    return plans


def _like(plan: Plan) -> Callable[[_Found], Plan]:
    """Return what makes plans of counters like that of their station or broker."""

    def made(found: _Found) -> Plan:
        return replace(plan, name=found.name, resource=found.resource, station=found.station)

    return made


def _plans(
    named: str,
    resource: str,
    desks: Desks,
    followed: list[_Followed],
    plan: Callable[[_Found], Plan],
) -> list[Plan]:
    """Return the plans of the counters that a resource means; raises as `_typed`.

    Args:
        named: the typed name; empty without one.
        resource: names one counter, or a station or a broker, which is added to `followed`.
        desks: look up which counters there are.
        followed: the stations and brokers of which all counters are watched.
        plan: makes the plan of a counter.
    """
    address, station, counter = desks.parse(resource)
    if station is not None and counter is not None:
        name = named or _name(station, counter)
        return [plan(_Found(name=name, resource=resource.strip(), station=station))]
    whole = _Followed(address=address, station=station, named=named, plan=plan)
    followed.append(whole)
    return [_plan_of(whole, known) for known in desks.find(address, station)]


def _plan_of(whole: _Followed, known: KnownCounter) -> Plan:
    """Return the plan of a counter that a broker knows, with the limits that its station states."""
    name = _name(known.station, known.counter)
    if whole.named:
        of_station = name if whole.station is None else _name("", known.counter)[1:]
        name = f"{whole.named}/{of_station}"
    resource = _resource(whole.address, known)
    plan = whole.plan(_Found(name=name, resource=resource, station=known.station))
    tolerance = known.state.tolerance if plan.tolerance is None else plan.tolerance
    return replace(plan, tolerance=tolerance, settle=plan.settle or known.state.settle)


def _join(whole: _Followed, join: Callable[[Plan], bool], known: KnownCounter) -> None:
    """Let a counter join that a broker has come to know.

    Raises:
        UsageError: it can't, by its name or by what was typed.
    """
    plan = _plan_of(whole, known)
    if not join(plan):
        raise UsageError(f"it would be called '{plan.name}', as another is: {ANOTHER_NAME}")


def check_described(plan: Plan, where: str) -> None:
    """Check the plan of a bench file's counter elsewhere, without connecting to its broker.

    Args:
        plan: as the file `where` describes it.
        where: name of the file.

    Raises:
        UsageError: its resource can't be read, or something is asked that its station decides.
    """
    at = f"{where}: counters.{plan.name}"
    try:
        _, station, _ = Desks(has_identity=True).parse(plan.resource)
    except UsageError as error:
        raise UsageError(f"{at}.resource: {error}") from error
    station = station or "its station"
    if plan.setup != Setup():
        raise UsageError(f"{at}: {gate_refused(plan.name, station)}")
    if plan.unit is not None:
        raise UsageError(f"{at}: {_unit_refused(plan.name, station)}")


def _check_names_differ(plans: Sequence[Plan]) -> None:
    """Refuse a name, and a counter elsewhere, that are there twice.

    Raises:
        UsageError: one is.
    """
    for name, count in Counter(plan.name for plan in plans).items():
        if count > 1:
            raise UsageError(f"two counters are called '{printable(name)}': {ANOTHER_NAME}")
    far = Counter(plan.resource for plan in plans if plan.station is not None)
    for resource, count in far.items():
        if count > 1:
            raise UsageError(f"'{printable(resource, 200)}' is given twice: leave one out.")


def _unit_refused(name: str, station: str) -> str:
    return (
        f"the unit of {name} and its visit are kept at {station}: name it there, and leave it out "
        "here."
    )


def _parts(word: str) -> tuple[str, str]:
    """Return the typed name of a counter, empty without one, and its resource."""
    match = _NAMED.fullmatch(word)
    return (match[1], match[2]) if match else ("", word)


def _name(station: str, counter: str) -> str:
    """Return the name of a counter elsewhere, without signs that mean something in an option."""
    harmless = "".join("_" if sign in _SIGNS_OF_OPTIONS else sign for sign in printable(counter))
    return f"{station}/{harmless}"


def _resource(address: BrokerAddress, known: KnownCounter) -> str:
    host = f"[{address.host}]" if ":" in address.host else address.host
    return f"MQTT::{host}::{address.port}::{known.station}::{known.counter}"
