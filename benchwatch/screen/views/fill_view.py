"""Fill: one number and the scale over the whole screen, to be read from two metres."""

from benchwatch.screen.drawing.large_digits import large, size_for
from benchwatch.screen.drawing.styled_text import StyledLine, faded, fitting, line
from benchwatch.screen.frame import Frame, Panel, always
from benchwatch.screen.panels import status_text
from benchwatch.screen.panels.headline import arrow, side_word
from benchwatch.screen.panels.large_offset import one_figure
from benchwatch.screen.panels.progress_rows import judge_line
from benchwatch.screen.panels.scale import scale
from benchwatch.screen.panels.shared_rows import TALL_HEIGHT, hazard_line
from benchwatch.screen.print_charts import offsets_print_chart
from benchwatch.screen.shared_keys import AS_FOUND_KEY, AS_LEFT_KEY, TOOL_KEY, TURNING_KEYS
from benchwatch.screen.view import View
from benchwatch.screen.views.trim_view import judge_rows


def large_word(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the side or the way to go in large letters, with the whole sentence below."""
    word, role = side_word(frame)
    sign = arrow(frame)
    word = f"{word} {sign}" if sign else word
    size = size_for(width - 2, rows - 1, word, frame.theme)
    direction, rests = status_text.direction_words(frame), status_text.rest_words(frame)
    sentence = fitting(width, direction + line(f"   {rests}"), direction) if rests else direction
    sentence = sentence.centred(width)
    if size is None:
        return [sentence]
    letters = large(word, size, frame.theme.glyphs, role)
    drawing = [row.centred(width) for row in letters]
    return [*(faded(drawing) if frame.stale else drawing), sentence]


def word_rows(_frame: Frame, _width: int, height: int) -> int:
    """Return the rows of the large word."""
    return 1 if height < 20 else 4 if height < 28 else 6 if height < 44 else 11


def scale_rows(_frame: Frame, _width: int, height: int) -> int:
    """Return the rows of the scale."""
    return 4 if height < 24 else 5 if height < TALL_HEIGHT else 7


FILL_VIEW = View(
    name="fill",
    title="Fill",
    about="one number, one word and the scale over the whole screen",
    key="f",
    footer="fill",
    action="Fill the screen with the number, or not",
    action_help="Fill the screen with number and scale, or not.",
    parent="trim",
    panels=(
        Panel(draw=one_figure, rows=always(4), fills=True),
        Panel(draw=large_word, rows=word_rows),
        Panel(draw=scale, rows=scale_rows),
        Panel(draw=judge_line, rows=judge_rows),
        Panel(draw=hazard_line, rows=always(1), drop_order=1),
    ),
    help=(
        (
            "The trim with nothing but the offset, the direction and the scale, as large as they "
            "go. What each means is said in the help of the trim; {view_fill} goes back there."
        ),
    ),
    keys=(TOOL_KEY, AS_FOUND_KEY, AS_LEFT_KEY, *TURNING_KEYS),
    print_chart=offsets_print_chart,
)
