"""Which readings are in the archive only, by their numbers: one bit a number, in `dropped_numbers`.

What comes again is told from what comes late by the key of a reading; of a day that was dropped the
record has no keys any more, and the keeper can't read files. So whoever drops a day notes the
numbers of its readings in the same transaction, which takes a hundredth of their room.
"""

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.column_arrays import number_array

if TYPE_CHECKING:
    import psycopg

Place = tuple[int, int, int]
"""`run_id`, number and day of a reading; days are counted from 1970."""

# Bits begin at the first number of a block of 2^16 and end at the last one, so that two numbers
# which are far apart, as a hostile station may send them, take no more than 8 kB.
_NOTE: Final = """
    INSERT INTO benchwatch.dropped_numbers (run_id, day, first, numbers)
    SELECT run_id, %s, min(number),
        string_agg(repeat('0', (number - before - 1)::int) || '1', '' ORDER BY number)::varbit
    FROM (SELECT run_id, number, number >> 16 AS block,
            lag(number, 1, number - 1)
                OVER (PARTITION BY run_id, number >> 16 ORDER BY number) AS before
        FROM benchwatch.{table}) AS numbered
    GROUP BY run_id, block"""

_DAYS: Final = """
    SELECT n.day, EXISTS (SELECT FROM benchwatch.archived AS a WHERE a.dropped IS NOT NULL
            AND NOT a.numbers_noted AND a.day = '1970-01-01'::date + n.day),
        EXISTS (SELECT FROM benchwatch.dropped_numbers AS d
            WHERE d.day = '1970-01-01'::date + n.day)
    FROM unnest(%s::int4[]) AS n (day)"""

# The block is asked for, too: of a run with many of them, which may have few numbers each, a
# reading is looked up in one alone.
_FIND: Final = """
    SELECT n.run_id, n.number FROM unnest(%s::int4[], %s::int8[], %s::int4[])
        AS n (run_id, number, day)
    WHERE EXISTS (SELECT FROM benchwatch.dropped_numbers AS d
        WHERE d.run_id = n.run_id AND d.day = '1970-01-01'::date + n.day
            AND d.first >> 16 = n.number >> 16 AND d.first <= n.number
            AND CASE WHEN n.number - d.first < length(d.numbers)
                THEN get_bit(d.numbers, (n.number - d.first)::int) = 1 END)"""


def note_numbers(connection: "psycopg.Connection[Any]", table: str, day: object) -> None:
    """Note the numbers of all readings of a partition that is dropped in the same transaction.

    Args:
        connection: of the owner.
        table: name of the partition.
        day: the day that it has.

    Raises:
        psycopg.Error: from the record.
    """
    connection.execute(_NOTE.format(table=table).encode(), (day,))


def dropped_days(
    connection: "psycopg.Connection[Any]", days: Collection[int]
) -> tuple[set[int], set[int]]:
    """Find which days were dropped; no other one is before the transaction ends.

    Args:
        connection: in a transaction.
        days: counted from 1970.

    Returns:
        Those of which some numbers are noted, and those of which some are not: an older program
        dropped these.

    Raises:
        psycopg.Error: from the record.
    """
    connection.execute("SELECT FROM ONLY benchwatch.readings LIMIT 0")  # keeps a drop waiting
    found = connection.execute(_DAYS, (number_array(sorted(days)),)).fetchall()
    noted = {day for day, _, are_noted in found if are_noted}
    return noted, {day for day, is_unknown, _ in found if is_unknown}


def find_dropped(
    connection: "psycopg.Connection[Any]", places: Sequence[Place]
) -> set[tuple[int, int]]:
    """Find which readings were dropped with their days.

    Args:
        connection: in a transaction.
        places: of readings, one at least.

    Returns:
        `run_id` and number of each that was.

    Raises:
        psycopg.Error: from the record.
    """
    found = connection.execute(_FIND, tuple(map(number_array, zip(*places, strict=True))))
    return set(found.fetchall())
