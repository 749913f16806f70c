"""An hour of bench time with a fault a minute; `tests/benchmarks/test_soak_day.py` has the day."""

from pathlib import Path

from soak_kit import check_nothing_lost_or_invented, soak


def test_an_hour_with_a_fault_a_minute_loses_and_invents_nothing(tmp_path: Path) -> None:
    """The whole watch on real sockets: each reading once in the journal, each fault one gap."""
    result = soak(tmp_path, hours=1.0, sample_every_s=600.0)

    check_nothing_lost_or_invented(result)
    first, last = result.samples[0], result.samples[-1]
    assert result.outcome == "count reached"
    assert last.sessions == first.sessions
    assert last.handles <= first.handles + 1  # a connection that is just being opened or closed
    assert last.threads <= first.threads + 2
