"""What a gap between two readings gives as its reason."""

from dataclasses import replace

import pytest
from pipeline_kit import reading

from benchwatch.acquire.reading_loop import GapTracker
from benchwatch.errors import ReplyError

LATE = "found too late to tell when taken, and not used"


@pytest.mark.parametrize(
    ("count", "failures", "reason"),
    [
        (1, [], f"this computer was kept busy: a reading was {LATE}"),
        (
            12,
            ["the line '??' is no reading. It was not used.", "no line within 2 s."],
            f"the line '??' is no reading; this computer was kept busy: 12 readings were {LATE}",
        ),
    ],
)
def test_readings_without_a_time_are_counted_beside_what_else_failed(
    count: int, failures: list[str], reason: str
) -> None:
    """A line that is no reading may come right behind them."""
    gaps, before = GapTracker(), reading(1)
    gaps.close(before)
    for text in failures:
        gaps.failed(ReplyError(text))
    gaps.undated(count)

    gap = gaps.close(replace(before, elapsed_s=before.elapsed_s + 3.0))

    assert gap is not None
    assert (gap.reason, gap.lasted_s) == (reason, 3.0)
