"""Strict JSON from a broker: hostile text becomes plain values of bounded size, or a sentence."""

import json
import math
from typing import Any, Final, NoReturn

from benchwatch.quantity import printable
from benchwatch.relay.payload import (
    MOST_PLAIN_BYTES,
    PayloadRefused,
    PayloadTooLarge,
    check_version,
)

HIGHEST_KEY: Final = 2**63 - 1
"""Keys of runs and numbers of events are 64 bits in journal and central record."""
_LONGEST_NUMBER: Final = 40


def read_object(payload: bytes) -> dict[str, Any]:
    """Read a JSON object without NaN, infinities and absurdly long numbers.

    Raises:
        PayloadRefused: it is none, or is too large.
    """
    if len(payload) > MOST_PLAIN_BYTES:
        raise PayloadTooLarge(f"it has {len(payload)} bytes, and more than {MOST_PLAIN_BYTES}")
    try:
        values = json.loads(
            payload.decode("utf-8"),
            parse_float=_finite,
            parse_int=_whole,
            parse_constant=_refuse_constant,
        )
    except (ValueError, RecursionError) as error:
        shown = printable(payload[:40].decode("utf-8", "replace"))
        raise PayloadRefused(f"it is no strict JSON: '{shown}'") from error
    if not isinstance(values, dict):
        raise PayloadRefused("it is JSON, but no object")
    return values


def read_plain(payload: bytes) -> dict[str, Any]:
    """Read the document in a payload without compression, which says its version.

    Raises:
        PayloadRefused: it holds none, is too large, or is of another version.
    """
    document = read_object(payload)
    check_version(document)
    return document


def number_of(
    values: dict[str, Any], key: str, lowest: float, highest: float, *, required: bool = False
) -> float | None:
    """Return a number of an object within bounds; None where it is null or absent.

    Raises:
        PayloadRefused: it is no number, lies beyond the bounds, or is missing and `required`.
    """
    value = values.get(key)
    if value is None and not required:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PayloadRefused(f"'{key}' is no number")
    if not lowest <= value <= highest:
        raise PayloadRefused(f"'{key}' of {value:.6g} is not plausible")
    return float(value)


def whole_number_of(values: dict[str, Any], key: str, lowest: int = 0) -> int | None:
    """Return a whole number of up to 63 bits; None where it is null or absent.

    Raises:
        PayloadRefused: it is none, or lies beyond the bounds.
    """
    value = values.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not lowest <= value <= HIGHEST_KEY:
        raise PayloadRefused(f"'{key}' is no whole number from {lowest} to 2^63-1")
    return value


def text_of(values: dict[str, Any], key: str, longest: int) -> str:
    """Return a text of an object, harmless and cut to `longest`; empty where it is null or absent.

    Raises:
        PayloadRefused: it is no text.
    """
    value = values.get(key)
    if value is None:
        return ""
    if not isinstance(value, str):
        raise PayloadRefused(f"'{key}' is no text")
    return printable(value, longest)


def _finite(text: str) -> float:
    value = float(text) if len(text) <= _LONGEST_NUMBER else math.inf
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def _whole(text: str) -> int:
    if len(text) > _LONGEST_NUMBER:
        raise ValueError(text)
    return int(text)


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(name)
