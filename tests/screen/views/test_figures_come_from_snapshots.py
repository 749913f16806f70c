"""The screen computes nothing: each figure with a unit is a number of the snapshot."""

from dataclasses import replace

import pytest
import screen_kit as kit
from figures_kit import figures, foreign_figures, with_other_numbers

from benchwatch.estimate.results import OffsetCycle, Rest, Settle, SettleHistory
from benchwatch.estimate.trim.mean_pull import MeanPull
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.snapshot import Records, Snapshot

SIZES = [(60, 18), (80, 24), (120, 36)]
CYCLING = Settle(
    "settled", kit.NOW_S - 130.0, None, reason="moves by 0.2 ppb in 10 min",
    cycle=OffsetCycle(period_s=302.4, period_u=1.3, swing=4.21e-9, swing_u=6e-11),
    held=SettleHistory(600.0, 100.0, -4.3e-10, 650.0, 2, 42.0),
)  # fmt: skip
STATES = {
    "turned": kit.full_snapshot(),
    "creeping": kit.full_snapshot(
        numbers=kit.numbers(rest=Rest(1.24e-9, 2.9e-10, 12.0, 11, 11.0), settle=CYCLING)
    ),
    "tool on": kit.full_snapshot(
        trim=kit.trim_now(
            tool=ToolState(True, kit.NOW_S - 16.0, MeanPull(3.02e-9, 1.1e-10, 5)),
            left=7.2e-10,
            left_u=1.6e-10,
        )
    ),
    "as left": kit.full_snapshot(
        records=Records(kit.record("as found", 6.93e-9), as_left=kit.record("as left", -2.4e-10))
    ),
}


@pytest.mark.parametrize("view", VIEWS.views, ids=lambda view: view.name)
@pytest.mark.parametrize("state", STATES)
def test_every_figure_is_a_number_of_the_snapshot(view, state: str) -> None:
    """In each view, with unrelated random numbers, no other figure is shown."""
    for seed in range(3):
        shown = with_other_numbers(STATES[state], seed)
        for size in SIZES:
            text = kit.plain(view.name, kit.frame(shown, view=view.name), *size)

            assert not foreign_figures(text, shown), text


def test_the_views_show_figures_at_all() -> None:
    """The views show offsets, drifts, hertz, with their uncertainties."""
    shown = STATES["as left"]
    text = "".join(kit.plain(v.name, kit.frame(shown, view=v.name), 120, 36) for v in VIEWS.views)
    found = figures(text)

    assert {figure.unit for figure in found} >= {"ppb", "Hz"}
    assert any(figure.span for figure in found)
    assert sum(figure.u is not None for figure in found) > 10


@pytest.mark.parametrize(
    "said", ["+2.32 ± 0.11 ppb", "+2.31 ± 0.22 ppb", "6.93 ppb away", "-8.4 ± 1.4 ppb/h"]
)
def test_the_check_finds_computed_figures(said: str) -> None:
    """A wrong digit, a wrong uncertainty, a sum and a wrong rate are foreign."""
    shown: Snapshot = replace(kit.snapshot(), resource="")

    assert foreign_figures("+2.31 ± 0.11 ppb -8.3 ± 1.4 ppb/h +0.0231 Hz", shown) == []
    assert len(foreign_figures(said, shown)) == 1
