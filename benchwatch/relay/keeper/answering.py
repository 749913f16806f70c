"""Makes the answers to a station of what became of its messages."""

from collections.abc import Iterator, Sequence
from typing import Any

from benchwatch.central_record.batches import Outcome
from benchwatch.relay.answers import MOST_ANSWERED, Answer, Refusal, encode_answer


def answers(outcome: Outcome) -> Iterator[bytes]:
    """Yield the payloads that tell a station what is committed and what was refused.

    Usually it is one; more of them if it asked for more than an answer may hold.
    """
    runs, taken = tuple(outcome.runs.items()), tuple(outcome.taken)
    chains = tuple(outcome.chains.items())
    refused = tuple(
        Refusal(run=one.run, chain=one.chain, after=one.after, to=one.to, why=one.why)
        for one in outcome.refused
    )
    longest = max(map(len, (runs, taken, chains, refused)))
    for first in range(0, longest, MOST_ANSWERED):
        some_runs = _part(runs, first)
        some_chains = _part(chains, first)
        yield encode_answer(
            Answer(
                runs=some_runs,
                chains=some_chains,
                refused=_part(refused, first),
                taken=_part(taken, first),
                ended=tuple(key for key, _ in some_runs if key in outcome.ended),
                entries_last=tuple(
                    (chain, outcome.entries_last[chain])
                    for chain, _ in some_chains
                    if chain in outcome.entries_last
                ),
            )
        )


def _part(items: Sequence[Any], first: int) -> tuple[Any, ...]:
    return tuple(items[first : first + MOST_ANSWERED])
