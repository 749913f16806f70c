"""Every key, as data: what it does, how it is shown, and where it works."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from benchwatch.quantity import OFFSET_UNITS

Capability = Literal["trimmer", "operator", "counters", "bench", "player", "sound"]
"""``trimmer``: one that can be turned from here; ``operator``: a watch that can be told
things; ``counters``: more than one; ``bench``: a live one; ``player``: a recording that is
played; ``sound``: it can be heard."""


@dataclass(frozen=True, slots=True)
class KeyBinding:
    """One thing a key does."""

    id: str
    keys: tuple[str, ...]
    """Names of the keys, as the terminal library calls them."""
    shown: str
    """How the key is written for people."""
    short: str
    """One or two words for the footer; empty: only in the help."""
    act: str
    """What it does, for the command line: short enough for one row of a small screen."""
    help: str
    """A sentence for the help overlay; empty: said with another key."""
    views: tuple[str, ...] = ()
    """Views in which it works; none named: all."""
    needs: Capability | None = None
    """Only when the bench has this."""
    foot: str = ""
    """How the footer writes the key, when it speaks for its neighbours too."""


_TRIMS = ("trim", "fill")

KEYS = (
    KeyBinding("leave", ("q",), "q", "quit", "Leave the screen",
        "Leave the screen; what the journal holds stays."),
    KeyBinding("explain", ("h",), "h", "help", "Say what this view shows",
        "Say what this view shows."),
    KeyBinding("list_keys", ("question_mark",), "?", "keys", "List every key", "List every key."),
    KeyBinding("view_1", ("1",), "1", "view", "Show the trim", "Show the trim.", foot="1-5"),
    KeyBinding("view_2", ("2",), "2", "", "Show the warm-up", "Show the warm-up."),
    KeyBinding("view_3", ("3",), "3", "", "Show the stability", "Show the stability."),
    KeyBinding("view_4", ("4",), "4", "", "Show the offset elsewhere",
        "Show the offset elsewhere: other frequencies, clocks."),
    KeyBinding("view_5", ("5",), "5", "", "Show the notes",
        "Show the notes: marks and everything that happened."),
    KeyBinding("note", ("m",), "m", "mark", "Put a mark on the time line",
        "Put a mark on the time line, with a word or without."),
    KeyBinding("tool", ("space",), "Space", "tool", "Tool on the trimmer, or off",
        "Say that the tool is on the trimmer, or off; a simulated one rests it and lifts it.",
        _TRIMS, "bench"),
    KeyBinding("pause", ("space",), "Space", "pause", "Stop the recording, or let it go on",
        "Stop the recording, or let it go on.", needs="player"),
    KeyBinding("command", ("colon", "ctrl+p"), ":", "command", "",
        "Do anything by typing a word of it."),
    KeyBinding("fill", ("f",), "f", "fill", "Fill the screen with the number, or not",
        "Fill the screen with number and scale, or not.", _TRIMS),
    KeyBinding("unit", ("u",), "u", "unit", "Show fractions in the next unit",
        f"Show fractions in {', '.join(unit.name for unit in OFFSET_UNITS)}, or by size."),
    KeyBinding("found", ("a",), "a", "as found", "Record the offset as found",
        "Record the present offset as found.", _TRIMS, "operator"),
    KeyBinding("left", ("l",), "l", "as left", "Record the offset as left",
        "Record the present offset as left.", _TRIMS, "operator"),
    KeyBinding("budget", ("b",), "b", "records", "Show what was recorded",
        "Show what was recorded, with its budget."),
    KeyBinding("back", ("left",), "Left/Right", "10 s", "Go back 10 s",
        "Go ten seconds back in the recording, or ahead.", needs="player"),
    KeyBinding("ahead", ("right",), "Right", "", "Go ahead 10 s", "", needs="player"),
    KeyBinding("far_back", ("left_square_bracket",), "[/]", "far",
        "Go back a twentieth of the recording",
        "Go a twentieth of the recording back, or ahead.", needs="player"),
    KeyBinding("far_ahead", ("right_square_bracket",), "]", "", "Go ahead a twentieth of it", "",
        needs="player"),
    KeyBinding("to_begin", ("home",), "Home/End", "", "Go to the recording's beginning",
        "Go to the beginning of the recording, or its end.", needs="player"),
    KeyBinding("to_end", ("end",), "End", "", "Go to the recording's end", "", needs="player"),
    KeyBinding("go_to", ("g",), "g", "go to", "Go to a time of the recording",
        "Go to a time of the recording: 90s, 12min.", needs="player"),
    KeyBinding("slower", ("down",), "Down/Up", "speed", "Play slower",
        "Play the recording slower, or faster.", needs="player"),
    KeyBinding("faster", ("up",), "Up", "", "Play faster", "", needs="player"),
    KeyBinding("mute", ("v",), "v", "sound", "Switch the sound off, or on again",
        "Switch the sound off, or on again.", needs="sound"),
    KeyBinding("quieter", ("minus",), "-/+", "volume", "Turn the volume down",
        "Turn the volume down, or up.", needs="sound"),
    KeyBinding("louder", ("plus", "equals_sign"), "+", "", "Turn the volume up", "", needs="sound"),
    KeyBinding("shorter", ("z",), "z/x", "zoom", "Show a shorter time on the chart",
        "Show a shorter time on the strip chart, or a longer.", ("trim",)),
    KeyBinding("longer", ("x",), "x", "", "Show a longer time on the chart", "", ("trim",)),
    KeyBinding("fine_down", ("left",), "Left/Right", "turn", "Turn the trimmer down a little",
        "Turn the trimmer a little: Left lowers the frequency, Right raises it.",
        _TRIMS, "trimmer"),
    KeyBinding("fine_up", ("right",), "Right", "", "Turn the trimmer up a little", "",
        _TRIMS, "trimmer"),
    KeyBinding("coarse_down", ("down",), "Down/Up", "coarse",
        "Turn the trimmer down ten times as far",
        "Turn the trimmer ten times as far: Down lowers the frequency, Up raises it.",
        _TRIMS, "trimmer"),
    KeyBinding("coarse_up", ("up",), "Up", "", "Turn the trimmer up ten times as far", "",
        _TRIMS, "trimmer"),
    KeyBinding("time_axis", ("t",), "t", "time axis", "Draw time evenly, or its logarithm",
        "Draw time evenly, or its logarithm.", ("warm_up",)),
    KeyBinding("close", ("c",), "c", "closer", "Draw the late part closer, or all",
        "Draw the offsets of late closer, or all there were.", ("warm_up",)),
    KeyBinding("set_settle", ("s",), "s", "settle limit", "Change what settled means",
        "Change what settled means: 1ppb/10min.", ("warm_up",), "operator"),
    KeyBinding("drift_out", ("d",), "d", "drift in/out", "Take a straight drift out, or not",
        "Take a straight drift out of the deviations, or not.", ("stability",)),
    KeyBinding("whole_run", ("w",), "w", "whole run", "Show the whole run, or its last part",
        "Show the whole run, or what came since the last nudge or settling.", ("stability",)),
    KeyBinding("kind", ("k",), "k", "kind", "Show the next kind of deviation",
        "Show the next kind of deviation.", ("stability",)),
    KeyBinding("older", ("pagedown",), "PgDn/PgUp", "scroll", "Scroll to older notes",
        "Scroll to older notes, or to newer.", ("notes",)),
    KeyBinding("newer", ("pageup",), "PgUp", "", "Scroll to newer notes", "", ("notes",)),
    KeyBinding("next_counter", ("n",), "n", "counter", "Look at the next counter",
        "Look at the next counter of the bench.", needs="counters"),
)  # fmt: skip

VIEW_KEYS = tuple(key.id for key in KEYS if key.id.startswith("view_"))


def keys_for(view: str, capabilities: Collection[Capability]) -> list[KeyBinding]:
    """List the keys that do something in `view` on a bench that has `capabilities`."""
    return [key for key in _on_a_bench(capabilities) if not key.views or view in key.views]


def keys_elsewhere(view: str, capabilities: Collection[Capability]) -> list[KeyBinding]:
    """List the keys that do something in other views than `view` only."""
    return [key for key in _on_a_bench(capabilities) if key.views and view not in key.views]


def pressed_key(name: str, among: Collection[KeyBinding]) -> KeyBinding | None:
    """Return the one that the terminal library's `name` of a key stands for, if any does."""
    return next((key for key in among if name in key.keys), None)


def _on_a_bench(capabilities: Collection[Capability]) -> list[KeyBinding]:
    return [key for key in KEYS if key.needs is None or key.needs in capabilities]
