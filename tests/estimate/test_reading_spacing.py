"""The usual time between readings, and the length of a gap in it."""

import pytest

from benchwatch.estimate.reading_spacing import ReadingSpacing


def test_the_usual_spacing_is_that_of_the_newest_few_and_spans_no_gap() -> None:
    """A change of pace is followed within a handful of readings."""
    spacing = ReadingSpacing()
    usual = []
    for at_s in (0.0, 1.0, 2.0, 3.0):
        spacing.add(at_s)
        usual.append(spacing.usual_s)
    spacing.gap()
    spacing.add(500.0)
    across = spacing.usual_s
    for place in range(1, 7):
        spacing.add(500.0 + 10.0 * place)

    assert usual == [None, 1.0, 1.0, 1.0]
    assert across == 1.0
    assert spacing.usual_s == 10.0


def test_a_gap_is_counted_in_usual_spacings() -> None:
    """In the median of the newest; None before there is one, and for an unknown length."""
    spacing = ReadingSpacing()
    assert spacing.spacings_in(2.0) is None

    for at_s in (0.0, 0.5, 1.0, 1.6):
        spacing.add(at_s)
    spacing.gap()
    spacing.add(100.0)

    assert spacing.spacings_in(2.0) == pytest.approx(4.0)
    assert spacing.spacings_in(0.1) == 1.0
    assert spacing.spacings_in(None) is None
