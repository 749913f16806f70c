"""The command line: finds actions of keys by words of their description, and settings by name."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final, Literal, get_args

from benchwatch.plan import SETTING_FORMS, VISIT_ACTIONS, VISIT_FORMS, Setting, VisitChange
from benchwatch.quantity import printable
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


@dataclass(frozen=True, slots=True)
class VisitCommand:
    """The command to change the visit; some changes take a text."""

    change: VisitChange
    text: str = ""


ChainChange = Literal["prove", "record proof", "use proof", "drop proof"]
"""What the operator may say of the measuring chain."""
CHAIN_FORMS: Final[dict[ChainChange, str]] = {
    "prove": "Compare counters: prove ten spare",
    "record proof": "Put the comparison on record",
    "use proof": "Correct readings by the comparison",
    "drop proof": "Correct readings by it no more",
}
"""What each of these does; names of counters may follow the first."""


@dataclass(frozen=True, slots=True)
class ChainCommand:
    """The command to compare counters, or to use what a comparison says."""

    action: ChainChange
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CounterCommand:
    """The command to show a counter."""

    name: str


@dataclass(frozen=True, slots=True)
class CounterChoice:
    """A counter that a typed command can show."""

    name: str
    unit: str = ""
    """Ident of the unit under test; empty: it has none."""
    state: str = ""
    """Its state, in a word or a few."""


COUNTER = "counter"
"""The word that names a counter to show."""


@dataclass(frozen=True, slots=True)
class CheckCommand:
    """The command to check the unit at other dial settings."""

    text: str = ""
    """A setting, ``all`` or ``stop``; empty: the next ones of the list."""


@dataclass(frozen=True, slots=True)
class SaveCommand:
    """The command to save what the view shows as a picture."""

    path: str = ""
    """As typed; empty: a name is made."""


@dataclass(frozen=True, slots=True)
class ReportCommand:
    """The command to issue the report on the visit of the counter."""

    path: str = ""
    """As typed; empty: a name is made."""


REPORT_NAME = "report"
REPORT_FORM = "Issue the report on this visit: report, report NAME.pdf"
SAVE_NAME = "save"
SAVE_FORM = "Save this view as a picture: save, or save NAME.svg, NAME.png"
CHECK_NAME = "check"
CHECK_FORMS = "Check the output: the list, or such as 100MHz; all, stop"
Command = (
    KeyCommand
    | SettingCommand
    | VisitCommand
    | ChainCommand
    | CounterCommand
    | CheckCommand
    | SaveCommand
    | ReportCommand
)
TYPED_WHOLE = (
    SettingCommand, VisitCommand, ChainCommand, CounterCommand, CheckCommand, SaveCommand,
    ReportCommand,
)  # fmt: skip
"""Commands that are named by the typed line itself, and not found by its words."""


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
    typed: str,
    views: ViewList,
    view: View,
    available: Collection[Capability],
    counters: Sequence[CounterChoice] = (),
) -> list[Suggestion]:
    """List the commands for `typed` in `view`: those with all its words, and settings with a value.

    Counters of several come with the word counter and a part of their name or unit. Keys of other
    views come last, and only once something has been typed.
    """
    found: list[Suggestion] = []
    if "operator" in available:
        found = [*_settings(typed), *_visit_changes(typed), *_checks(typed), *_reports(typed)]
    found += _chain_changes(typed) if "compare" in available else []
    found = [*_counters(typed, counters), *found]
    found += [_key(key) for key in views.keys_in(view, available) if key.action]
    found += _saves(typed)
    if typed:
        elsewhere = views.keys_elsewhere(view, available)
        found += [_key(key, views.view_for(key)) for key in elsewhere if key.action]
    words = typed.lower().split()
    return [
        one
        for one in found
        if isinstance(one.command, TYPED_WHOLE)
        or all(word in f"{one.name} {one.text} {one.also}".lower() for word in words)
    ]


def _key(key: KeyBinding, view: View | None = None) -> Suggestion:
    """Return the suggestion for a key; `view`: the view to change to first."""
    name = key.label.partition("/")[0] or key.label
    where, text = ("", key.action) if view is None else (view.name, f"{view.title}: {key.action}")
    return Suggestion(name=name, text=text, command=KeyCommand(key.id, where), also=key.help)


def _counters(typed: str, counters: Sequence[CounterChoice]) -> list[Suggestion]:
    """Return the counters that `typed` names by name or unit; without a word, how to name one.

    One that has just the name comes first, then those that begin with it, then the others.
    """
    first, _, rest = typed.strip().partition(" ")
    wanted = rest.strip().lower()
    if not counters or not COUNTER.startswith(first.lower()):
        return []
    if not wanted:
        form = f"show one by its name, such as: {COUNTER} {printable(counters[0].name, 16)}"
        return [Suggestion(name=COUNTER, text=form, command=None)] if first else []
    ranked = []
    for one in counters:
        words = [word.lower() for word in (one.name, one.unit) if word]
        ranks = (
            [word == wanted for word in words],
            [word.startswith(wanted) for word in words],
            [wanted in word for word in words],
        )
        rank = next((place for place, hits in enumerate(ranks) if any(hits)), None)
        if rank is not None:
            ranked.append((rank, one))
    return [
        Suggestion(name=COUNTER, text=_choice_words(one), command=CounterCommand(one.name))
        for _, one in sorted(ranked, key=lambda ranked_one: ranked_one[0])
    ]


def _choice_words(one: CounterChoice) -> str:
    unit = f", unit {printable(one.unit, 20)}" if one.unit and one.unit != one.name else ""
    return f"Show {printable(one.name, 20)}{unit}: {one.state}"


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


def _checks(typed: str) -> list[Suggestion]:
    """Return the check that `typed` names: with a setting, or with the next of the list."""
    first, _, rest = typed.strip().partition(" ")
    if not CHECK_NAME.startswith(first.lower()):
        return []
    rest = rest.strip()
    text = f"Check the output at {rest}" if rest else CHECK_FORMS
    command = CheckCommand(rest) if first else None
    return [Suggestion(name=CHECK_NAME, text=text, command=command)]


def _saves(typed: str) -> list[Suggestion]:
    """Return the command to save the view, under a typed name or one that is made."""
    first, _, rest = typed.strip().partition(" ")
    if not SAVE_NAME.startswith(first.lower()):
        return []
    rest = rest.strip()
    text = f"Save this view as {printable(rest)}" if rest else SAVE_FORM
    command = SaveCommand(rest) if first else None
    return [Suggestion(name=SAVE_NAME, text=text, command=command)]


def _reports(typed: str) -> list[Suggestion]:
    """Return the command to issue the report, under a typed name or one that is made."""
    first, _, rest = typed.strip().partition(" ")
    if not REPORT_NAME.startswith(first.lower()):
        return []
    rest = rest.strip()
    text = f"Issue the report on this visit as {printable(rest)}" if rest else REPORT_FORM
    command = ReportCommand(rest) if first else None
    return [Suggestion(name=REPORT_NAME, text=text, command=command)]


def _visit_changes(typed: str) -> list[Suggestion]:
    """Return the changes of the visit that `typed` names; those without a value while it has none.

    The words of the line may be shortened: ``not lid on`` is a note.
    """
    words = typed.split()
    listed = []
    for change, form in (VISIT_FORMS | VISIT_ACTIONS).items():
        names = change.split()
        first, rest = words[: len(names)], " ".join(words[len(names) :])
        begins = all(
            name.startswith(word.lower()) for name, word in zip(names, first, strict=False)
        )
        if change in VISIT_FORMS and rest and begins:
            command = VisitCommand(change, rest)
            listed.append(Suggestion(name=change, text=f"Put down: {rest}", command=command))
        elif change in VISIT_FORMS and not rest and begins:
            listed.append(Suggestion(name=change, text=form, command=None))
        elif change in VISIT_ACTIONS and not rest and begins:
            listed.append(Suggestion(name=change, text=form, command=VisitCommand(change)))
    return listed


def _chain_changes(typed: str) -> list[Suggestion]:
    """Return what may be said of the measuring chain that `typed` begins or names."""
    words = typed.split()
    listed = []
    for action, form in CHAIN_FORMS.items():
        names = action.split()
        first, rest = words[: len(names)], tuple(words[len(names) :])
        begins = all(
            name.startswith(word.lower()) for name, word in zip(names, first, strict=False)
        )
        if not begins or (rest and action != "prove"):
            continue
        text = f"Compare {', '.join(rest)}" if rest else form
        listed.append(Suggestion(name=action, text=text, command=ChainCommand(action, rest)))
    return listed
