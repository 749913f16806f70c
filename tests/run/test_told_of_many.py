"""Sentences on counters: one each for a few, one together for many."""

from benchwatch.run.told_of_many import Told, told_of_many


def told(number: int, what: str = "lost at the end.") -> list[Told]:
    """Return what is said of so many counters."""
    return [Told(f"c{at}", f"c{at} was {what}", what) for at in range(1, number + 1)]


def test_a_few_have_a_sentence_each() -> None:
    """Six at most."""
    assert told_of_many(told(2)) == ["c1 was lost at the end.", "c2 was lost at the end."]
    assert len(told_of_many(told(6))) == 6


def test_many_have_one_together() -> None:
    """How many, and the first names; others keep their own, in their order."""
    sentences = told_of_many([Told("a", "a was silent.", "silent."), *told(80)])

    assert sentences == ["a was silent.", "80 counters (c1, c2, c3 and 77 more): lost at the end."]
