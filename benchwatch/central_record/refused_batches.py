"""Notes on batches that were refused, so few a day that no station fills the disk with them."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from benchwatch.quantity import printable

if TYPE_CHECKING:
    import psycopg

MOST_A_DAY: Final = 100
"""Notes of a station within a day."""
MOST_PAYLOADS_A_DAY: Final = 10
"""Notes of a station within a day that keep the beginning of the message."""
KEPT_BYTES: Final = 64_000
LONGEST_WHY: Final = 500

_INSERT: Final = """
    INSERT INTO benchwatch.refused (station, stream, after, upto, why, payload)
    SELECT n.station, n.stream, n.after, n.upto, n.why,
        CASE WHEN noted + place <= %(payloads)s THEN n.payload END
    FROM unnest(%(station)s::text[], %(stream)s::text[], %(after)s::int8[], %(upto)s::int8[],
        %(why)s::text[], %(payload)s::bytea[], %(place)s::int8[])
        AS n (station, stream, after, upto, why, payload, place)
    CROSS JOIN LATERAL (SELECT count(*) AS noted FROM benchwatch.refused AS r
        WHERE r.station = n.station AND r.at > now() - interval '1 day') AS before
    WHERE noted + place <= %(most)s"""


@dataclass(frozen=True, slots=True)
class RefusedNote:
    """What is noted of a refused batch, or of events that a station could not send."""

    station: str
    stream: str
    """What it is part of, such as ``run 7``; empty: unknown."""
    after: int
    upto: int
    why: str
    payload: bytes | None


def write_refused(connection: "psycopg.Connection[Any]", notes: Sequence[RefusedNote]) -> None:
    """Write notes, as far as their stations have not as many today already.

    Raises:
        psycopg.Error: the database is away.
    """
    places: Counter[str] = Counter()
    kept = []
    for note in notes:
        places[note.station] += 1
        if places[note.station] <= MOST_A_DAY:
            kept.append((note, places[note.station]))
    if not kept:
        return
    connection.execute(
        _INSERT,
        {
            "station": [note.station for note, _ in kept],
            "stream": [printable(note.stream, 80) for note, _ in kept],
            "after": [note.after for note, _ in kept],
            "upto": [note.upto for note, _ in kept],
            "why": [printable(note.why, LONGEST_WHY) for note, _ in kept],
            "payload": [
                note.payload[:KEPT_BYTES]
                if note.payload is not None and place <= MOST_PAYLOADS_A_DAY
                else None
                for note, place in kept
            ],
            "place": [place for _, place in kept],
            "most": MOST_A_DAY,
            "payloads": MOST_PAYLOADS_A_DAY,
        },
    )
