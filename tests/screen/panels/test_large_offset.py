"""The large number is the one to act on: the offset; with the tool on, the way left to the aim."""

from dataclasses import replace

import screen_kit as kit

from benchwatch.counter import LinkStatus
from benchwatch.estimate.results import Numbers, Settle
from benchwatch.estimate.trim.mean_pull import MeanPull
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.screen.drawing.large_digits import SIZES, large
from benchwatch.screen.drawing.theme import UNICODE
from benchwatch.screen.panels.headline import side_word
from benchwatch.screen.panels.large_offset import acting_figures, left_pair, one_figure
from benchwatch.screen.panels.status_text import direction_words
from benchwatch.snapshot import Snapshot, TrimNow

SETTLED = kit.numbers(settle=Settle("settled", 1.0, None))
ON = ToolState(on=True, since_s=kit.NOW_S - 9.0, pull=MeanPull(3.02e-9, 1.1e-10, 5))


def _shown(**trim: object) -> Snapshot:
    now = replace(kit.trim_now(direction="low", tool=ON, left=7.1e-10, left_u=1.6e-10), **trim)  # type: ignore[arg-type]
    return kit.full_snapshot(numbers=SETTLED, trim=now)


def _text(rows: list) -> str:
    return "\n".join(row.plain for row in rows)


def test_with_the_tool_on_the_way_left_is_large():
    """In hertz and as a fraction, signed the way that the trimmer must go, with a label."""
    made = kit.frame(_shown())
    pair = left_pair(made)
    drawn = acting_figures(made, 80, 4)
    figure = [row.plain for row in large("+0.71", SIZES[-1], UNICODE)]

    assert pair is not None
    assert [(text.digits, text.u) for text in pair] == [("+0.0071", "0.0016"), ("+0.71", "0.16")]
    assert all(part in row.plain for part, row in zip(figure, drawn, strict=False))
    assert direction_words(made).plain == "to go to the aim; bring it up"
    assert side_word(made)[0] == "UP"


def test_above_the_aim_the_sign_is_minus():
    """A minus means that the frequency must go down."""
    made = kit.frame(_shown(direction="high", left=-7.1e-10))
    pair = left_pair(made)

    assert pair is not None
    assert pair[1].digits == "-0.71"
    assert direction_words(made).plain == "to go to the aim; bring it down"
    assert side_word(made)[0] == "DOWN"


def test_with_the_tool_off_the_offset_is_large():
    """As it was before the tool went on."""
    off = kit.frame(_shown(tool=replace(ON, on=False), direction="high"))
    figure = [row.plain for row in large("+2.31", SIZES[-1], UNICODE)]
    drawn = acting_figures(off, 80, 4)

    assert all(part in row.plain for part, row in zip(figure, drawn, strict=False))
    assert side_word(off)[0] == "HIGH"


def test_before_the_first_lift_the_offset_stays_large():
    """The pull of the tool is not known, and so no aim: the offset with the tool on is shown."""
    first = kit.frame(
        _shown(left=None, left_u=None, tool=ToolState(on=True, since_s=1.0), direction="high")
    )
    figure = [row.plain for row in large("+2.31", SIZES[-1], UNICODE)]
    drawn = acting_figures(first, 80, 4)

    assert all(part in row.plain for part, row in zip(figure, drawn, strict=False))
    assert "way left" not in _text(one_figure(first, 80, 6))


def test_an_unknown_way_left_is_said_in_words():
    """No way left from before is shown; the offset stands in plain characters."""
    made = kit.frame(_shown(touched=True))

    for text in (_text(acting_figures(made, 80, 4)), _text(one_figure(made, 80, 6))):
        assert "way left to the aim: not known" in text
        assert "the tool was just put on: wait for readings" in text
        assert "offset +2.31 ± 0.11 ppb" in text
    assert side_word(made)[0] not in {"UP", "DOWN"}


def test_without_readings_the_way_left_is_not_known():
    """A way left by old readings is none: the trimmer may have moved since."""
    silent = replace(_shown(), link=LinkStatus("silent", kit.NOW_S - 8.0))
    made = kit.frame(silent)

    assert "no readings come" in _text(acting_figures(made, 80, 4))


def test_while_it_still_moves_the_large_word_is_to_wait():
    """Neither UP nor DOWN is said before it is time to turn."""
    made = kit.frame(replace(_shown(), numbers=kit.numbers()))

    assert side_word(made)[0] == "WAIT"
    assert direction_words(made).plain == "to go to the aim; still moving: wait"


def test_a_counter_without_readings_has_no_figure():
    """The tool may be on before the first reading."""
    nothing = kit.snapshot(reading=None, numbers=Numbers(), trim=TrimNow(tool=ON))

    assert _text(acting_figures(kit.frame(nothing), 80, 4)).strip() == "no reading yet"
