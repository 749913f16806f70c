"""The amendments of a visit: which entry each amends, what stood before, what stands instead."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchwatch.register.register_entry import RegisterEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class Amendment:
    """One amendment, and what stood before it."""

    entry: str
    """Name of its entry."""
    at: str
    """When it was written, ISO 8601 in UTC."""
    text: object
    """Why, as it was written."""
    amends: str
    """Name of the entry that it amends; the first one where that was amended before."""
    of_kind: str | None
    """Kind of that entry; None where it is missing."""
    before: Mapping[str, Any]
    """Object that stood before; empty where it is missing or was withdrawn."""
    after: Mapping[str, Any] | None
    """Object that stands instead; None: the entry is withdrawn."""
    unit_before: str | None
    unit_after: str | None


def amendments_of(entries: Sequence[RegisterEntry]) -> list[Amendment]:
    """Return the amendments among the entries of a visit, which are in the order of writing."""
    first = {entry.name: entry for entry in entries if entry.kind != "amendment"}
    newest: dict[str, Amendment] = {}
    found = []
    for entry in entries:
        if entry.kind != "amendment":
            continue
        amends = entry.amends or ""
        earlier, original = newest.get(amends), first.get(amends)
        document = entry.values().get("document")
        if earlier is not None:
            before, unit_before = earlier.after or {}, earlier.unit_after
        else:
            before = {} if original is None else original.values()
            unit_before = None if original is None else original.unit
        made = Amendment(
            entry=entry.name,
            at=entry.at,
            text=entry.values().get("reason"),
            amends=amends,
            of_kind=None if original is None else original.kind,
            before=before,
            after=document if isinstance(document, dict) else None,
            unit_before=unit_before,
            unit_after=entry.unit,
        )
        newest[amends] = made
        found.append(made)
    return found
