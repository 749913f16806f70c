"""The row of the records: as found stays in sight whatever else is known."""

import pytest
import screen_kit as kit

from benchwatch.estimate.trim.landing import LandingNow
from benchwatch.estimate.trim.mean_pull import MeanPull
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.pipeline.cautions import with_cautions
from benchwatch.quantity import PARTS_IN_1E12
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.panels.record_row import records_line
from benchwatch.snapshot import Playback, Records, TrimNow

FOUND = kit.record("as found", 6.93e-9)
LEFT = kit.record("as left", -2.4e-10)
TOOL_ON = ToolState(on=True, since_s=kit.NOW_S - 9.0, pull=MeanPull(3.02e-9, 1.1e-10, 5))
HOLDING = LandingNow("holding", 12.0, 30.0, "inside; keep your hands off")


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("left", [None, LEFT])
@pytest.mark.parametrize(
    "trim",
    [
        kit.trim_now(tool=TOOL_ON),
        kit.trim_now(landing=HOLDING),
        kit.trim_now(landing=LandingNow("landed", 40.0, 30.0, "inside, hands off")),
        TrimNow(),
    ],
    ids=["tool on", "holding", "landed", "resumed, no reading yet"],
)
def test_as_found_is_in_sight_on_a_small_screen(trim, left, ascii_only):
    """At 80x24, live and in a replay, whatever the tool and the landing have to say."""
    shown = kit.full_snapshot(trim=trim, records=Records(FOUND, as_left=left))
    played = Playback(state="playing", at_s=90.0, length_s=600.0, speed=1.0)
    theme = Theme(ascii=ascii_only)
    live = kit.frame(shown, operator=True, theme=theme, message="a sentence " * 16)
    replayed = kit.frame(shown, playing=played, theme=theme)

    for made in (live, replayed):
        text = kit.plain("trim", made, 80, 24)
        assert "as found +6.930" in text
        assert ("as left -0.240" in text) == (left is not None)


def test_as_found_stays_beside_as_left_in_a_narrow_row():
    """Its uncertainty and its unit go first, then that of as left; never a value or a caution."""
    doubtful = with_cautions(FOUND, ("still moving by more than asked",))
    shown = kit.snapshot(records=Records(doubtful, as_left=LEFT))
    made = kit.frame(shown, unit=PARTS_IN_1E12)
    rows = [records_line(made, width, 1)[0].plain for width in (90, 80, 64)]

    assert rows == [
        "  as found +6930 ± 65 parts in 10^12 (!)   as left -240 ± 65 parts in 10^12",
        "  as found +6930 ± 65 parts in 10^12 (!)   as left -240 ± 65 parts in 10^12",
        "  as found +6930 (!), as left -240 ± 65 parts in 10^12",
    ]
