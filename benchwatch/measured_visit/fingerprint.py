"""The fingerprint of the readings of a visit: unchanged as long as no reading is.

It is a SHA-256 (FIPS 180-4) over bytes that any program can make from the table ``readings`` of the
journals:

1. Each reading, in ascending order of ``number``, gives these bytes: ``number`` as a signed 64-bit
   integer; ``utc_s``, ``elapsed_s``, ``gate_s`` and ``resolution_hz`` as 64-bit floating-point
   numbers (IEEE 754), an absent gate as the bytes 7f f8 00 00 00 00 00 00; the lengths in bytes of
   ``text`` and ``flags`` as unsigned 32-bit integers; then ``text`` and ``flags`` in UTF-8. All
   numbers are big-endian.
2. The readings of one run, one after the other, give the SHA-256 of the run.
3. Each run of the visit that has readings, in the order in which the register first names it, gives
   its key as a signed 64-bit integer and its SHA-256 (32 bytes). The SHA-256 of these is the
   fingerprint, written in hexadecimal.

The name and the place of the journals, and the numbers that runs have in them, do not count: moving
runs to an archive or merging journals changes nothing.
"""

import hashlib
import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from benchwatch.central_record.run_place import RunPlace
from benchwatch.errors import JournalError
from benchwatch.journal.journal_reader import ReadingRow
from benchwatch.measured_visit.open_sources import OpenSources
from benchwatch.measured_visit.run_places import place_runs
from benchwatch.register.issued_report import Fingerprint
from benchwatch.register.visit import Visit

_ROW: Final = struct.Struct(">qddddII")
_KEY: Final = struct.Struct(">q")


class RunDigest:
    """The SHA-256 of the readings of one run."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()
        self.readings = 0
        self.last_number = 0
        """Number of its last reading; 0 without one."""

    def add(self, rows: Sequence[ReadingRow]) -> None:
        """Add readings, in ascending order of their numbers."""
        if not rows:
            return
        pack = _ROW.pack
        pieces: list[bytes] = []
        for number, utc_s, elapsed_s, gate_s, text, resolution_hz, flags in rows:
            gate = math.nan if gate_s is None else gate_s
            words, marks = text.encode(), flags.encode()
            head = pack(number, utc_s, elapsed_s, gate, resolution_hz, len(words), len(marks))
            pieces += (head, words, marks)
        self._hash.update(b"".join(pieces))
        self.readings += len(rows)
        self.last_number = rows[-1][0]

    def digest(self) -> bytes:
        """Return the SHA-256 of the readings so far."""
        return self._hash.digest()


def joined_fingerprint(digests: Iterable[tuple[int, RunDigest]]) -> Fingerprint | None:
    """Return the fingerprint of runs (key, digest) in the order of the register.

    Runs without readings do not count; None: there is no reading.
    """
    some = [(key, digest) for key, digest in digests if digest.readings]
    if not some:
        return None
    whole = hashlib.sha256()
    for key, digest in some:
        whole.update(_KEY.pack(key) + digest.digest())
    return Fingerprint(
        sha256=whole.hexdigest(),
        readings=sum(digest.readings for _, digest in some),
        last_numbers=tuple((key, digest.last_number) for key, digest in some),
    )


def fingerprint_of(
    visit: Visit, where: Path | RunPlace, up_to: Mapping[int, int] | None = None
) -> Fingerprint | None:
    """Compute the fingerprint of the readings of a visit.

    Runs that no journal in the folder has, or that can't be read to their end, are left out or cut:
    their keys or last numbers then differ from those of an earlier fingerprint.

    Args:
        visit: the visit.
        where: the folder of the register and the journals, or the central record with both.
        up_to: number of the last reading of each run that counts, by key, such as `last_numbers` of
            an earlier fingerprint; other runs do not count. None: all readings of all runs.

    Returns:
        The fingerprint; None without a reading.
    """
    digests: list[tuple[int, RunDigest]] = []
    with OpenSources() as sources:
        for placed in place_runs(visit, where).runs:
            key = placed.stated.key
            is_counted = up_to is None or key in up_to
            if placed.run is None or placed.place is None or not is_counted:
                continue
            digest = RunDigest()
            last = None if up_to is None else up_to[key]
            with suppress(JournalError):  # cut, as said above
                for portion in sources.of(placed.place).portions(placed.run):
                    rows = portion.readings
                    if last is not None and rows and rows[-1][0] > last:
                        digest.add([row for row in rows if row[0] <= last])
                        break
                    digest.add(rows)
            digests.append((key, digest))
    return joined_fingerprint(digests)
