"""Quantities: the one place where text becomes a number and a number becomes text.

What a person types is read without guessing (`typed`): ``10MHz`` is mega, ``10mHz`` is milli,
and ``10mhz`` is refused with a question. What a counter writes is read as an exact decimal
(`counted`), and the nominal is subtracted from it exactly, before anything becomes a float: one
ulp at 10 MHz is already 1.9e-9 Hz. What a person reads is rounded as its uncertainty asks
(`written`).

Sign: an offset is (frequency - nominal) / nominal; positive runs fast and reads high.
"""

from benchwatch.quantity.counted import (
    difference,
    last_digit,
    parse_reply,
    round_nominal,
)
from benchwatch.quantity.number import printable
from benchwatch.quantity.typed import (
    DURATION_FORMS,
    FRACTION_FORMS,
    FREQUENCY_FORMS,
    SETTLE_FORMS,
    parse_duration,
    parse_fraction,
    parse_frequency,
    parse_settle,
)
from benchwatch.quantity.written import (
    OFFSET_UNITS,
    PARTS_IN_1E12,
    PPB,
    PPM,
    OffsetUnit,
    QuantityText,
    format_duration,
    format_frequency,
    how_many,
    in_unit,
    offset_unit,
    steady_decimals,
    write_fraction,
    write_hz,
)

__all__ = [
    "DURATION_FORMS",
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
    "offset_unit",
    "parse_duration",
    "parse_fraction",
    "parse_frequency",
    "parse_reply",
    "parse_settle",
    "printable",
    "round_nominal",
    "steady_decimals",
    "write_fraction",
    "write_hz",
]
