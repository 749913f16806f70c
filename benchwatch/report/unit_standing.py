"""How a unit stands: its history, whether it is inside its tolerance, and when it is due."""

from collections.abc import Sequence
from dataclasses import dataclass

from benchwatch.estimate.ageing.ageing_forecast import AgeingForecast
from benchwatch.estimate.ageing.interval_ageing import IntervalAgeing, interval_ageing
from benchwatch.estimate.ageing.mean_rate import MeanRate, mean_rate
from benchwatch.estimate.ageing.unit_due import UnitDue, unit_due
from benchwatch.estimate.ageing.visit_history import YEAR_DAYS, DatedOffset, VisitHistory
from benchwatch.estimate.uncertainty.limit_side import LimitSide
from benchwatch.register.registered_unit import Unit
from benchwatch.register.unit_history import history_of, in_order_of_visiting
from benchwatch.register.visit import Visit


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitStanding:
    """A unit and what its visits say about it."""

    unit: Unit
    visits: tuple[Visit, ...]
    """In the order in which they took place."""
    history: VisitHistory
    due: UnitDue
    rate: MeanRate | None
    """Mean ageing between visits; None where it is not known."""
    ageing: IntervalAgeing | None
    """Forecasts of its offset; None without two visits."""

    @property
    def newest(self) -> DatedOffset | None:
        """Its newest record; None without one."""
        return self.history.newest

    @property
    def side(self) -> LimitSide | None:
        """The side of the tolerance of the newest record; None where either is not known."""
        tolerance, newest = self.unit.tolerance, self.newest
        if tolerance is None or newest is None or not tolerance > 0:
            return None
        return newest.side_of(tolerance)

    @property
    def inside(self) -> bool | None:
        """Whether the newest record is inside the tolerance; None where it can't be told."""
        return None if self.side in {None, "undecided"} else self.side == "inside"

    def in_a_year(self) -> AgeingForecast | None:
        """Return what is expected a year after the newest record; None without two visits."""
        return None if self.ageing is None else self.ageing.forecast(YEAR_DAYS)


def unit_standing(unit: Unit, visits: Sequence[Visit]) -> UnitStanding:
    """Return how `unit` stands after `visits`, all of them its own."""
    nominal_hz = None if unit.nominal_hz is None else float(unit.nominal_hz)
    history = history_of(visits, nominal_hz)
    ageing = interval_ageing(history)
    return UnitStanding(
        unit=unit,
        visits=tuple(in_order_of_visiting(visits)),
        history=history,
        due=unit_due(history, ageing, unit.tolerance),
        rate=mean_rate(history),
        ageing=ageing,
    )
