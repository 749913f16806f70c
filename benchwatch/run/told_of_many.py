"""One sentence in place of one for each of many counters that share a fate."""

from collections.abc import Sequence
from typing import Final, NamedTuple

MOST_SENTENCES: Final = 6
"""So many counters have a sentence each; more that share a fate have one together."""
NAMED: Final = 3
"""Counters that such a sentence names."""


class Told(NamedTuple):
    """What is said of one counter."""

    name: str
    alone: str
    """The whole sentence."""
    together: str
    """What is said of several counters, behind their names; the same for all that share it."""


def told_of_many(told: Sequence[Told]) -> list[str]:
    """Return the sentences on counters, in their order; of many with one fate only one."""
    shared: dict[str, list[str]] = {}
    for one in told:
        shared.setdefault(one.together, []).append(one.name)
    sentences = []
    for one in told:
        names = shared[one.together]
        if len(names) <= MOST_SENTENCES:
            sentences.append(one.alone)
        elif one.name == names[0]:
            first = ", ".join(names[:NAMED])
            sentences.append(
                f"{len(names)} counters ({first} and {len(names) - NAMED} more): {one.together}"
            )
    return sentences
