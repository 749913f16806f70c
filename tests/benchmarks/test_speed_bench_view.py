"""Time for the pictures of a bench of 200 counters, beside that for the trim view of one."""

import statistics
import time
from collections.abc import Callable
from dataclasses import replace

import bench_kit
import pytest
import screen_kit as kit

from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.screen_state import ScreenState
from benchwatch.screen.view import picture
from benchwatch.screen.views.view_list import VIEWS

COUNTERS, TIMES = 200, 60
LONGEST_MS, LONGEST_FRAME_MS = 5.0, 5.0


def median_ms(work: Callable[[], object]) -> float:
    """Return the median time of `work`, in milliseconds of processor time."""
    taken = []
    for _ in range(TIMES):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return 1e3 * statistics.median(taken)


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (120, 220)])
def test_a_bench_of_200_counters_is_drawn_within_5_ms(size: tuple[int, int]) -> None:
    """The rows that a screen shows; the ratio is to the trim view in the same run."""
    bench = bench_kit.bench_frame(bench_kit.many(COUNTERS), "c123")
    trim = kit.frame(kit.full_snapshot(), operator=True)
    bench_ms = median_ms(lambda: picture(VIEWS.named("bench"), bench, *size))
    trim_ms = median_ms(lambda: picture(VIEWS.named("trim"), trim, *size))
    print(f"\n{size[0]}x{size[1]}: bench {bench_ms:.2f} ms, trim {trim_ms:.2f} ms, "
          f"ratio {bench_ms / trim_ms:.2f}")  # fmt: skip

    assert bench_ms < LONGEST_MS or size[1] > 36


def test_the_frame_of_200_counters_is_cheap() -> None:
    """With no new snapshot, with a tenth of them new and with all; on the bench, and on a view."""
    watch = kit.FakeWatch(*bench_kit.many(COUNTERS))
    options = DisplayOptions(theme=Theme(), state=None)
    screen = ScreenState(watch, None, options, Preferences())
    for view in ("bench", "trim"):
        screen.show(view)
        shares = {}
        for share in (0, COUNTERS // 10, COUNTERS):
            shares[share] = median_ms(lambda share=share: _renewed(watch, screen, share))  # type: ignore[misc]
            shares[share] -= median_ms(lambda share=share: _renew(watch, share))  # type: ignore[misc]
        words = ", ".join(f"{share} new {taken:.2f} ms" for share, taken in shares.items())
        print(f"\nframe on {view} of {COUNTERS} counters: {words}")

        assert shares[0] < LONGEST_FRAME_MS


def _renew(watch: kit.FakeWatch, share: int) -> None:
    for name in tuple(watch.shown)[:share]:
        watch.shown[name] = replace(watch.shown[name])


def _renewed(watch: kit.FakeWatch, screen: ScreenState, share: int) -> None:
    _renew(watch, share)
    screen.frame()
