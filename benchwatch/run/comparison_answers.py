"""Which answers of comparisons are new, and worth a line."""

from collections.abc import Sequence
from typing import Final

from benchwatch.snapshot import ComparisonNow

SHORTEST_PAUSE_S: Final = 10.0
"""Time between two lines of one comparison, but for the last one."""

_Answer = tuple[object, ...]


class AnswersToTell:
    """Picks out the comparisons whose answer has changed since they were last told."""

    def __init__(self) -> None:
        self._told: dict[tuple[str, ...], tuple[float, _Answer]] = {}
        """By group: when it was told last, seconds of the run, and the answer."""

    def new(
        self, comparisons: Sequence[ComparisonNow], *, at_end: bool = False
    ) -> list[ComparisonNow]:
        """Return those to tell now: with a new answer, and at the end every one."""
        found = []
        for now in comparisons:
            answer = _answer(now)
            at_s, told = self._told.get(now.counters, (float("-inf"), ()))
            has_changed = bool(answer) and answer != told
            if at_end or (has_changed and now.elapsed_s - at_s >= SHORTEST_PAUSE_S):
                self._told[now.counters] = now.elapsed_s, answer
                found.append(now)
        return found


def _answer(now: ComparisonNow) -> _Answer:
    """Return what a comparison says without its numbers; empty while it says nothing."""
    result = now.result
    if result is None or result.agree is None:
        return ()
    return (
        result.agree,
        tuple(pair.agree for pair in result.pairs),
        result.time_bases,
        tuple((claim.base.counter, claim.against, claim.seen) for claim in result.claims),
    )
