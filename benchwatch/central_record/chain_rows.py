"""Writes the entries of registers in an open transaction, after their hashes were checked."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.batches import EntryBatch, Outcome, Refused, SentEntries
from benchwatch.central_record.column_arrays import number_array, optional_text_array, text_array
from benchwatch.register.register_entry import RegisterEntry, entry_hash

if TYPE_CHECKING:
    import psycopg

ChainName = tuple[str, str]
"""Station and chain."""

_LOCK: Final = """
    SELECT c.station, c.chain, c.chain_id, c.has_all_to FROM benchwatch.chains AS c
    JOIN unnest(%s::text[], %s::text[]) AS asked (station, chain)
        ON c.station = asked.station AND c.chain = asked.chain
    ORDER BY c.chain_id FOR NO KEY UPDATE OF c"""

# By a statement of its own: one that waited for the lock of another keeper has the row that this
# one wrote meanwhile, but not its entries.
_LAST_HASHES: Final = """
    SELECT e.chain_id, e.hash FROM benchwatch.entries AS e
    JOIN unnest(%s::int4[], %s::int8[]) AS n (chain_id, number)
        ON e.chain_id = n.chain_id AND e.number = n.number"""

_INSERT: Final = """
    INSERT INTO benchwatch.chains (station, chain)
    SELECT * FROM unnest(%s::text[], %s::text[]) ON CONFLICT (station, chain) DO NOTHING"""

_INSERT_ENTRIES: Final = """
    INSERT INTO benchwatch.entries
        (chain_id, number, at, who, kind, unit, visit, amends, document, hash)
    SELECT * FROM unnest(%s::int4[], %s::int8[], %s::text[], %s::text[], %s::text[], %s::text[],
        %s::text[], %s::text[], %s::text[], %s::text[]) ON CONFLICT DO NOTHING"""

_PROGRESS: Final = """
    UPDATE benchwatch.chains AS c SET has_all_to = greatest(c.has_all_to, n.upto)
    FROM unnest(%s::int4[], %s::int8[]) AS n (chain_id, upto) WHERE c.chain_id = n.chain_id"""


@dataclass(slots=True)
class _Chain:
    """A chain of the group, with its row locked."""

    chain_id: int
    has_all_to: int
    last_hash: str = ""
    """Of the last entry that the record has; empty: it has none."""
    entries: list[RegisterEntry] = field(default_factory=list)


def write_chains(
    connection: "psycopg.Connection[Any]", sent: Sequence[SentEntries]
) -> tuple[dict[str, Outcome], list[tuple[SentEntries, str]]]:
    """Write the entries that follow from what is there; batches of a chain in their order.

    Returns:
        What each station is answered, and the batches that were refused, with the reasons.

    Raises:
        psycopg.Error: the transaction failed.
        ValueError: a value can't be written.
    """
    chains = _locked(connection, dict.fromkeys((one.station, one.batch.chain) for one in sent))
    refused: list[tuple[SentEntries, str]] = []
    for one in sent:
        chain = chains[one.station, one.batch.chain]
        if one.batch.after <= chain.has_all_to:
            why = _take(chain, one.batch)
            if why is not None:
                refused.append((one, why))
    grown = [chain for chain in chains.values() if chain.entries]
    if grown:
        _write_entries(connection, grown)
        ids, ends = [chain.chain_id for chain in grown], [chain.has_all_to for chain in grown]
        connection.execute(_PROGRESS, (number_array(ids), number_array(ends)))
    outcomes: dict[str, Outcome] = {}
    for (station, name), chain in chains.items():
        outcome = outcomes.setdefault(station, Outcome())
        outcome.chains[name] = chain.has_all_to
        if chain.last_hash:
            outcome.entries_last[name] = chain.last_hash
    for one, why in refused:
        batch = one.batch
        outcomes[one.station].refused.append(
            Refused(chain=batch.chain, after=batch.after, to=batch.to, why=why)
        )
    return outcomes, refused


def _locked(
    connection: "psycopg.Connection[Any]", names: Iterable[ChainName]
) -> dict[ChainName, _Chain]:
    """Lock the rows of chains, and make those that are not there yet."""
    asked = list(names)
    chains = _lock(connection, asked)
    new = sorted(set(asked) - chains.keys())
    if new:
        connection.execute(_INSERT, _name_arrays(new))
        chains |= _lock(connection, new)
    by_id = {chain.chain_id: chain for chain in chains.values()}
    last = [chain.has_all_to for chain in by_id.values()]
    for chain_id, last_hash in connection.execute(
        _LAST_HASHES, (number_array(list(by_id)), number_array(last))
    ):
        by_id[chain_id].last_hash = last_hash
    return {name: chains[name] for name in asked}


def _lock(
    connection: "psycopg.Connection[Any]", names: Sequence[ChainName]
) -> dict[ChainName, _Chain]:
    return {
        (station, chain): _Chain(chain_id, has_all_to)
        for station, chain, chain_id, has_all_to in connection.execute(_LOCK, _name_arrays(names))
    }


def _name_arrays(names: Sequence[ChainName]) -> tuple[str, str]:
    return text_array([name[0] for name in names]), text_array([name[1] for name in names])


def _take(chain: _Chain, batch: EntryBatch) -> str | None:
    """Add the entries that are new; return why one does not belong to the chain."""
    new = [entry for entry in batch.entries if entry.number > chain.has_all_to]
    last_hash = chain.last_hash
    for entry in new:
        if entry.hash != entry_hash(last_hash, entry):
            return (
                f"entry {entry.number} does not follow from the entries before it: its hash is "
                "another one. The register was changed, or two registers have one chain"
            )
        last_hash = entry.hash
    if new:
        chain.entries += new
        chain.has_all_to, chain.last_hash = new[-1].number, last_hash
    return None


def _write_entries(connection: "psycopg.Connection[Any]", chains: Sequence[_Chain]) -> None:
    entries = [entry for chain in chains for entry in chain.entries]
    connection.execute(
        _INSERT_ENTRIES,
        (
            number_array([chain.chain_id for chain in chains for _ in chain.entries]),
            number_array([entry.number for entry in entries]),
            text_array([entry.at for entry in entries]),
            text_array([entry.who for entry in entries]),
            text_array([entry.kind for entry in entries]),
            optional_text_array([entry.unit for entry in entries]),
            optional_text_array([entry.visit for entry in entries]),
            optional_text_array([entry.amends for entry in entries]),
            text_array([entry.document for entry in entries]),
            text_array([entry.hash for entry in entries]),
        ),
    )
