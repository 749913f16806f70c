"""The keys that work in every view or in several views, for `benchwatch.screen.view`.

The keys of one view are declared with the view.
"""

from benchwatch.quantity import OFFSET_UNITS
from benchwatch.reading import AS_FOUND, AS_LEFT
from benchwatch.screen.key_binding import KeyBinding

QUIT_KEY = KeyBinding(
    id="leave",
    keys=("q",),
    label="q",
    footer="quit",
    action="Leave the screen",
    help="Leave the screen; what the journal holds stays. On a page like this: close it.",
)
HELP_KEY = KeyBinding(
    id="explain",
    keys=("h",),
    label="h",
    footer="help",
    action="Say what this view shows",
    help="Say what this view shows.",
)
LIST_KEYS_KEY = KeyBinding(
    id="list_keys",
    keys=("question_mark",),
    label="?",
    footer="keys",
    action="List every key",
    help="List every key.",
)
TAKE_READING_KEY = KeyBinding(
    id="take_reading",
    keys=("enter",),
    label="Enter",
    footer="take reading",
    action="Take the typed reading",
    help=(
        "Take the reading on the entry line. Type what the counter shows: a digit, a sign, a point "
        "or a comma begins the line, and then all that is typed goes onto it, blanks and a unit "
        "such as MHz too. Letters and Space are keys on an empty line only. Backspace takes back a "
        "character, Esc all."
    ),
    needs="typed",
)
CLEAR_ENTRY_KEY = KeyBinding(
    id="clear_entry",
    keys=("escape",),
    label="Esc",
    footer="clear",
    action="Clear the entry line",
    help="Clear the entry line.",
    needs="typed",
)
END_TYPING_KEY = KeyBinding(
    id="end_typing",
    keys=("ctrl+d",),
    label="Ctrl-D",
    action="End the typing, and leave the screen",
    help="End the typing, and leave the screen as {leave} does.",
    needs="typed",
)
NEXT_VIEW_KEY = KeyBinding(
    id="next_view",
    keys=("tab",),
    label="Tab",
    action="Show the next view",
    help="Show the next view, or with {previous_view} the one before.",
)
PREVIOUS_VIEW_KEY = KeyBinding(
    id="previous_view",
    keys=("shift+tab",),
    label="Shift-Tab",
    action="Show the view before",
)
MARK_KEY = KeyBinding(
    id="note",
    keys=("m",),
    label="m",
    footer="mark",
    action="Put a mark on the time line",
    help="Put a mark on the time line, with a word or without.",
)
TOOL_KEY = KeyBinding(
    id="tool",
    keys=("space",),
    label="Space",
    footer="tool",
    action="Tool on the trimmer, or off",
    help="Say that the tool is on the trimmer, or off; on a simulated bench this also moves it.",
    needs="bench",
)
PAUSE_KEY = KeyBinding(
    id="pause",
    keys=("space",),
    label="Space",
    footer="pause",
    action="Pause the recording, or continue it",
    help="Pause the recording, or continue it.",
    needs="player",
)
COMMAND_KEY = KeyBinding(
    id="command",
    keys=("colon", "ctrl+p"),
    label=":",
    footer="command",
    help="Run any command by typing a word of it.",
)
UNIT_KEY = KeyBinding(
    id="unit",
    keys=("u",),
    label="u",
    footer="ppb",
    action="Show fractions in ppm, ppb or smaller",
    help=f"Show fractions in {', '.join(unit.name for unit in OFFSET_UNITS)}, or by size.",
)
AS_FOUND_KEY = KeyBinding(
    id="found",
    keys=("a",),
    label="a",
    footer=AS_FOUND,
    action="Record the offset as found",
    help="Record the present offset as found.",
    needs="operator",
)
AS_LEFT_KEY = KeyBinding(
    id="left",
    keys=("l",),
    label="l",
    footer=AS_LEFT,
    action="Record the offset as left",
    help="Record the present offset as left.",
    needs="operator",
)
RECORDS_KEY = KeyBinding(
    id="budget",
    keys=("b",),
    label="b",
    footer="records",
    action="Show what was recorded",
    help="Show what was recorded, with its budget.",
)
PLAYBACK_KEYS = (
    KeyBinding(
        id="back",
        keys=("left",),
        label="Left/Right",
        footer="10 s",
        action="Go back 10 s",
        help="Go ten seconds back in the recording, or ahead.",
        needs="player",
    ),
    KeyBinding(
        id="ahead",
        keys=("right",),
        label="Right",
        action="Go ahead 10 s",
        needs="player",
    ),
    KeyBinding(
        id="far_back",
        keys=("left_square_bracket",),
        label="[/]",
        footer="5 %",
        action="Go back a twentieth of the recording",
        help="Go a twentieth of the recording back, or ahead.",
        needs="player",
    ),
    KeyBinding(
        id="far_ahead",
        keys=("right_square_bracket",),
        label="]",
        action="Go ahead a twentieth of it",
        needs="player",
    ),
    KeyBinding(
        id="to_begin",
        keys=("home",),
        label="Home/End",
        action="Go to the recording's beginning",
        help="Go to the beginning of the recording, or its end.",
        needs="player",
    ),
    KeyBinding(
        id="to_end",
        keys=("end",),
        label="End",
        action="Go to the recording's end",
        needs="player",
    ),
    KeyBinding(
        id="go_to",
        keys=("g",),
        label="g",
        footer="go to",
        action="Go to a time of the recording",
        help="Go to a time of the recording: 90s, 12min.",
        needs="player",
    ),
    KeyBinding(
        id="slower",
        keys=("down",),
        label="Down/Up",
        footer="speed",
        action="Play slower",
        help="Play the recording slower, or faster.",
        needs="player",
    ),
    KeyBinding(
        id="faster",
        keys=("up",),
        label="Up",
        action="Play faster",
        needs="player",
    ),
)
SOUND_KEYS = (
    KeyBinding(
        id="mute",
        keys=("v",),
        label="v",
        footer="sound",
        action="Switch the sound off, or on again",
        help="Switch the sound off, or on again.",
        needs="sound",
    ),
    KeyBinding(
        id="quieter",
        keys=("minus",),
        label="-/+",
        footer="volume",
        action="Turn the volume down",
        help="Turn the volume down, or up.",
        needs="sound",
    ),
    KeyBinding(
        id="louder",
        keys=("plus", "equals_sign"),
        label="+",
        action="Turn the volume up",
        needs="sound",
    ),
)
TURNING_KEYS = (
    KeyBinding(
        id="fine_down",
        keys=("left",),
        label="Left/Right",
        footer="turn",
        action="Turn the trimmer down a little",
        help="Turn the trimmer a little: {fine_down} lowers the frequency, {fine_up} raises it.",
        needs="trimmer",
    ),
    KeyBinding(
        id="fine_up",
        keys=("right",),
        label="Right",
        action="Turn the trimmer up a little",
        needs="trimmer",
    ),
    KeyBinding(
        id="coarse_down",
        keys=("down",),
        label="Down/Up",
        footer="coarse",
        action="Turn the trimmer down ten times as far",
        help=(
            "Turn the trimmer ten times as far: {coarse_down} lowers the frequency, {coarse_up} "
            "raises it."
        ),
        needs="trimmer",
    ),
    KeyBinding(
        id="coarse_up",
        keys=("up",),
        label="Up",
        action="Turn the trimmer up ten times as far",
        needs="trimmer",
    ),
)
NEXT_COUNTER_KEY = KeyBinding(
    id="next_counter",
    keys=("n",),
    label="n/N",
    footer="counter",
    action="Show the next counter",
    help=(
        "Show the next counter of the bench in the same view, or with {previous_counter} the one "
        "before."
    ),
    needs="counters",
)
PREVIOUS_COUNTER_KEY = KeyBinding(
    id="previous_counter",
    keys=("N",),
    label="N",
    action="Show the counter before",
    needs="counters",
)
