"""The declaration of each deviation: one record each, from which all else about it follows.

The computation (`deviations`, `deviation_table`), its limits (`confidence`), the choices of
``stability --deviations``, the live deviations and the table of the docs are derived from these
records alone.
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

LARGEST_ALPHA: Final = 2
"""Exponent of white phase noise; every deviation converges for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviationKind:
    """A deviation: how phase is differenced, and the properties of the result.

    Raises:
        ValueError: a combination that is not implemented.
    """

    name: str
    """As in the handbook (NIST SP 1065), in lower case."""
    meaning: str
    """For the docs, as short as a cell of a table."""
    order: Literal[2, 3] = 2
    """Order of the difference of phase: 3 for the Hadamard kind, blind to constant drift."""
    overlapping: bool = True
    """Differences start at every reading; else at every m-th."""
    modified: bool = False
    """Phase is averaged over the averaging time first."""
    reflected: bool = False
    """The run is prolonged by its own reflection at both ends (the total kind), which makes it
    biased; the bias is computed."""
    time: bool = False
    """A time error, τ/√3 times the root of the variance, in seconds; else a fraction."""
    corrected: bool = False
    """The effect of dead time between readings is known, and is corrected."""
    live: bool = False
    """Updated with each reading of a live run, and shown on the screen."""

    def __post_init__(self) -> None:
        """Raise ValueError for a combination that is not implemented."""
        if self.reflected and (self.order, self.overlapping, self.modified) != (2, True, False):
            raise ValueError(f"{self.name}: only overlapping second differences are reflected.")
        if self.corrected and (self.modified or self.reflected):
            raise ValueError(f"{self.name}: no correction for dead time is published.")
        running = self.overlapping and not (self.reflected or self.time)
        if self.live and not (running and (self.order == 2 or not self.modified)):
            raise ValueError(f"{self.name}: it does not grow reading by reading.")

    @property
    def lowest_alpha(self) -> int:
        """Exponent of the reddest noise for which it converges (NIST SP 1065)."""
        return -4 if self.order == 3 else -2

    @property
    def differences(self) -> tuple[int, bool, bool, bool]:
        """Properties that determine the variance; kinds with equal ones share one variance."""
        return self.order, self.overlapping, self.modified, self.reflected

    def span(self, m: int) -> int:
        """Return how many intervals one difference takes at averaging factor `m`."""
        return (self.order + 1) * m - 1 if self.modified else self.order * m

    def scale(self, tau_s: float) -> float:
        """Return what the root of the variance at averaging time `tau_s` is multiplied by."""
        return tau_s / math.sqrt(3) if self.time else 1.0


DEVIATION_KINDS: Final = (
    DeviationKind(
        name="adev",
        meaning="Allan deviation",
        overlapping=False,
        corrected=True,
    ),
    DeviationKind(
        name="oadev",
        meaning="overlapping Allan deviation",
        corrected=True,
        live=True,
    ),
    DeviationKind(
        name="mdev",
        meaning="modified Allan deviation",
        modified=True,
        live=True,
    ),
    DeviationKind(
        name="tdev",
        meaning="time deviation",
        modified=True,
        time=True,
    ),
    DeviationKind(
        name="hdev",
        meaning="Hadamard deviation",
        order=3,
        overlapping=False,
        corrected=True,
    ),
    DeviationKind(
        name="ohdev",
        meaning="overlapping Hadamard deviation",
        order=3,
        corrected=True,
        live=True,
    ),
    DeviationKind(
        name="totdev",
        meaning="total deviation",
        reflected=True,
    ),
)
DEVIATIONS: Final = {kind.name: kind for kind in DEVIATION_KINDS}
NAMES: Final = tuple(DEVIATIONS)
LIVE_KINDS: Final = tuple(kind for kind in DEVIATION_KINDS if kind.live)
