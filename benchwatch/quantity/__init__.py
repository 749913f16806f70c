"""Quantities: the one place where text becomes a number and a number becomes text.

In: text that a person types (`parsing`) or a counter writes (`exact_numbers`). Out: numbers in
hertz, seconds and fractions, and text rounded as its uncertainty asks (`formatting`); both go by
the tables of `units`. An offset is (frequency - nominal) / nominal; positive runs fast, reads high.
"""

from benchwatch.quantity.exact_numbers import (
    difference,
    last_digit,
    parse_reply,
    round_nominal,
)
from benchwatch.quantity.formatting import (
    QuantityText,
    format_duration,
    format_frequency,
    how_many,
    in_unit,
    listed,
    offset_unit,
    printable,
    steady_decimals,
    write_clock_gain,
    write_derived_hz,
    write_fraction,
    write_hz,
    write_seconds,
)
from benchwatch.quantity.number_grammar import EXACT
from benchwatch.quantity.parsing import (
    DURATION_FORMS,
    FRACTION_FORMS,
    FREQUENCY_FORMS,
    SETTLE_FORMS,
    parse_ageing,
    parse_duration,
    parse_fraction,
    parse_frequency,
    parse_settle,
    parse_tolerance,
)
from benchwatch.quantity.units import (
    OFFSET_UNITS,
    PARTS_IN_1E12,
    PPB,
    PPM,
    OffsetUnit,
)

__all__ = [
    "DURATION_FORMS",
    "EXACT",
    "FRACTION_FORMS",
    "FREQUENCY_FORMS",
    "OFFSET_UNITS",
    "PARTS_IN_1E12",
    "PPB",
    "PPM",
    "SETTLE_FORMS",
    "OffsetUnit",
    "QuantityText",
    "difference",
    "format_duration",
    "format_frequency",
    "how_many",
    "in_unit",
    "last_digit",
    "listed",
    "offset_unit",
    "parse_ageing",
    "parse_duration",
    "parse_fraction",
    "parse_frequency",
    "parse_reply",
    "parse_settle",
    "parse_tolerance",
    "printable",
    "round_nominal",
    "steady_decimals",
    "write_clock_gain",
    "write_derived_hz",
    "write_fraction",
    "write_hz",
    "write_seconds",
]
