"""A keeper that writes into days which are archived and dropped meanwhile: each reading once."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from archive_kit import MadeRecord, day_ago, made_record, white_noise
from central_record_kit import group_writer, sent
from load_kit import wait_until

DAYS = (100, 101)
BATCH = 25
BATCHES_AT_ONCE = 4
"""What the keeper may write during one archive and drop, so that there are several."""


@pytest.fixture
def record() -> Iterator[MadeRecord]:
    """An empty central record."""
    with made_record() as made:
        yield made


def test_sent_again_after_the_drop(record: MadeRecord, tmp_path: Path) -> None:
    """What is sent again of a dropped day is not written; a late reading is, and goes to a part."""
    rows = sorted(white_noise(day_ago(100), 30, seed=1))
    with group_writer(record.made, record.keeper) as writer:
        writer.write([sent(rows=rows[:20])])
        record.archive(tmp_path)
        record.drop()
        writer.write([sent(rows=rows)])  # from the beginning, as after a lost answer
    late = record.archive(tmp_path)
    record.drop()

    assert [one.rows for one in late] == [10]
    assert record.everywhere(tmp_path) == [("tide-007", 7, row[0], row[4]) for row in rows]
    assert record.count(day_ago(100)) == 0


def test_written_meanwhile(record: MadeRecord, tmp_path: Path) -> None:
    """While a keeper writes into old days, archives and drops go on; each reading stays once."""
    rows = sorted(row for day in DAYS for row in white_noise(day_ago(day), 200, seed=day))
    rows = [(number, *row[1:]) for number, row in enumerate(rows, 1)]
    failures: list[BaseException] = []
    refused: list[str] = []
    allowed = threading.Semaphore(0)

    def write() -> None:
        try:
            with group_writer(record.made, record.keeper) as writer:
                for at in range(0, len(rows), BATCH):
                    allowed.acquire()
                    again = max(0, at - BATCH)  # half of each batch comes twice
                    answers = writer.write([sent(rows=rows[again : at + BATCH], after=again)])
                    refused.extend(one.why for said in answers.values() for one in said.refused)
        except BaseException as failure:
            failures.append(failure)
            raise

    keeper = threading.Thread(target=write)
    keeper.start()
    while keeper.is_alive():
        allowed.release(BATCHES_AT_ONCE)
        record.archive(tmp_path)
        record.drop()
    keeper.join()
    record.archive(tmp_path)
    record.drop()

    assert (failures, refused) == ([], [])
    assert record.everywhere(tmp_path) == [("tide-007", 7, row[0], row[4]) for row in rows]


def test_day_that_is_made_meanwhile(record: MadeRecord, tmp_path: Path) -> None:
    """A batch that waits while somebody else makes its day again is written, not refused."""
    rows = sorted(white_noise(day_ago(100), 30, seed=1))
    answers = []
    with group_writer(record.made, record.keeper) as writer:
        writer.write([sent(rows=rows[:20])])
        record.archive(tmp_path)
        record.drop()

        def write() -> None:
            answers.append(writer.write([sent(rows=rows[20:], after=rows[19][0])]))

        keeper = threading.Thread(target=write)
        with record.made.connect() as other, other.transaction():
            other.execute("SELECT benchwatch.make_day(%s)", (day_ago(100),))
            keeper.start()
            waits = "SELECT count(*) FROM pg_locks WHERE NOT granted AND relation IS NOT NULL"
            assert wait_until(lambda: record.one(waits))
        keeper.join()

    assert [outcome.refused for outcome in answers[0].values()] == [[]]
    assert record.count(day_ago(100)) == 10
