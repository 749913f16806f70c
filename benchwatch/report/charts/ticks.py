"""Figures of axes: round numbers, decades, local times; and the range that an axis covers."""

import math
from collections.abc import Iterable
from datetime import date, datetime, time, timedelta, tzinfo
from typing import Final

from benchwatch.clock import local, zone_name
from benchwatch.quantity import OffsetUnit, format_duration, format_frequency
from benchwatch.quantity.superscripts import raised_powers
from benchwatch.report.charts.chart import ChartAxis, Tick

STEPS: Final = (1.0, 2.0, 5.0, 10.0)
"""A step of a linear axis is one of these times a power of ten."""
MARGIN: Final = 0.06
"""Part of the range of the values that is left free beyond either end."""
SMALLEST_SHARE: Final = 1e-9
"""Values closer together than this part of their size are taken as equal."""
SMALLEST: Final = 1e-6
"""The same in the unit of the axis."""
MINUTE_S, HOUR_S, DAY_S = 60, 3600, 86400
CLOCK_STEPS_S: Final = (
    1, 2, 5, 10, 15, 30, MINUTE_S, 2 * MINUTE_S, 5 * MINUTE_S, 10 * MINUTE_S, 15 * MINUTE_S,
    30 * MINUTE_S, HOUR_S, 2 * HOUR_S, 3 * HOUR_S, 6 * HOUR_S, 12 * HOUR_S,
)  # fmt: skip
DAY_STEPS: Final = (1, 2, 5, 10)
MONTH_STEPS: Final = (1, 2, 3, 6)
MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def covered(values: Iterable[float]) -> tuple[float, float] | None:
    """Return the range that an axis needs for the finite ones of `values`; None: there are none.

    It is a little wider than the values; equal ones get a range about them.
    """
    finite = [value for value in values if math.isfinite(value)]
    if not finite:
        return None
    low, high = min(finite), max(finite)
    size = max(abs(low), abs(high))
    if high - low <= max(SMALLEST_SHARE * size, SMALLEST):
        half = size * MARGIN if size > SMALLEST else 1.0
        return low - half, high + half
    margin = MARGIN * (high - low)
    return low - margin, high + margin


def linear_ticks(low: float, high: float, most: int, *, signed: bool = False) -> tuple[Tick, ...]:
    """Return round figures from `low` to `high`, at most `most` of them, equally far apart.

    Args:
        low: of the axis.
        high: above `low`.
        most: at least 2.
        signed: whether figures above zero get a plus sign.
    """
    step = _step(high - low, most)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    decimals = max(-math.floor(math.log10(step) + 1e-9), 0)
    return tuple(
        Tick(number * step, _figure(number * step, decimals, signed=signed))
        for number in range(first, last + 1)
        if low <= number * step <= high
    )


def offset_axis(
    values: Iterable[float], unit: OffsetUnit, nominal_hz: float | None, *, most: int = 7
) -> ChartAxis | None:
    """Return an axis of offsets; `values` are fractions, its coordinates are in `unit`.

    None: no value is finite.
    """
    ends = covered(value / unit.size for value in values)
    if ends is None:
        return None
    label = f"offset in {unit.name}"
    if nominal_hz is not None and 0 < nominal_hz < math.inf:
        size = f"1 {unit.name}" if " " not in unit.name else "1 part"
        label += f" ({size} of {format_frequency(nominal_hz)} is {nominal_hz * unit.size:.6g} Hz)"
    return ChartAxis(
        label=label, low=ends[0], high=ends[1], ticks=linear_ticks(*ends, most, signed=True)
    )


def decade_ticks(low: float, high: float, most: int) -> tuple[Tick, ...]:
    """Return powers of ten from `low` to `high`, both above zero, at most about `most` of them."""
    first, last = math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high) + 1e-9)
    stride = max(math.ceil((last - first + 1) / max(most, 1)), 1)
    return tuple(
        Tick(float(f"1e{power}"), power_of_ten(power))
        for power in range(first, last + 1)
        if power % stride == 0
    )


def power_of_ten(power: int) -> str:
    """Write a power of ten: ``10⁻⁹``; 0.01 to 1000 are written as figures."""
    if -2 <= power <= 3:
        return f"{10.0**power:g}"
    return raised_powers(f"10^{power}")


def log_axis(label: str, values: Iterable[float], *, most: int = 7) -> ChartAxis | None:
    """Return a logarithmic axis with decades for the values above zero; None: there are none.

    It covers at least one whole decade.
    """
    usable = [value for value in values if 0 < value < math.inf]
    if not usable:
        return None
    low, high = min(usable) / 1.25, max(usable) * 1.25
    if math.ceil(math.log10(low) - 1e-9) + 1 > math.floor(math.log10(high) + 1e-9):
        low = min(low, 10.0 ** math.floor(math.log10(min(usable))))
        high = max(high, 10.0 ** math.ceil(math.log10(max(usable))))
        if high <= low:
            low, high = low / 10.0, high * 10.0
    ticks, first = decade_ticks(low, high, most), math.floor(math.log10(low))
    every = (
        float(f"{digit}e{power}")
        for power in range(first, first + most + 1)
        for digit in range(2, 10)
    )
    minor = tuple(one for one in every if low <= one <= high) if high / low <= 10**most else ()
    return ChartAxis(label=label, low=low, high=high, ticks=ticks, log=True, minor=minor)


def written_day(day: date) -> str:
    """Write a day as ``29 Nov``; its year stands in the axis label."""
    return f"{day.day} {MONTHS[day.month - 1]}"


def clock_ticks(
    begin_s: float, end_s: float, most: int, tz: tzinfo | None, *, dated: bool = False
) -> tuple[Tick, ...]:
    """Return round local times from `begin_s` to `end_s` (Unix seconds), about `most` of them.

    `dated`: the first one of each day has its date on a second line. Spans of many days have ticks
    at midnights, at the first of a month or at the first of a year.
    """
    wanted_s = (end_s - begin_s) / max(most, 1)
    step_s = next((step for step in CLOCK_STEPS_S if step >= wanted_s), None)
    if step_s is None:
        return tuple(_date_ticks(begin_s, end_s, wanted_s / DAY_S, tz))
    form = "%H:%M:%S" if step_s < MINUTE_S else "%H:%M"
    ticks, named = [], None
    # Zones differ from UTC by whole quarters of an hour: longer steps are found from these.
    stride_s = math.gcd(step_s, HOUR_S // 4)
    for number in range(math.ceil(begin_s / stride_s), math.floor(end_s / stride_s) + 1):
        utc_s = float(number * stride_s)
        then = local(utc_s, tz)
        if (then.hour * HOUR_S + then.minute * MINUTE_S + then.second) % step_s:
            continue
        text = f"{then:{form}}"
        if dated and then.date() != named:
            text, named = f"{text}\n{written_day(then.date())}", then.date()
        ticks.append(Tick(utc_s, text))
    return tuple(ticks)


def clock_label(begin_s: float, end_s: float, tz: tzinfo | None) -> str:
    """Name an axis of local times: the zone, and the day, or the year of several days."""
    begin, end = local(begin_s, tz), local(end_s, tz)
    zones = dict.fromkeys((zone_name(begin), zone_name(end)))
    if begin.date() == end.date():
        days = begin.date().isoformat()
    elif begin.year == end.year:
        days = str(begin.year)
    else:
        days = f"{begin.year} to {end.year}"
    return f"local time ({'/'.join(zones)}), {days}"


def duration_ticks(begin_s: float, end_s: float, most: int) -> tuple[Tick, ...]:
    """Return round durations from `begin_s` to `end_s`, seconds, at most about `most` of them."""
    wanted_s = (end_s - begin_s) / max(most, 1)
    step_s: float | None = next((step for step in CLOCK_STEPS_S if step >= wanted_s), None)
    if step_s is None:
        step_s = DAY_S * max(_step(wanted_s / DAY_S, 2), 1.0)
    elif wanted_s < 1:
        step_s = _step(wanted_s, 2)
    numbers = range(math.ceil(begin_s / step_s - 1e-9), math.floor(end_s / step_s + 1e-9) + 1)
    return tuple(
        Tick(number * step_s, format_duration(number * step_s) if number else "0")
        for number in numbers
    )


def _date_ticks(begin_s: float, end_s: float, days: float, tz: tzinfo | None) -> list[Tick]:
    """Return ticks at dates, about `days` days from one to the next."""
    begin, end = local(begin_s, tz).date(), local(end_s, tz).date()
    texts: list[tuple[date, str]] = []
    day_step = next((step for step in DAY_STEPS if step >= days), None)
    month_step = next((step for step in MONTH_STEPS if step * 30.4 >= days), None)
    if day_step is not None:
        first = -begin.toordinal() % day_step
        for more in range(first, (end - begin).days + 1, day_step):
            day = begin + timedelta(days=more)
            texts.append((day, written_day(day)))
    elif month_step is not None:
        number = begin.year * 12 + begin.month - 1
        last = end.year * 12 + end.month - 1
        for month in range(number + -number % month_step, last + 1, month_step):
            day = date(month // 12, month % 12 + 1, 1)
            texts.append((day, f"{MONTHS[day.month - 1]} {day.year}"))
    else:
        step = max(round(_step(days / 365.25, 2)), 1)
        years = range(begin.year + -begin.year % step, end.year + 1, step)
        texts = [(date(max(year, 1), 1, 1), str(year)) for year in years]
    ticks = [Tick(_midnight(day, tz), text) for day, text in texts]
    return [tick for tick in ticks if begin_s <= tick.at <= end_s]


def _midnight(day: date, tz: tzinfo | None) -> float:
    """Return the Unix seconds at which a local day begins."""
    midnight = datetime.combine(day, time(), tz)
    return (midnight if tz is not None else midnight.astimezone()).timestamp()


def _step(length: float, most: int) -> float:
    """Return the smallest 1-2-5 step of which at most `most` - 1 fit into `length`."""
    wanted = length / max(most - 1, 1)
    decade = 10.0 ** math.floor(math.log10(wanted))
    return next(decade * step for step in STEPS if decade * step >= wanted * (1 - 1e-9))


def _figure(value: float, decimals: int, *, signed: bool) -> str:
    text = f"{value:+.{decimals}f}" if signed else f"{value:.{decimals}f}"
    return f"{0:.{decimals}f}" if float(text) == 0 else text
