"""Unpacks gzip data (RFC 1952) piece by piece, in bounded memory."""

import errno
import zlib
from collections.abc import Iterable, Iterator
from typing import Final

GZIP_START: Final = b"\x1f\x8b"
"""The first bytes of each member (RFC 1952, 2.3.1)."""
PIECE_BYTES: Final = 1 << 18
"""Most bytes that are unpacked at once, however small they were packed."""
_GZIP_WINDOW_BITS: Final = 31
"""zlib's window of 15 bits, plus 16: with the header and the check sum of gzip."""


def unpacked(packed: Iterable[bytes]) -> Iterator[bytes]:
    """Unpack the members of a gzip file, one after the other.

    Args:
        packed: the bytes of the file, in pieces of any size.

    Yields:
        At most `PIECE_BYTES` at once.

    Raises:
        OSError: the data are damaged, or end early.
    """
    member = zlib.decompressobj(_GZIP_WINDOW_BITS)
    begun = False
    try:
        for piece in packed:
            rest = piece
            while rest:
                if member.eof:
                    # After the last member only zeros may follow, as on tapes.
                    rest = rest.lstrip(b"\0")
                    if not rest:
                        break
                    member, begun = zlib.decompressobj(_GZIP_WINDOW_BITS), False
                begun = True
                found = member.decompress(rest, PIECE_BYTES)
                rest = member.unused_data if member.eof else member.unconsumed_tail
                if found:
                    yield found
    except zlib.error as error:
        raise OSError(errno.EIO, "the compressed data are damaged") from error
    if begun and not member.eof:
        raise OSError(errno.EIO, "the compressed data end too early")
