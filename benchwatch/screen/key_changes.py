"""Other keys for the actions of the screen, as the user's configuration wants them.

A change is refused where two actions would have one key in the same view.
"""

from collections.abc import Mapping
from typing import Final, get_args

from benchwatch.config_tables import toml_string
from benchwatch.configuration import KEYS_TABLE, KeyName
from benchwatch.errors import UsageError
from benchwatch.screen.key_binding import Capability, KeyBinding
from benchwatch.screen.shared_keys import CLEAR_ENTRY_KEY, END_TYPING_KEY, TAKE_READING_KEY
from benchwatch.screen.view import View, ViewList, own_labels

FIXED_KEYS: Final = frozenset({"enter", "escape", *"0123456789"})
"""Keys that stay with their actions: pages, questions and the entry line need them too."""
FIXED_ACTIONS: Final = frozenset({TAKE_READING_KEY.id, CLEAR_ENTRY_KEY.id, END_TYPING_KEY.id})
_ALL: Final[frozenset[Capability]] = frozenset(get_args(Capability))
_KINDS_OF_BENCH: Final = (_ALL - {"player"}, _ALL - {"bench", "trimmer", "operator", "typed"})
"""Capabilities of a live watch and of a recording, as many as can be there together."""


def changeable(views: ViewList) -> list[KeyBinding]:
    """List the actions that may have other keys."""
    return [
        key for key in views.keys if key.id not in FIXED_ACTIONS and FIXED_KEYS.isdisjoint(key.keys)
    ]


def actions_by_id(views: ViewList) -> dict[str, tuple[str, str]]:
    """Return of each action that may have other keys, by its id: the usual key, and what it does.

    The key is written as in the configuration file.
    """
    labels = own_labels(views.keys)
    return {
        key.id: (toml_string(labels[key.id]), (key.action or key.help).rstrip("."))
        for key in changeable(views)
    }


def with_changed_keys(
    views: ViewList, wanted: Mapping[str, tuple[KeyName, ...]], where: str
) -> ViewList:
    """Return the views with other keys for some actions.

    Args:
        views: the views with their usual keys.
        wanted: the keys by the ids of the actions.
        where: the file that asks for them, for messages.

    Raises:
        UsageError: two actions would have one key in the same view.
    """
    if not wanted:
        return views
    changed = views.with_keys(wanted)
    for available in _KINDS_OF_BENCH:
        for view in views.views:
            if clash := _clash(views, changed, view, available, wanted):
                first, second, key = clash
                raise UsageError(
                    f"{where}: {KEYS_TABLE}.{first.id}: {_label(wanted[first.id], key)} is the key "
                    f"of {second.id} ({(second.action or second.help).rstrip('.').lower()}) in "
                    f"{view.title} too. Choose another, or give {second.id} another one."
                )
    return changed


def _clash(
    usual: ViewList,
    changed: ViewList,
    view: View,
    available: frozenset[Capability],
    wanted: Mapping[str, tuple[KeyName, ...]],
) -> tuple[KeyBinding, KeyBinding, str] | None:
    """Return a changed action, another one with its key in `view`, and the key's name; or None."""
    there = {key.id for key in usual.keys_in(view, available)}
    owners: dict[str, KeyBinding] = {}
    for key in changed.keys:
        if key.id not in there:
            continue
        for name in key.keys:
            other = owners.setdefault(name, key)
            if other is key or not {other.id, key.id} & wanted.keys():
                continue
            first, second = (key, other) if key.id in wanted else (other, key)
            return first, second, name
    return None


def _label(keys: tuple[KeyName, ...], name: str) -> str:
    return next(key.label for key in keys if key.name == name)
