"""A key binding as data: what the key does, how it is written, and what it needs."""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Literal

from benchwatch.screen.preferences import Preferences
from benchwatch.snapshot import Snapshot

Capability = Literal[
    "trimmer", "operator", "counters", "bench", "player", "sound", "typed", "compare",
]  # fmt: skip
"""Capability of a bench that a key can need: ``trimmer``: keys can turn a trimmer; ``operator``:
counters take commands; ``counters``: there are several; ``bench``: the watch is live; ``player``: a
recording is played; ``sound``: there is a sound output; ``typed``: a person types the readings;
``compare``: counters on one signal can be compared."""

KEY_CELLS = 12
"""Cells for the label of a key in lists of keys."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyBinding:
    """The keys that run one action, and how they are written."""

    id: str
    keys: tuple[str, ...]
    """Names of the keys in the terminal library."""
    label: str
    """How the key is written for people; ``Left/Right`` also stands for the next binding."""
    footer: str = ""
    """One or two words for the footer; empty: the key is only in the help."""
    action: str = ""
    """The action, for the command line: short enough for one row of a small screen."""
    help: str = ""
    """A sentence for the help; empty: the sentence of another key covers this one."""
    needs: Capability | None = None
    footer_label: str = ""
    """How the footer writes the key where it stands for a range of keys, such as ``1-5``."""
    changes: Callable[[Preferences, Snapshot], Preferences] | None = None
    """The action, if it only changes preferences: (preferences, snapshot) -> preferences."""
    scrolls: int = 0
    """Entries by which it scrolls the view's list; negative: towards its beginning."""


def capabilities(
    *,
    trimmer: bool,
    operator: bool,
    counters: int,
    playing: bool,
    sound: bool,
    typed: bool = False,
    compare: bool = False,
) -> frozenset[Capability]:
    """Return the capabilities of a bench; `counters`: the number of its counters."""
    present: dict[Capability, bool] = {
        "trimmer": trimmer,
        "operator": operator,
        "counters": counters > 1,
        "bench": not playing,
        "player": playing,
        "sound": sound,
        "typed": typed,
        "compare": compare,
    }
    return frozenset(name for name, is_present in present.items() if is_present)


def pressed_key(name: str, among: Collection[KeyBinding]) -> KeyBinding | None:
    """Return the binding of the key that the terminal library calls `name`; None: there is none."""
    return next((key for key in among if name in key.keys), None)
