"""What the view of the measuring chain writes of the reference."""

import pytest
import screen_kit as kit

from benchwatch.screen.views.chain_view import chain_lines
from benchwatch.snapshot import ReferenceNow


@pytest.mark.parametrize(
    ("ratio", "written"),
    [(3.14159, "3.14 to 1"), (99.94, "99.9 to 1"), (2500.2, "2500 to 1"), (1.5e6, "1500000 to 1")],
)
def test_a_ratio_is_written_without_an_exponent(ratio: float, written: str) -> None:
    """However good the reference is."""
    reference = ReferenceNow(
        name="reference", u=1e-12, expanded=2e-12, tolerance=ratio * 2e-12, ratio=ratio
    )
    frame = kit.frame(kit.snapshot(reference=reference), "chain")
    text = "\n".join(one.plain for one in chain_lines(frame, 200, 30))

    assert f" is {written} (common practice: 4 to 1)" in text
