"""A finished check at another dial setting, with all its numbers, as it goes on record."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, cast, get_args

from benchwatch.errors import FileError
from benchwatch.estimate.dial_check import CheckNumbers, CheckVerdict


@dataclass(frozen=True, slots=True, kw_only=True)
class DialCheck:
    """One check; offsets are fractional, each u is standard (k = 1), U has a coverage of 95 %."""

    setting_hz: float
    nominal_hz: float
    utc_s: float
    """When its newest reading was taken, Unix seconds."""
    verdict: CheckVerdict
    foretold: float | None
    foretold_u: float | None
    read: float | None
    read_u: float | None
    readings: int
    difference: float | None
    u: float | None
    dof: float
    expanded: float | None
    limit: float | None
    began_utc_s: float | None = None
    """When its first reading was taken, Unix seconds: the same in all entries of one check; None
    where that was not written."""

    @classmethod
    def of(
        cls,
        numbers: CheckNumbers,
        setting_hz: float,
        nominal_hz: float,
        utc_s: float,
        began_utc_s: float | None = None,
    ) -> "DialCheck":
        """Return the record of the numbers of a check; for arguments see the fields."""
        foretold, there = numbers.foretold, numbers.there
        return cls(
            setting_hz=setting_hz,
            nominal_hz=nominal_hz,
            utc_s=utc_s,
            verdict=numbers.verdict,
            foretold=None if foretold is None else foretold.offset,
            foretold_u=None if foretold is None else foretold.u,
            read=None if there is None else there.mean,
            read_u=None if there is None else there.u,
            readings=0 if there is None else there.readings,
            difference=numbers.difference,
            u=numbers.u,
            dof=numbers.dof,
            expanded=numbers.expanded,
            limit=numbers.limit,
            began_utc_s=began_utc_s,
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the values for JSON; what is not known is None, and endless dof too."""
        return {
            "setting_hz": self.setting_hz,
            "nominal_hz": self.nominal_hz,
            "utc_s": self.utc_s,
            "verdict": self.verdict,
            "foretold": self.foretold,
            "foretold_u": self.foretold_u,
            "read": self.read,
            "read_u": self.read_u,
            "readings": self.readings,
            "difference": self.difference,
            "u": self.u,
            "dof": self.dof if math.isfinite(self.dof) else None,
            "expanded": self.expanded,
            "limit": self.limit,
            "began_utc_s": self.began_utc_s,
        }

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> "DialCheck":
        """Read back what `as_dict` wrote.

        Raises:
            FileError: it is no check.
        """
        verdict, setting, nominal = (
            values.get(key) for key in ("verdict", "setting_hz", "nominal_hz")
        )
        hertz = [_number(setting), _number(nominal)]
        if verdict not in get_args(CheckVerdict) or not all(one and one > 0 for one in hertz):
            raise FileError("an entry that should be a check at another dial setting is none.")
        readings = values.get("readings")
        return cls(
            setting_hz=hertz[0] or 0.0,
            nominal_hz=hertz[1] or 0.0,
            utc_s=_number(values.get("utc_s")) or 0.0,
            verdict=cast("CheckVerdict", verdict),
            foretold=_number(values.get("foretold")),
            foretold_u=_number(values.get("foretold_u")),
            read=_number(values.get("read")),
            read_u=_number(values.get("read_u")),
            readings=readings if isinstance(readings, int) else 0,
            difference=_number(values.get("difference")),
            u=_number(values.get("u")),
            dof=_number(values.get("dof")) or math.inf,
            expanded=_number(values.get("expanded")),
            limit=_number(values.get("limit")),
            began_utc_s=_number(values.get("began_utc_s")),
        )


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None
