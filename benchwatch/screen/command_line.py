"""The command line: anything a key does, found by a word of it, and settings by name."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final, get_args

from benchwatch.plan import Setting
from benchwatch.quantity import DURATION_FORMS, FRACTION_FORMS, FREQUENCY_FORMS, SETTLE_FORMS
from benchwatch.screen.drawing.frame import View
from benchwatch.screen.key_bindings import Key, Need, keys_elsewhere, keys_for
from benchwatch.screen.views.view_list import view_of

FORMS: Final[dict[Setting, str]] = {
    "nominal": FREQUENCY_FORMS,
    "tolerance": FRACTION_FORMS,
    "settle": SETTLE_FORMS,
    "gate": DURATION_FORMS,
}
"""How each setting is written."""


@dataclass(frozen=True, slots=True)
class Press:
    """Do what a key does."""

    key: str
    """Its id."""
    view: str = ""
    """Where to go for it; empty: it works here."""


@dataclass(frozen=True, slots=True)
class Change:
    """Change a setting to what was typed."""

    setting: Setting
    text: str


Command = Press | Change


@dataclass(frozen=True, slots=True)
class Offer:
    """A line of the list under the command line."""

    name: str
    """A key, or a setting."""
    text: str
    """What it does, or how it is written."""
    command: Command | None
    """None while something still has to be typed."""
    also: str = ""
    """Further words it is found by."""


def offers(typed: str, view: str, have: Collection[Need]) -> list[Offer]:
    """List what `typed` can mean; every word of it must be found in an offer.

    What works in other views only is offered to who types a word of it, behind the rest.
    """
    found = [
        *(_settings(typed) if "operator" in have else ()),
        *(_press(key) for key in keys_for(view, have) if key.act),
        *(_press(key, view_of(key)) for key in keys_elsewhere(view, have) if key.act and typed),
    ]
    words = typed.lower().split()
    return [
        offer
        for offer in found
        if isinstance(offer.command, Change)
        or all(word in f"{offer.name} {offer.text} {offer.also}".lower() for word in words)
    ]


def _press(key: Key, view: View | None = None) -> Offer:
    name = key.shown.partition("/")[0]
    if view is None:
        return Offer(name, key.act, Press(key.id), key.help)
    return Offer(name, f"{view.title}: {key.act}", Press(key.id, view.name), key.help)


def _settings(typed: str) -> list[Offer]:
    first, _, rest = typed.strip().partition(" ")
    listed = []
    for setting in get_args(Setting):
        if rest and setting.startswith(first.lower()):
            text = f"Set it to {rest.strip()}"
            listed.append(Offer(setting, text, Change(setting, rest.strip())))
        elif not rest:
            listed.append(Offer(setting, f"such as {FORMS[setting]}", None))
    return listed
