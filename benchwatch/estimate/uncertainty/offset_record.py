"""The record of a frequency offset, as found or as left, with its uncertainty budget.

The budget holds, in fractions of the nominal: the noise over the averaging, the counter's last
digit, the drift meanwhile, and the reference (the counter's time base, or the standard it is
locked to) with its ageing since calibration. The sources of the rows are words without amounts in
fractions: a front end writes all amounts in one unit.
"""

import math
from dataclasses import dataclass
from typing import Any, Final, cast, get_args

from benchwatch.errors import FileError, UsageError
from benchwatch.estimate.uncertainty.uncertainty_budget import (
    Budget,
    BudgetRow,
    Distribution,
    Expanded,
    resolution_uncertainty,
    standard_uncertainty,
)
from benchwatch.reading import RECORD_KINDS, RecordKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Standard uncertainty of a mean by noise: σy at the averaging time, never s/√n (GUM 4.2.7)."""

    u: float
    dof: float
    averaging_s: float
    deviation: str = "σy"
    """Name of the deviation that `u` is, in words."""
    only_white: bool = False
    """True when the readings are too few to tell whether neighbours are correlated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """The frequency a counter counts by; None stands for not stated, 0 for known to be zero."""

    name: str = "time base"
    u: float | None = None
    """Standard uncertainty on the day of its calibration (half of a certificate's U at k = 2)."""
    offset: float = 0.0
    """Known offset of the reference itself; readings are corrected for it."""
    dof: float = math.inf
    age_s: float | None = None
    """Time since its calibration."""
    ageing_per_s: float | None = None
    """Largest ageing rate, either way; taken as a linear bound."""
    source: str = "as stated"
    missing: tuple[str, ...] = ()
    """What else belongs into its uncertainty and is unknown."""

    @property
    def aged_by(self) -> float | None:
        """Largest change either way since its calibration, fractional; None when not known."""
        if self.ageing_per_s == 0:
            return 0.0
        if self.ageing_per_s is None or self.age_s is None:
            return None
        return abs(self.ageing_per_s) * abs(self.age_s)

    @property
    def u_now(self) -> float | None:
        """Standard uncertainty with the known ageing included; None when `u` was not stated."""
        if self.u is None:
            return None
        return math.hypot(self.u, standard_uncertainty(self.aged_by or 0.0, "rectangular"))


def offset_budget(
    offset: float,
    *,
    noise: Noise | None,
    resolution: float | None,
    drift_per_s: float | None,
    span_s: float,
    reference: Reference,
) -> Budget:
    """Build the budget of a mean `offset` read by a counter over `span_s`.

    A counter whose time base is fast by y reads low: read = true/(1 + y), so the reference's
    known offset is put back exactly, (1 + read)·(1 + y) - 1.

    Args:
        offset: mean of the readings, fractional.
        noise: of the mean; None when there are too few readings.
        resolution: last digit of one reading, as a fraction of the nominal; None or 0 when unknown.
            It does not average away: equal readings all carry the same rounding error.
        drift_per_s: rate of the oscillator during the averaging, fractional; None if unknown.
        span_s: from the first to the last reading.
        reference: the frequency that the counter counts by.

    Raises:
        UsageError: a negative uncertainty, or one that is no number.
    """
    lines: list[BudgetRow] = []
    missing: list[str] = []
    if noise is None:
        lines.append(
            BudgetRow(
                name="mean of the readings",
                source="as read",
                u=0.0,
                distribution="type A",
                estimate=offset,
            )
        )
        missing.append("noise: too few readings to tell")
    else:
        source = f"{noise.deviation}, averaged over {noise.averaging_s:.4g} s"
        lines.append(
            BudgetRow(
                name="noise",
                source=source,
                u=noise.u,
                distribution="type A",
                dof=noise.dof,
                estimate=offset,
            )
        )
        if noise.only_white:
            missing.append("noise that goes on from reading to reading: too few readings to tell")
    if resolution:
        source = "last digit of a reading, over √12"
        u = resolution_uncertainty(resolution)
        lines.append(BudgetRow(name="resolution", source=source, u=u, distribution="rectangular"))
    else:
        missing.append("resolution of the counter")
    if drift_per_s is None:
        missing.append("drift during the averaging")
    else:
        moved = standard_uncertainty(drift_per_s * span_s / 2.0, "rectangular")
        way = "upwards" if drift_per_s > 0 else "downwards"
        source = f"half of what it moved {way} in {span_s:.4g} s either way, over √3"
        lines.append(BudgetRow(name="drift", source=source, u=moved, distribution="rectangular"))
    _reference_lines(offset, reference, lines, missing)
    return Budget(tuple(lines), tuple(missing))


def _reference_lines(
    offset: float, reference: Reference, lines: list[BudgetRow], missing: list[str]
) -> None:
    name, sensitivity = reference.name, 1.0 + offset
    missing += reference.missing
    if reference.u is None:
        missing.append(f"uncertainty of the {name}")
    if reference.u is not None or reference.offset:
        lines.append(
            BudgetRow(
                name=name,
                source=reference.source,
                u=reference.u or 0.0,
                distribution="normal",
                dof=reference.dof,
                sensitivity=sensitivity,
                estimate=reference.offset,
            )
        )
    if reference.ageing_per_s == 0:
        return
    bound = reference.aged_by
    if bound is None or reference.age_s is None:
        missing.append(f"ageing of the {name} since its calibration")
        return
    days = reference.age_s / 86400.0
    source = f"largest rate over the {days:.4g} d since its calibration, over √3"
    u = standard_uncertainty(bound, "rectangular")
    lines.append(
        BudgetRow(
            name=f"{name} ageing",
            source=source,
            u=u,
            distribution="rectangular",
            sensitivity=sensitivity,
        )
    )


CAUTION: Final = "caution"
"""Name of the condition that says why a record may be wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetRecord:
    """An offset at one time with its budget, as stored with a visit."""

    kind: RecordKind
    counter: str
    nominal_hz: float | None
    """None when only fractions were recorded."""
    utc_s: float | None
    """Middle of the averaging, Unix seconds; None when the run has no dates."""
    span_s: float
    readings: int
    budget: Budget
    """In fractions of the nominal; its estimate is the offset."""
    conditions: tuple[tuple[str, str], ...] = ()
    """Circumstances of the measurement, as pairs such as ``("gate", "1 s")``."""

    @property
    def offset(self) -> float:
        """Fractional offset, corrected for the known offset of the reference."""
        return self.budget.estimate

    @property
    def offset_hz(self) -> float | None:
        """The offset in hertz at the nominal; None without one."""
        return None if self.nominal_hz is None else self.offset * self.nominal_hz

    @property
    def caution(self) -> str:
        """Reason why the record may be wrong; empty without one."""
        return dict(self.conditions).get(CAUTION, "")

    @property
    def u(self) -> float:
        """Combined standard uncertainty, fractional; a lower limit while something is missing."""
        return self.budget.u

    @property
    def known_u(self) -> float | None:
        """Combined standard uncertainty, fractional; None where nothing of it is known."""
        return self.u or None

    def expanded(self, coverage: float) -> Expanded | None:
        """Expand u to `coverage`, 0 to 1; None where u or its degrees of freedom are not known."""
        return None if self.known_u is None else self.budget.expanded(coverage)

    def half_width(self, coverage: float) -> float | None:
        """Return U of `coverage`, fractional; None where `expanded` gives none."""
        expanded = self.expanded(coverage)
        return None if expanded is None else expanded.half_width

    def as_dict(self) -> dict[str, Any]:
        """Return the record as plain values for JSON; infinite degrees of freedom become None."""
        return {
            "kind": self.kind, "counter": self.counter, "nominal_hz": self.nominal_hz,
            "utc_s": self.utc_s, "span_s": self.span_s, "readings": self.readings,
            "conditions": [list(pair) for pair in self.conditions],
            "budget": {"lines": [line_dict(line) for line in self.budget.lines],
                       "missing": list(self.budget.missing)},
        }  # fmt: skip

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> "OffsetRecord":
        """Read back what `as_dict` wrote.

        Raises:
            FileError: a value is absent or of a wrong type.
        """
        try:
            budget = values["budget"]
            lines = tuple(_line(entry) for entry in budget["lines"])
            return cls(
                kind=_kind(values["kind"]), counter=str(values["counter"]),
                nominal_hz=_optional(values["nominal_hz"]), utc_s=_optional(values["utc_s"]),
                span_s=float(values["span_s"]), readings=int(values["readings"]),
                budget=Budget(lines, tuple(str(name) for name in budget["missing"])),
                conditions=tuple((str(name), str(value)) for name, value in values["conditions"]),
            )  # fmt: skip
        except (KeyError, TypeError, ValueError, UsageError) as error:
            raise FileError(
                f"this is no record of an offset: {error}. It must hold what a record was "
                "written with; make the record anew."
            ) from error


def line_dict(line: BudgetRow) -> dict[str, Any]:
    """Return one row of a budget as plain values for JSON; infinite `dof` becomes None."""
    return {
        "name": line.name, "estimate": line.estimate, "u": line.u,
        "distribution": line.distribution,
        "dof": line.dof if math.isfinite(line.dof) else None,
        "sensitivity": line.sensitivity, "contribution": line.contribution,
        "source": line.source,
    }  # fmt: skip


def _optional(value: Any) -> float | None:
    return None if value is None else float(value)


def _kind(word: object) -> RecordKind:
    for kind in RECORD_KINDS:
        if word == kind:
            return kind
    raise ValueError(f"'{word}' is neither {' nor '.join(RECORD_KINDS)}")


def _line(values: dict[str, Any]) -> BudgetRow:
    if values["distribution"] not in get_args(Distribution):
        raise ValueError(f"'{values['distribution']}' is no distribution")
    return BudgetRow(
        name=str(values["name"]), source=str(values["source"]), u=float(values["u"]),
        distribution=cast("Distribution", str(values["distribution"])),
        dof=math.inf if values["dof"] is None else float(values["dof"]),
        sensitivity=float(values["sensitivity"]), estimate=float(values["estimate"]),
    )  # fmt: skip
