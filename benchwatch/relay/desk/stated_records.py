"""What a station states to be on record of a unit, read strictly: offsets and dial checks."""

import math
from typing import Any, Final

from benchwatch.errors import BenchwatchError
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import USUAL_COVERAGE
from benchwatch.plan import PLAUSIBLE_OFFSET
from benchwatch.reading import RecordKind
from benchwatch.relay.payload import PayloadRefused
from benchwatch.relay.strict_json import number_of, whole_number_of

HIGHEST_HZ: Final = 1e15
LONGEST_RUN_S: Final = 1e10
"""Three centuries; no run is longer."""
LATEST_UTC_S: Final = 253402300799.0
"""The last second of the year 9999."""
MOST_CHECKS: Final = 100
_FRACTION: Final = float(PLAUSIBLE_OFFSET)


def read_record(values: dict[str, Any], key: str, kind: RecordKind) -> OffsetRecord | None:
    """Return the record of an offset in an object; None where it is null or absent.

    Raises:
        PayloadRefused: it is none, or not of this kind, or not plausible.
    """
    document = values.get(key)
    if document is None:
        return None
    if not isinstance(document, dict):
        raise PayloadRefused(f"'{key}' is no record")
    number_of(document, "nominal_hz", 1e-9, HIGHEST_HZ)
    number_of(document, "utc_s", -LATEST_UTC_S / 8, LATEST_UTC_S)
    number_of(document, "span_s", 0.0, LONGEST_RUN_S, required=True)
    whole_number_of(document, "readings")
    try:
        record = OffsetRecord.from_dict(document)
        amounts = record.offset, record.u, record.half_width(USUAL_COVERAGE) or 0.0
    except (BenchwatchError, ArithmeticError, ValueError) as error:
        raise PayloadRefused(f"'{key}' is no record") from error
    if record.kind != kind or not all(abs(amount) <= _FRACTION for amount in amounts):
        raise PayloadRefused(f"'{key}' is not plausible")
    return record


def read_checks(values: dict[str, Any], key: str) -> tuple[DialCheck, ...]:
    """Return the finished dial checks in an object.

    Raises:
        PayloadRefused: there is something else.
    """
    written = values.get(key)
    if written is None:
        return ()
    if not isinstance(written, list) or len(written) > MOST_CHECKS:
        raise PayloadRefused(f"'{key}' is no list of checks")
    return tuple(_check(one, key) for one in written)


def _check(values: object, key: str) -> DialCheck:
    if not isinstance(values, dict):
        raise PayloadRefused(f"'{key}' has something that is no check")
    for hertz in ("setting_hz", "nominal_hz"):
        number_of(values, hertz, 1e-9, HIGHEST_HZ, required=True)
    for utc_s in ("utc_s", "began_utc_s"):
        number_of(values, utc_s, -LATEST_UTC_S / 8, LATEST_UTC_S)
    for fraction in ("foretold", "read", "difference"):
        number_of(values, fraction, -_FRACTION, _FRACTION)
    for amount in ("foretold_u", "read_u", "u", "expanded", "limit"):
        number_of(values, amount, 0.0, 1.0)
    number_of(values, "dof", 0.0, math.inf)
    whole_number_of(values, "readings")
    try:
        return DialCheck.from_dict(values)
    except (BenchwatchError, TypeError) as error:
        raise PayloadRefused(f"'{key}' has something that is no check") from error
