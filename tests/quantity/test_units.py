"""The tables of units: each unit can be typed, and is shown where declared."""

from decimal import Decimal

import pytest

from benchwatch.quantity import (
    OFFSET_UNITS,
    format_duration,
    format_frequency,
    offset_unit,
    parse_duration,
    parse_fraction,
    parse_frequency,
    write_fraction,
)
from benchwatch.quantity.units import (
    DURATION_UNITS,
    PREFIXES,
    TYPED_OFFSET_UNITS,
    DurationUnit,
    OffsetUnit,
    Prefix,
)


@pytest.mark.parametrize("unit", TYPED_OFFSET_UNITS, ids=lambda unit: unit.name)
def test_a_unit_of_offsets_is_read_in_every_way_it_is_typed(unit: OffsetUnit) -> None:
    """In each spelling, also in capitals; and a shown value is read back."""
    for name in (unit.name, unit.name.upper(), *unit.also):
        assert parse_fraction(f"2 {name}") == pytest.approx(2 * unit.size, rel=1e-15)

    if unit.shown:
        written = write_fraction(2 * unit.size, unit=unit)
        assert parse_fraction(written.bare) == pytest.approx(2 * unit.size, rel=1e-3)


@pytest.mark.parametrize("unit", OFFSET_UNITS, ids=lambda unit: unit.name)
def test_each_unit_of_offsets_is_chosen_for_some_size(unit: OffsetUnit) -> None:
    """By size, from the largest to the smallest."""
    far = [10.0**-power for power in range(1, 16)]

    assert unit in [offset_unit(fraction) for fraction in far]
    assert sorted(OFFSET_UNITS, key=lambda one: -one.size) == list(OFFSET_UNITS)


@pytest.mark.parametrize("unit", DURATION_UNITS, ids=lambda unit: unit.name)
def test_a_unit_of_time_is_read_in_every_way_it_is_typed(unit: DurationUnit) -> None:
    """In each spelling; a whole number of a shown unit is written in it."""
    for name in (unit.name, *unit.also):
        assert parse_duration(f"20 {name}") == pytest.approx(20 * float(unit.seconds), rel=1e-15)

    if unit.shown:
        assert format_duration(20 * float(unit.seconds)) == f"20 {unit.name}"


@pytest.mark.parametrize("prefix", PREFIXES, ids=lambda prefix: prefix.name or "none")
def test_a_prefix_is_read_in_every_way_it_is_typed(prefix: Prefix) -> None:
    """In each spelling; a carrier is written with the shown ones."""
    hertz = Decimal(20).scaleb(prefix.exponent)
    for name in (prefix.name, *prefix.also):
        assert parse_frequency(f"20 {name}Hz") == hertz

    if prefix.shown:
        assert format_frequency(hertz) == f"20 {prefix.name}Hz"
