"""Every key, as data: what it does, how it is shown, and where it works."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

Need = Literal["trimmer", "counters"]
"""``trimmer``: one that can be turned from here; ``counters``: more than one."""


@dataclass(frozen=True, slots=True)
class Key:
    """One thing a key does."""

    id: str
    keys: tuple[str, ...]
    """Names of the keys, as the terminal library calls them."""
    shown: str
    """How the key is written for people."""
    short: str
    """One or two words for the footer; empty: only in the help."""
    help: str
    """A sentence for the help overlay."""
    views: tuple[str, ...] = ()
    """Views in which it works; none named: all."""
    needs: Need | None = None
    """Only when the bench has this."""


KEYS = (
    Key("leave", ("q",), "q", "quit", "End the watch; what was read stays in the journal."),
    Key("explain", ("h", "question_mark"), "h", "help", "Say what this view shows."),
    Key("note", ("m",), "m", "mark", "Put a note on the time line; Enter alone marks the moment."),
    Key("shorter", ("z",), "z", "zoom in", "Show a shorter time on the strip chart.", ("trim",)),
    Key("longer", ("Z", "x"), "x", "zoom out", "Show a longer time on the chart.", ("trim",)),
    Key(
        "next_counter", ("n",), "n", "next counter",
        "Look at the next counter of the bench.", needs="counters",
    ),
    Key(
        "fine_down", ("left",), "Left/Right", "turn fine",
        "Turn the trimmer a little: Left lowers the frequency, Right raises it.",
        ("trim",), needs="trimmer",
    ),
    Key("fine_up", ("right",), "Right", "", "", ("trim",), needs="trimmer"),
    Key(
        "coarse_down", ("down",), "Down/Up", "turn coarse",
        "Turn the trimmer ten times as far: Down lowers the frequency, Up raises it.",
        ("trim",), needs="trimmer",
    ),
    Key("coarse_up", ("up",), "Up", "", "", ("trim",), needs="trimmer"),
    Key(
        "tool", ("space",), "Space", "tool on/off",
        "Rest the tool on the trimmer, or lift it; its pull moves the frequency.",
        ("trim",), needs="trimmer",
    ),
)  # fmt: skip


def keys_for(view: str, have: Collection[Need]) -> list[Key]:
    """List the keys that do something in `view` on a bench that has `have`."""
    return [
        key
        for key in KEYS
        if (not key.views or view in key.views) and (key.needs is None or key.needs in have)
    ]
