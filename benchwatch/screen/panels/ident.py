"""The ident of the unit under test, as it is written in the top row and the headline."""

from benchwatch.screen.drawing.styled_text import Role, StyledLine, line, safe
from benchwatch.snapshot import Snapshot

IDENT_CELLS = 24
"""Most characters of an ident that are shown."""


def subject(snapshot: Snapshot) -> str:
    """Return the ident of the unit under test, or the counter's name while that is not known."""
    visit = snapshot.visit
    return visit.unit if visit is not None and visit.unit else snapshot.counter


def ident_line(text: str, cut: str) -> StyledLine:
    """Write an ident in at most `IDENT_CELLS` cells; `cut` shows that its end is missing."""
    row = line((safe(text), Role.STRONG))
    return row if row.width <= IDENT_CELLS else row.fit(IDENT_CELLS, cut)
