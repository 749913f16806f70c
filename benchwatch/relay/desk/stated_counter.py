"""What a station states of itself and of its counters, read strictly from retained messages."""

import re
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final, get_args

from benchwatch.counter import (
    Identity,
    LinkState,
    TimeBase,
    TimeBaseSource,
    plausible_gate_s,
)
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.reading import AS_FOUND, AS_LEFT
from benchwatch.relay.desk.stated_records import HIGHEST_HZ, read_checks, read_record
from benchwatch.relay.payload import PayloadRefused
from benchwatch.relay.strict_json import number_of, read_plain, text_of, whole_number_of

LONGEST_WORD: Final = 80
_NOMINAL: Final = re.compile(r"\d{1,16}(?:\.\d{0,24})?", re.ASCII)
_YEAR_S: Final = 3.2e7


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedCounter:
    """The state of a counter as its station states it; texts are printable."""

    identity: Identity | None = None
    time_base: TimeBase = field(default_factory=TimeBase)
    gate_s: float | None = None
    nominal: Decimal | None = None
    """Hertz."""
    tolerance: float | None = None
    """Fractional."""
    settle: SettleLimit | None = None
    unit: str = ""
    """Ident of the unit on the counter; empty: not named."""
    link: LinkState = "reading"
    """The station's link to its counter."""
    link_detail: str = ""
    run: int | None = None
    interval_s: float | None = None
    """Usual time between two readings; None: unknown."""
    as_found: OffsetRecord | None = None
    as_found_automatic: bool = False
    """Whether `as_found` was recorded automatically."""
    as_left: OffsetRecord | None = None
    checks: tuple[DialCheck, ...] = ()
    """The finished checks at other dial settings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedStation:
    """Whether a station is connected to the broker."""

    here: bool
    utc_s: float | None = None
    """Since when, Unix seconds by its clock; None: unknown."""


def read_state(payload: bytes) -> StatedCounter | None:
    """Read the state of a counter; None for an empty one: its watch has ended in order.

    Raises:
        PayloadRefused: it can't be used.
    """
    if not payload:
        return None
    values = read_plain(payload)
    link = values.get("link")
    if not isinstance(link, dict):
        link = {}
    state = link.get("state", "reading")
    if state not in get_args(LinkState):
        raise PayloadRefused("'link' has no state that is known")
    base = values.get("time_base", "unknown")
    if base not in get_args(TimeBaseSource):
        raise PayloadRefused("'time_base' is neither internal nor external nor unknown")
    identity = text_of(values, "identity", LONGEST_WORD)
    return StatedCounter(
        identity=Identity(identity) if identity else None,
        time_base=TimeBase(base),
        gate_s=plausible_gate_s(number_of(values, "gate_s", 0.0, 1e9)),
        nominal=_nominal(values.get("nominal_hz")),
        tolerance=_above_zero(number_of(values, "tolerance", 0.0, 1.0)),
        settle=_settle(values.get("settle")),
        unit=text_of(values, "unit", LONGEST_WORD),
        link=state,
        link_detail=text_of(link, "detail", 300),
        run=whole_number_of(values, "run", 1),
        interval_s=_above_zero(number_of(values, "interval_s", 0.0, _YEAR_S)),
        as_found=read_record(values, "as_found", AS_FOUND),
        as_found_automatic=values.get("as_found_automatic") is True,
        as_left=read_record(values, "as_left", AS_LEFT),
        checks=read_checks(values, "checks"),
    )


def read_here(payload: bytes) -> StatedStation:
    """Read whether a station is there; an empty message: it is not.

    Raises:
        PayloadRefused: it can't be used.
    """
    if not payload:
        return StatedStation(here=False)
    values = read_plain(payload)
    here = values.get("here")
    if not isinstance(here, bool):
        raise PayloadRefused("'here' is neither true nor false")
    return StatedStation(here=here, utc_s=number_of(values, "at", 0.0, 1e12))


def _nominal(value: object) -> Decimal | None:
    """Read a nominal in hertz, written as text or as a number."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise PayloadRefused("'nominal_hz' is no frequency")
    text = value if isinstance(value, str) else f"{Decimal(repr(value)):f}"
    if not _NOMINAL.fullmatch(text) or not 0 < Decimal(text) <= Decimal(HIGHEST_HZ):
        raise PayloadRefused("'nominal_hz' is no frequency")
    return Decimal(text)


def _settle(value: object) -> SettleLimit | None:
    """Read a settle limit, as an object or as a pair of limit and horizon."""
    if value is None:
        return None
    if isinstance(value, list) and len(value) == 2:
        value = {"limit": value[0], "horizon_s": value[1]}
    if not isinstance(value, dict):
        raise PayloadRefused("'settle' is no settle limit")
    limit = number_of(value, "limit", 1e-18, 1.0, required=True)
    horizon_s = number_of(value, "horizon_s", 1e-3, _YEAR_S, required=True)
    assert limit is not None
    assert horizon_s is not None
    return SettleLimit(limit, horizon_s)


def _above_zero(value: float | None) -> float | None:
    return value or None
