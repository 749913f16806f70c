"""The declaration of a view, from which its tab, keys, help and command-line name follow."""

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from benchwatch.configuration import KeyName
from benchwatch.screen import shared_keys as keys
from benchwatch.screen.drawing.styled_text import StyledLine
from benchwatch.screen.frame import Frame, Panel, Tab, drawn, stack
from benchwatch.screen.key_binding import Capability, KeyBinding
from benchwatch.screen.panels.shared_rows import BOTTOM_PANELS, TOP_PANELS
from benchwatch.screen.preferences import Preferences
from benchwatch.snapshot import Snapshot, Trace

if TYPE_CHECKING:
    from benchwatch.report.charts.chart import Chart


@dataclass(frozen=True, slots=True)
class ChartRange:
    """The times and offsets that a view's chart of offsets covers."""

    span_s: float
    """Seconds up to now."""
    whole: bool = False
    """Whether the axis covers all offsets of the span; else only those of its newer part."""
    curve: Trace = field(default_factory=Trace)
    """A further curve that the axis covers."""


def strip_chart_range(_snapshot: Snapshot, preferences: Preferences, _now_s: float) -> ChartRange:
    """Return the time span that the zoom keys chose."""
    return ChartRange(preferences.span_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """The declaration of one view, of a counter or of the whole bench."""

    name: str
    """Name in lower case, with underscores; on the command line with hyphens."""
    title: str
    about: str
    """The content of the view, in half a sentence."""
    key: str
    """A digit, in the order of the tabs; any key for another form of a view."""
    also: tuple[str, ...] = ()
    """Names of further keys that show it."""
    action: str
    """The action of its key, for the command line: short enough for one row of a small screen."""
    action_help: str = ""
    """The same as a sentence for the help; empty: `action` with a full stop."""
    panels: tuple[Panel, ...]
    help: tuple[str, ...]
    """Paragraphs of the help: what is shown, and how each number is defined."""
    keys: tuple[KeyBinding, ...] = ()
    """Keys that work here and not in every view, in the order of the footer."""
    chart: Callable[[Snapshot, Preferences, float], ChartRange] = strip_chart_range
    """Range of its chart of offsets: (snapshot, preferences, seconds of the run) -> range."""
    print_chart: "Callable[[Frame], Chart | None] | None" = None
    """Returns the chart that is saved of it, None without data; None: its rows are saved."""
    parent: str = ""
    """Name of the view of which this is another form, without a tab; its key switches both."""
    footer: str = ""
    """The word for its key in the footer; needed only for the key of another form."""
    length: Callable[[Frame], int] | None = None
    """Returns the number of entries of its list; None: it has no list that scrolls."""
    needs: Capability | None = None
    """What the bench must have for it; None: it is always there."""
    whole_bench: bool = False
    """Whether it draws all counters (`Frame.rows`, with one selected) and no history of one."""

    @property
    def key_id(self) -> str:
        """The id of the key binding that shows the view."""
        return f"view_{self.name}"

    @property
    def option(self) -> str:
        """The name of the view on the command line."""
        return self.name.replace("_", "-")


class ViewList:
    """The views of a screen in their order, and all keys."""

    def __init__(
        self, views: Sequence[View], changed: Mapping[str, tuple[KeyName, ...]] | None = None
    ) -> None:
        """List the views; the keys of those with tabs are consecutive digits.

        At least one must be there on every bench. `changed`: other keys by ids of actions.
        """
        self.views: Final = tuple(views)
        self.tabs: Final = tuple(view for view in views if not view.parent)
        forms = [view for view in views if view.parent]
        shared = (
            keys.TAKE_READING_KEY, keys.CLEAR_ENTRY_KEY,
            keys.QUIT_KEY, keys.HELP_KEY, keys.LIST_KEYS_KEY,
            *(self._tab_key(view) for view in self.tabs),
            keys.NEXT_VIEW_KEY, keys.PREVIOUS_VIEW_KEY, keys.END_TYPING_KEY,
            keys.MARK_KEY, keys.TOOL_KEY, keys.PAUSE_KEY, keys.COMMAND_KEY,
            *(_form_key(view) for view in forms),
            keys.UNIT_KEY, keys.AS_FOUND_KEY, keys.AS_LEFT_KEY, keys.RECORDS_KEY,
            *keys.PLAYBACK_KEYS, *keys.SOUND_KEYS,
        )  # fmt: skip
        own = dict.fromkeys(key for view in views for key in view.keys if key not in shared)
        stepping = (keys.NEXT_COUNTER_KEY, keys.PREVIOUS_COUNTER_KEY)
        self.keys: Final = with_keys((*shared, *own, *stepping), changed or {})
        """All keys, in the order of footer and help."""
        of_counters = tuple(view for view in views if not view.whole_bench)
        where = {
            key.id: tuple(view for view in views if key in view.keys)
            for view in views
            for key in view.keys
        } | {form.key_id: (self.named(form.parent), form) for form in forms}
        self._where: Final = where | {key.id: of_counters for key in stepping}
        """By id of each key that does not work in all views: the views in which it works."""
        self._own: Final = {view.name: {key.id for key in view.keys} for view in views}
        """By name of each view: the ids of the keys in its declaration."""
        self._own_names: Final = {
            view.name: frozenset(
                name
                for key in self.keys
                if view.whole_bench and key.id in self._own[view.name]
                for name in key.keys
            )
            for view in views
        }

    def with_keys(self, changed: Mapping[str, tuple[KeyName, ...]]) -> "ViewList":
        """Return these views with other keys for the actions whose ids are in `changed`."""
        return ViewList(self.views, changed)

    def help_of(self, view: View) -> tuple[str, ...]:
        """Return the paragraphs of a view's help, with the present keys in them."""
        labels = own_labels(self.keys)
        return tuple(_with_labels(paragraph, labels) for paragraph in view.help)

    def named(self, name: str) -> View:
        """Return the view called `name`, or the first that is there on every bench."""
        usual = next(view for view in self.views if view.needs is None)
        return next((view for view in self.views if view.name == name), usual)

    def keys_in(self, view: View, available: Collection[Capability]) -> list[KeyBinding]:
        """List the keys that have an effect in `view` on a bench with these capabilities.

        A further name of a key of all views gives way to a key of the view. In a view of the whole
        bench its own keys come first in the footer, and stand for all others of the same name.
        """
        here = [key for key in self._usable(available) if self._works_in(key, view)]
        ids = self._own[view.name]
        if not view.whole_bench:
            names = {name for key in here if key.id in ids for name in key.keys}
            return [key if key.id in ids else _without(key, names) for key in here]
        own, others = (
            [key for key in here if (key.id in ids) is is_own] for is_own in (True, False)
        )
        first = [key.id for key in others].index(keys.LIST_KEYS_KEY.id) + 1
        return [*others[:first], *own, *others[first:]]

    def keys_elsewhere(self, view: View, available: Collection[Capability]) -> list[KeyBinding]:
        """List the keys that have an effect only in other views than `view`."""
        return [key for key in self._usable(available) if not self._works_in(key, view)]

    def beside(self, view: View, steps: int, available: Collection[Capability]) -> View:
        """Return the view with a tab that is `steps` after `view`; after the last the first."""
        current, tabs = view.parent or view.name, self._tabs_there(available)
        place = next((at for at, one in enumerate(tabs) if one.name == current), 0)
        return tabs[(place + steps) % len(tabs)]

    def view_for(self, key: KeyBinding) -> View:
        """Return the first view in which a key works."""
        return next((view for view in self.views if self._works_in(key, view)), self.views[0])

    def keys_of(self, view: View) -> list[KeyBinding]:
        """List the keys that work in `view` and in no other."""
        own = self._own[view.name]
        return [key for key in self.keys if key.id in own and self._where[key.id] == (view,)]

    def tabs_for(self, view: View, available: Collection[Capability]) -> tuple[Tab, ...]:
        """Return the tabs while `view` is shown; another form of a view shares the view's tab."""
        current = view.parent or view.name
        return tuple(
            Tab(
                id=one.key_id,
                key="" if view.whole_bench and one is not view else one.key,
                title=one.title,
                current=one.name == current,
            )
            for one in self._tabs_there(available)
        )

    def _tabs_there(self, available: Collection[Capability]) -> list[View]:
        return [view for view in self.tabs if view.needs is None or view.needs in available]

    def _usable(self, available: Collection[Capability]) -> list[KeyBinding]:
        return [key for key in self.keys if key.needs is None or key.needs in available]

    def _works_in(self, key: KeyBinding, view: View) -> bool:
        if view not in self._where.get(key.id, (view,)):
            return False
        return key.id in self._own[view.name] or self._own_names[view.name].isdisjoint(key.keys)

    def _tab_key(self, view: View) -> KeyBinding:
        """Return the binding of a view with a tab.

        In the footer the first that is always there stands for all of them.
        """
        first = view is next(one for one in self.tabs if one.needs is None)
        return KeyBinding(
            id=view.key_id,
            keys=(view.key, *view.also),
            label=view.key,
            footer=view.footer or ("view" if first else ""),
            action=view.action,
            help=view.action_help or f"{view.action}.",
            footer_label=f"{view.key}-{self.tabs[-1].key}" if first else "",
            needs=view.needs,
        )


def own_labels(all_keys: Sequence[KeyBinding]) -> dict[str, str]:
    """Return the label of each key alone, by id: of the pair Left/Right each has its half."""
    return {
        key.id: key.label.removesuffix(f"/{after.label}") if after is not None else key.label
        for key, after in zip(all_keys, (*all_keys[1:], None), strict=True)
    }


def with_keys(
    usual: Sequence[KeyBinding], changed: Mapping[str, tuple[KeyName, ...]]
) -> tuple[KeyBinding, ...]:
    """Return all keys with their present names and labels, and these labels in their helps.

    In a help ``{note}`` stands for the label of the key with the id ``note``.
    """
    before = own_labels(usual)
    labels = before | {id_: names[0].label for id_, names in changed.items()}
    made = []
    for key, after in zip(usual, (*usual[1:], None), strict=True):
        label = labels[key.id]
        if after is not None and key.label == f"{before[key.id]}/{after.label}":
            label = f"{label}/{labels[after.id]}"
        names = tuple(one.name for one in changed[key.id]) if key.id in changed else key.keys
        made.append(replace(key, keys=names, label=label, help=_with_labels(key.help, labels)))
    return tuple(made)


def _with_labels(text: str, labels: Mapping[str, str]) -> str:
    return re.sub(r"\{(\w+)\}", lambda found: labels[found[1]], text)


def _without(key: KeyBinding, names: Collection[str]) -> KeyBinding:
    """Return a binding without those further names of keys that are in `names`."""
    first, *further = key.keys
    left = tuple(name for name in further if name not in names)
    return key if len(left) == len(further) else replace(key, keys=(first, *left))


def _form_key(view: View) -> KeyBinding:
    """Return the binding of another form of a view."""
    return KeyBinding(
        id=view.key_id,
        keys=(view.key,),
        label=view.key,
        footer=view.footer,
        action=view.action,
        help=view.action_help or f"{view.action}.",
    )


def all_panels(view: View) -> tuple[Panel, ...]:
    """Return the panels of a view between those that all views share."""
    return (*TOP_PANELS, *view.panels, *BOTTOM_PANELS)


def picture(view: View, frame: Frame, width: int, height: int) -> list[StyledLine]:
    """Draw a whole view as `height` lines of `width` cells."""
    lines = [
        row
        for panel, rows in stack(all_panels(view), frame, width, height)
        for row in drawn(panel, frame, width, rows)
    ]
    return (lines + [StyledLine().fit(width)] * height)[:height]
