"""Names of stations, and the two that stand for the keeper and the desk.

A name is a level of the topics, a certificate's common name and the name of a folder; so it holds
only what is harmless in all three, and has one spelling.
"""

import re
from typing import Final

from benchwatch.errors import UsageError
from benchwatch.quantity import printable

KEEPER: Final = "keeper"
DESK: Final = "desk"
RESERVED: Final = frozenset({KEEPER, DESK})
"""Names that the access list of the broker gives other rights than a station's."""
LONGEST: Final = 63
"""Characters of a name, as of a label of a host name."""
PATTERN: Final = "^[a-z0-9][a-z0-9-]{0,62}$"
"""Form of a name, for a schema; the names of `RESERVED` have it too."""
_NAME: Final = re.compile(PATTERN.strip("^$"))


def is_station_name(name: str) -> bool:
    """Return whether a station may have this name."""
    return _NAME.fullmatch(name) is not None and name not in RESERVED


def check_station_name(name: str) -> str:
    """Return a name that a station may have.

    Raises:
        UsageError: it may not.
    """
    if name in RESERVED:
        raise UsageError(
            f"no station may be called {name}: that name has the rights of the {name}. "
            "Choose another one."
        )
    if not is_station_name(name):
        raise UsageError(
            f"'{printable(name, 70)}' is no name for a station: 1 to {LONGEST} small letters, "
            "digits and hyphens, no hyphen first, such as tide-007."
        )
    return name
