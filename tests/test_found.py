"""As found is kept without being asked for."""

from benchwatch.estimate.found import AsFound
from benchwatch.estimate.results import Estimate, Numbers, Settle


def numbers(offset: float, *, readings: int = 5, suspect: bool = False) -> Numbers:
    """Make the numbers after a reading."""
    return Numbers(
        estimate=Estimate(offset, 1e-11, readings, 5.0),
        settle=Settle("settled", 1.0, None),
        suspect=suspect,
    )


def test_the_stretch_before_the_first_nudge_stays() -> None:
    """The reading that jumps is not taken, and nothing after the freeze is."""
    found = AsFound()
    found.add(1.0, numbers(3e-8))
    found.add(2.0, numbers(5e-9, readings=1, suspect=True))
    found.freeze()
    found.add(3.0, numbers(5e-9))

    assert found.quiet is not None
    assert found.quiet.frozen
    assert (found.quiet.elapsed_s, found.quiet.estimate.offset) == (1.0, 3e-8)
    assert found.quiet.settled is True


def test_without_a_quiet_stretch_there_is_nothing_found() -> None:
    """Two readings, or an unknown uncertainty, are no record; a freeze invents none."""
    found = AsFound()
    found.add(1.0, numbers(3e-8, readings=2))
    found.add(2.0, Numbers(estimate=Estimate(3e-8, None, 9, 9.0)))
    found.add(3.0, Numbers())
    found.freeze()

    assert found.quiet is None


def test_what_came_after_a_turn_confirmed_late_is_not_as_found() -> None:
    """A small turn is confirmed some readings after it: those are of the new level."""
    found = AsFound()
    for second in range(5):
        found.add(float(second), numbers(3e-8))
    for second in range(5, 9):
        found.add(float(second), numbers(2.9e-8))

    found.freeze(5.0)
    found.freeze(1.0)

    assert found.quiet is not None
    assert found.quiet.frozen
    assert (found.quiet.elapsed_s, found.quiet.estimate.offset) == (4.0, 3e-8)
