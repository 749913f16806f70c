"""Payloads of messages: strict JSON as UTF-8, for batches and answers compressed by zlib.

Everybody who can reach the broker can write to it, so that nothing of a payload is believed: its
size is limited before and while it is unpacked, and `PayloadRefused` says what is wrong with it.
What is not compressed is read by `benchwatch.relay.strict_json`.
"""

import json
import zlib
from collections.abc import Mapping
from typing import Any, Final, NoReturn

VERSION: Final = 1
"""Version of all payloads (key ``v``)."""
MOST_PACKED_BYTES: Final = 256_000
MOST_BYTES: Final = 4_000_000
"""Most bytes of a payload that is unpacked."""
LEAST_COMPRESSED_BYTES: Final = 256
"""What is shorter is stored as it is in the form of zlib: most answers gain nothing."""
LARGE_BYTES: Final = 8_192
_SMALL_WINDOW_BITS: Final = 13
_SMALL_MEMORY_LEVEL: Final = 5
"""What is not larger is compressed in a window of 8 kilobytes (RFC 1950) and with little memory:
the result is the same, and to prepare the usual memory takes five times as long as the rest."""
MOST_PLAIN_BYTES: Final = 64_000
"""Most bytes of a payload that is not packed."""

_ENCODER: Final = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _refuse_constant(word: str) -> NoReturn:
    raise ValueError(word)


_DECODER: Final = json.JSONDecoder(parse_constant=_refuse_constant)


class PayloadRefused(Exception):
    """A payload is not what it should be; the message is a sentence without a full stop."""


class PayloadTooLarge(PayloadRefused):
    """A payload has more bytes than anybody takes."""


def pack(document: Mapping[str, Any]) -> bytes:
    """Return the compressed payload of a document.

    Raises:
        PayloadTooLarge: nobody would take it.
        PayloadRefused: it has a number or a text that can't be written.
    """
    data = write_plain(document)
    if len(data) > MOST_BYTES:
        raise PayloadTooLarge(f"it has {len(data)} bytes, and more than {MOST_BYTES}")
    packed = _compressed(data)
    if len(packed) > MOST_PACKED_BYTES:
        raise PayloadTooLarge(f"it has {len(packed)} bytes, and more than {MOST_PACKED_BYTES}")
    return packed


def _compressed(data: bytes) -> bytes:
    level = 3 if len(data) >= LEAST_COMPRESSED_BYTES else 0
    if len(data) > LARGE_BYTES:
        return zlib.compress(data, level)
    small = zlib.compressobj(level, zlib.DEFLATED, _SMALL_WINDOW_BITS, _SMALL_MEMORY_LEVEL)
    return small.compress(data) + small.flush()


def unpack(payload: bytes) -> dict[str, Any]:
    """Return the document in a compressed payload.

    Raises:
        PayloadRefused: it holds none, or is too large.
    """
    if len(payload) > MOST_PACKED_BYTES:
        raise PayloadTooLarge(f"it has {len(payload)} bytes, and more than {MOST_PACKED_BYTES}")
    reader = zlib.decompressobj()
    try:
        data = reader.decompress(payload, MOST_BYTES + 1)
    except zlib.error as error:
        raise PayloadRefused("it is not compressed by zlib, or was cut") from error
    if len(data) > MOST_BYTES:
        raise PayloadTooLarge(f"it unpacks to more than {MOST_BYTES} bytes")
    if not reader.eof or reader.unused_data:
        raise PayloadRefused("it was cut, or something follows its end")
    return _document(data)


def write_plain(document: Mapping[str, Any]) -> bytes:
    """Return the payload of a document without compression.

    Raises:
        PayloadRefused: it has a number or a text that can't be written.
    """
    try:
        return _ENCODER.encode(document).encode("utf-8")
    except ValueError as error:  # a lone surrogate, nan
        raise PayloadRefused("it has a text or a number that can't be written") from error


def check_version(document: Mapping[str, Any]) -> None:
    """Refuse a document that does not have the version of this program.

    Raises:
        PayloadRefused: it has another one, or none.
    """
    version = document.get("v")
    if type(version) is not int or version < VERSION:
        raise PayloadRefused("it does not say which version it has")
    if version > VERSION:
        raise PayloadRefused(
            f"it is of a newer program (version {min(version, 999)} of messages; this one knows "
            f"{VERSION}): update Benchwatch on the side that refuses it"
        )


def _document(data: bytes) -> dict[str, Any]:
    try:
        document = _DECODER.decode(data.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise PayloadRefused("it is no JSON as this program writes it") from error
    if type(document) is not dict:
        raise PayloadRefused("it is no JSON object")
    check_version(document)
    return document
