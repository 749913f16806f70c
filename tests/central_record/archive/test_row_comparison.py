"""Rows of files against rows of the record: every kind of difference is counted."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from benchwatch.central_record.archive.row_comparison import Row, compare_rows

KEYS = st.tuples(st.sampled_from(["a", "b"]), st.integers(1, 2), st.integers(0, 6))
ROWS = st.dictionaries(KEYS, st.sampled_from(["x", "y", None]), max_size=20)
CUTS = st.lists(st.integers(0, 20), max_size=4)


def portions(rows: dict[tuple[str, int, int], str | None], cuts: list[int]) -> list[list[Row]]:
    """Return rows sorted and cut into portions, of which some are empty."""
    whole: list[Row] = [(*key, value) for key, value in sorted(rows.items())]
    edges = [0, *sorted(cuts), len(whole)]
    return [whole[begin:end] for begin, end in pairwise(edges)]


@given(ROWS, ROWS, CUTS, CUTS)
def test_counts_as_sets_do(
    ours: dict[tuple[str, int, int], str | None],
    theirs: dict[tuple[str, int, int], str | None],
    our_cuts: list[int],
    their_cuts: list[int],
) -> None:
    """However both are cut into portions, the counts are those of sets of keys."""
    found = compare_rows(portions(ours, our_cuts), portions(theirs, their_cuts))

    both = ours.keys() & theirs.keys()
    assert found.same == sum(ours[key] == theirs[key] for key in both)
    assert found.different == len(both) - found.same
    assert found.only_in_files == len(ours.keys() - theirs.keys())
    assert found.only_in_record == len(theirs.keys() - ours.keys())
    assert found.is_equal == (ours == theirs)
    assert found.is_part == (ours.items() <= theirs.items())
    odd = {key for key, _ in ours.items() ^ theirs.items()}
    assert found.example == (min(odd) if odd else None)


def test_row_that_comes_twice() -> None:
    """A reading that is in two files is one too many."""
    row: Row = ("a", 1, 1, "x")

    assert not compare_rows([[row, row]], [[row]]).is_part


def test_words() -> None:
    """The sentence counts what differs, and names the first reading."""
    found = compare_rows([[("a", 1, 1, "x"), ("a", 1, 3, "x")]], [[("a", 1, 1, "y")]])

    assert found.words() == (
        "1 only in the file, 1 with other values, the first: number 1 of run 1 of station a"
    )
