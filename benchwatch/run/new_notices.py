"""What a reader has not taken yet of sentences that journal and register have noted."""

from collections.abc import Sequence


class NewNotices:
    """The notices of journal and register that a reader has not taken yet.

    Args:
        lists: lists that only grow.
    """

    def __init__(self, lists: Sequence[list[str]]) -> None:
        self._lists, self._taken = lists, [0] * len(lists)

    @property
    def waiting(self) -> bool:
        """Whether there are new notices."""
        return any(len(one) > n for one, n in zip(self._lists, self._taken, strict=True))

    def new(self) -> list[str]:
        """Return the new notices."""
        new: list[str] = []
        for place, notices in enumerate(self._lists):
            new += notices[self._taken[place] :]
            self._taken[place] = len(notices)
        return new
