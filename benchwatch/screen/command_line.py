"""The command line: anything a key does, found by a word of it, and settings by name."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import get_args

from benchwatch.plan import SETTING_FORMS, Setting
from benchwatch.screen.frame import View
from benchwatch.screen.key_bindings import Capability, KeyBinding, keys_elsewhere, keys_for
from benchwatch.screen.views.view_list import view_of


@dataclass(frozen=True, slots=True)
class KeyCommand:
    """Do what a key does."""

    key: str
    """Its id."""
    view: str = ""
    """Where to go for it; empty: it works here."""


@dataclass(frozen=True, slots=True)
class SettingCommand:
    """Change a setting to what was typed."""

    setting: Setting
    text: str


Command = KeyCommand | SettingCommand


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A line of the list under the command line."""

    name: str
    """A key, or a setting."""
    text: str
    """What it does, or how it is written."""
    command: Command | None
    """None while something still has to be typed."""
    also: str = ""
    """Further words it is found by."""


def suggestions(typed: str, view: str, capabilities: Collection[Capability]) -> list[Suggestion]:
    """List what `typed` can mean; every word of it must be found in an offer.

    What works in other views only is offered to who types a word of it, behind the rest.
    """
    found = [
        *(_settings(typed) if "operator" in capabilities else ()),
        *(_press(key) for key in keys_for(view, capabilities) if key.act),
        *(
            _press(key, view_of(key))
            for key in keys_elsewhere(view, capabilities)
            if key.act and typed
        ),
    ]
    words = typed.lower().split()
    return [
        offer
        for offer in found
        if isinstance(offer.command, SettingCommand)
        or all(word in f"{offer.name} {offer.text} {offer.also}".lower() for word in words)
    ]


def _press(key: KeyBinding, view: View | None = None) -> Suggestion:
    name = key.shown.partition("/")[0]
    if view is None:
        return Suggestion(name, key.act, KeyCommand(key.id), key.help)
    return Suggestion(name, f"{view.title}: {key.act}", KeyCommand(key.id, view.name), key.help)


def _settings(typed: str) -> list[Suggestion]:
    first, _, rest = typed.strip().partition(" ")
    listed = []
    for setting in get_args(Setting):
        if rest and setting.startswith(first.lower()):
            text = f"Set it to {rest.strip()}"
            listed.append(Suggestion(setting, text, SettingCommand(setting, rest.strip())))
        elif not rest:
            listed.append(Suggestion(setting, f"such as {SETTING_FORMS[setting]}", None))
    return listed
