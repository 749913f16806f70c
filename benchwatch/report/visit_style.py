"""The form of the documents of visits and units."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from benchwatch.clock import dated_second
from benchwatch.register.register_entry import short_name
from benchwatch.register.visit import Visit

NAMELESS: Final = "-"
"""Stands for the unit of a visit that has none yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitStyle:
    """The form in which a front end shows these documents."""

    moment: Callable[[float], str]
    """Writes a time in Unix seconds."""
    day: Callable[[float], str]
    """Writes the date of it."""
    now_utc_s: float
    own_chain: str | None
    """Visits of this chain are called by their number alone."""
    second: Callable[[float], str] = dated_second
    """Writes a time in Unix seconds to the second, where events are closer than a minute."""

    def label(self, visit: Visit) -> str:
        """Return what a visit is called."""
        return short_name(visit.name, self.own_chain)

    def entry(self, name: str) -> str:
        """Return what an entry is called."""
        return short_name(name, self.own_chain)
