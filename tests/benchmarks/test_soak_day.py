"""24 hours of readings, one a second, with a fault a minute: nothing grows, nothing is lost.

Run with ``python -m pytest tests/benchmarks/test_soak_day.py -s``; it takes about five minutes.
"""

import time
from collections import Counter
from pathlib import Path

import pytest
from soak_kit import check_nothing_lost_or_invented, soak

from benchwatch.reading import Gap


@pytest.mark.timeout(3600)
def test_a_day_with_a_fault_a_minute(tmp_path: Path) -> None:
    """Threads, file handles and VISA sessions do not grow, nor does memory from hour 12 on.

    Until about hour 5 the finest level of the history fills (1 MB), and the longest trace and the
    deviations reach their full size.
    """
    began_s = time.monotonic()
    result = soak(tmp_path, hours=24.0, sample_every_s=3600.0)
    lasted_s = time.monotonic() - began_s

    gaps = [event for event in result.events if isinstance(event, Gap)]
    print(f"\n{'hours':>6} {'RSS MB':>8} {'threads':>8} {'handles':>8} {'sessions':>9}")
    print(*result.samples, sep="\n")
    kinds = ", ".join(f"{n} {kind}" for kind, n in Counter(k for _, k in result.faults).items())
    print(f"{len(result.events) - len(gaps)} readings and {len(gaps)} gaps in the journal")
    print(f"{len(result.issued)} readings given by the counter, longest gap "
          f"{max(gap.lasted_s for gap in gaps):.1f} s; took {lasted_s:.0f} s")  # fmt: skip
    print(f"{len(result.faults)} faults: {kinds}")
    check_nothing_lost_or_invented(result)
    first, middle, last = result.samples[0], result.samples[11], result.samples[-1]
    assert last.rss_mb - first.rss_mb < 10.0
    assert last.rss_mb - middle.rss_mb < 2.0
    assert last.sessions == first.sessions
    assert last.handles <= first.handles + 1
    assert last.threads <= first.threads + 2
