"""The command line: finds actions of keys by words of their description, and settings by name."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import get_args

from benchwatch.plan import SETTING_FORMS, Setting
from benchwatch.screen.key_binding import Capability, KeyBinding
from benchwatch.screen.view import View, ViewList


@dataclass(frozen=True, slots=True)
class KeyCommand:
    """The command to run the action of a key."""

    key: str
    """Id of the key binding."""
    view: str = ""
    """The view to change to first; empty: the key works in the present view."""


@dataclass(frozen=True, slots=True)
class SettingCommand:
    """The command to change a setting to a typed value."""

    setting: Setting
    text: str


Command = KeyCommand | SettingCommand


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """A row of the list under the command line."""

    name: str
    """Label of a key, or name of a setting."""
    text: str
    """Action of the key, or accepted forms of the setting's value."""
    command: Command | None
    """None while the value of a setting has not been typed."""
    also: str = ""
    """Further words to search in."""


def suggestions(
    typed: str, views: ViewList, view: View, available: Collection[Capability]
) -> list[Suggestion]:
    """List the commands for `typed` in `view`: those with all its words, and settings with a value.

    Keys of other views come last, and only once something has been typed.
    """
    found = list(_settings(typed) if "operator" in available else ())
    found += [_key(key) for key in views.keys_in(view, available) if key.action]
    if typed:
        elsewhere = views.keys_elsewhere(view, available)
        found += [_key(key, views.view_for(key)) for key in elsewhere if key.action]
    words = typed.lower().split()
    return [
        one
        for one in found
        if isinstance(one.command, SettingCommand)
        or all(word in f"{one.name} {one.text} {one.also}".lower() for word in words)
    ]


def _key(key: KeyBinding, view: View | None = None) -> Suggestion:
    """Return the suggestion for a key; `view`: the view to change to first."""
    name = key.label.partition("/")[0]
    where, text = ("", key.action) if view is None else (view.name, f"{view.title}: {key.action}")
    return Suggestion(name=name, text=text, command=KeyCommand(key.id, where), also=key.help)


def _settings(typed: str) -> list[Suggestion]:
    """Return the settings that `typed` sets to a value; without a value, all settings."""
    first, _, rest = typed.strip().partition(" ")
    listed = []
    for setting in get_args(Setting):
        if rest and setting.startswith(first.lower()):
            text = f"Set it to {rest.strip()}"
            command = SettingCommand(setting, rest.strip())
            listed.append(Suggestion(name=setting, text=text, command=command))
        elif not rest:
            text = f"such as {SETTING_FORMS[setting]}"
            listed.append(Suggestion(name=setting, text=text, command=None))
    return listed
