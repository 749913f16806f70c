"""Every view in every state, as kept text: look at the difference before keeping a new one."""

import re
from dataclasses import replace

import bench_kit
import pytest
import screen_kit as kit
from chain_kit import made_comparison, made_result
from check_kit import Stage, checks_now

from benchwatch.counter import LinkStatus, TimeBase
from benchwatch.estimate.results import (
    Estimate,
    Nudge,
    Numbers,
    OffsetCycle,
    Rest,
    Settle,
    SettleHistory,
    Tolerance,
)
from benchwatch.estimate.trim.landing import LandingNow
from benchwatch.estimate.trim.learned_turns import TurnSizes
from benchwatch.estimate.trim.mean_pull import MeanPull
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.estimate.trim.trim_hint import Hint, Judgement
from benchwatch.run.bench_ranking import BenchTrouble
from benchwatch.screen.drawing.styled_text import line
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.frame import Panel, always, drawn, stack
from benchwatch.screen.panels.shared_rows import BOTTOM_PANELS, TOP_PANELS
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.view import View, ViewList, all_panels, picture
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.snapshot import (
    ComparisonNow,
    Playback,
    ProofInUse,
    Records,
    ReferenceNow,
    Snapshot,
    Trace,
)

pytestmark = pytest.mark.long

SIZES = [(80, 24), (120, 36)]

NO_COUNTER = kit.snapshot(
    link=LinkStatus("connecting", kit.NOW_S - 3.0, "nobody answers at port 5025; next try in 4 s"),
    identity=None,
    time_base=TimeBase(),
    gate_s=None,
    reading=None,
    numbers=Numbers(),
    readings=0,
)
SETTLED = Settle("settled", kit.NOW_S - 130.0, None, reason="moves by 0.2 ppb in 10 min")
INSIDE = kit.numbers(
    estimate=Estimate(-2.4e-10, 8.6e-11, 14, 14.0),
    settle=SETTLED,
    tolerance=Tolerance(1e-9, inside=True),
    last_nudge=Nudge(kit.NOW_S - 14.4, -7.14e-9, 1.5e-10),
)
LAST_TURN = Nudge(kit.NOW_S - 61.4, -7.14e-9, 1.5e-10)
LANDED = replace(INSIDE, estimate=Estimate(-2.4e-10, 4.0e-11, 61, 61.0), last_nudge=LAST_TURN)
PASTS = {
    "settled": kit.trace(level=-2.4e-10),
    "landed": kit.trace(nudge_ago_s=61.4, level=-2.4e-10),
}
"""Traces of views whose trace is not the usual one."""
UNSURE = Settle("unsure", None, None, reason="noise too large: about 4 min more would tell")
CYCLING = Settle(
    "warming", None, None, reason="cycles by 4.2 ppb every 5 min, asked 1 ppb in 10 min",
    cycle=OffsetCycle(period_s=302.4, period_u=1.3, swing=4.21e-9, swing_u=6e-11),
)  # fmt: skip
MORNING_S = 34_000.0
MORNING = Settle(
    "settled", MORNING_S - 1500.0, None, reason="expected to move less than 0.1 ppb in 10 min",
    cycle=OffsetCycle(period_s=302.4, period_u=1.3, swing=2.1e-10, swing_u=6e-12),
    held=SettleHistory(3100.0, 29_800.0, -4.3e-10, 21_600.0, 2, 424.0),
)  # fmt: skip
STATES: dict[str, Snapshot] = {
    "bare": kit.snapshot(),
    "warming": kit.full_snapshot(),
    "ready": kit.full_snapshot(
        numbers=kit.numbers(settle=SETTLED),
        trim=kit.trim_now(
            judgement=Judgement(2.3e-10, 1.0, 0.0),
            hint=Hint(0.25, 0.06, -2.4e-9, 2.9e-10, of_usual=0.3),
            turns=TurnSizes(8.1e-9, 1.7e-9, 2.2e-9, None, None, 5),
        ),
    ),
    "settled": kit.full_snapshot(
        reading=kit.reading(-1.1e-10),
        numbers=INSIDE,
        warm_up=kit.warm_up(end=-1.9e-10, end_u=5e-11),
        trim=kit.trim_now(
            direction="inside",
            landing=LandingNow("holding", 12.0, 30.0, "inside; keep your hands off"),
            turn=INSIDE.last_nudge,
        ),
        logged_events=kit.logged_events(nudge=INSIDE.last_nudge),
    ),
    "landed": kit.full_snapshot(
        reading=kit.reading(-1.1e-10),
        numbers=LANDED,
        trim=kit.trim_now(
            direction="inside",
            judgement=Judgement(2e-10, 1.0, 0.0),
            tool=ToolState(on=False, since_s=kit.NOW_S - 63.0, pull=MeanPull(3.02e-9, 1.1e-10, 4)),
            landing=LandingNow("landed", 58.0, 30.0, "inside and staying there, hands off"),
            turn=LAST_TURN,
        ),
        records=Records(
            kit.record("as found", 6.93e-9),
            as_left=kit.record("as left", -2.4e-10, utc_s=1_935_000_000.0 + kit.NOW_S - 16.0),
        ),
        logged_events=kit.logged_events(nudge=LAST_TURN),
    ),
    "creeping": kit.full_snapshot(
        numbers=kit.numbers(rest=Rest(1.24e-9, 2.9e-10, 12.0, 11, 11.0)),
        trim=kit.trim_now(
            judgement=Judgement(2.3e-10, 0.62, 5.0), hint=Hint(0.25, 0.06, -1.24e-9, 2.9e-10)
        ),
    ),
    "unsure": kit.full_snapshot(numbers=kit.numbers(settle=UNSURE)),
    "tool_on": kit.full_snapshot(
        trim=kit.trim_now(
            direction="low",
            tool=ToolState(True, kit.NOW_S - 16.0, MeanPull(3.02e-9, 1.1e-10, 5)),
            left=7.1e-10,
            left_u=1.6e-10,
        )
    ),
    "touched": kit.full_snapshot(
        numbers=kit.numbers(settle=SETTLED),
        trim=kit.trim_now(
            judgement=Judgement(2.3e-10, 0.0, 9.0),
            hint=None,
            tool=ToolState(True, kit.NOW_S - 0.6, MeanPull(3.02e-9, 1.1e-10, 5)),
            touched=True,
        ),
    ),
    "reversing": kit.full_snapshot(
        numbers=kit.numbers(settle=SETTLED),
        trim=kit.trim_now(
            judgement=Judgement(2.3e-10, 1.0, 0.0),
            hint=Hint(-0.52, 0.06, 2.4e-9, 2.9e-10, of_usual=0.3, lost=3.9e-9),
            turns=TurnSizes(8.1e-9, 1.7e-9, 2.2e-9, 3.9e-9, 1.1e-9, 14),
        ),
    ),
    "first_touch": kit.full_snapshot(
        numbers=kit.numbers(settle=SETTLED),
        trim=kit.trim_now(
            direction="low",
            judgement=Judgement(2.3e-10, 1.0, 0.0),
            hint=None,
            tool=ToolState(True, kit.NOW_S - 6.0, first=MeanPull(3.02e-9, 1.1e-10, 1)),
            left=7.2e-10,
            left_u=1.6e-10,
        ),
    ),
    "stale": kit.full_snapshot(
        link=LinkStatus("silent", kit.NOW_S - 8.0, "no reading for 8 s; one is due every 1 s"),
        reading=kit.reading(2.46e-9, kit.NOW_S - 9.2),
    ),
    "no_counter": NO_COUNTER,
    "cycling": kit.full_snapshot(numbers=kit.numbers(settle=CYCLING)),
    "morning": kit.full_snapshot(
        reading=kit.reading(-1.1e-10, MORNING_S - 0.4),
        numbers=replace(INSIDE, settle=MORNING, last_nudge=None),
        warm_up=kit.warm_up(curve=Trace(), end=None, end_u=None),
        trim=kit.trim_now(direction="inside", turn=None),
    ),
    "internal": kit.full_snapshot(time_base=TimeBase("internal")),
    "far": kit.snapshot(
        reading=kit.reading(-3.1e-6),
        numbers=Numbers(estimate=Estimate(-3.2e-6, None, 1, 0.0)),
        nominal_hz=5e6,
    ),
}
REFERENCE = ReferenceNow(
    name="station reference", u=5e-12, expanded=1e-11, tolerance=1e-9, ratio=100.0
)
COMPARED: dict[str, ComparisonNow | None] = {
    "offered": None,
    "waits": ComparisonNow(counters=("main", "spare"), waits="waiting for readings of spare"),
    "agree": made_comparison(),
    "off": made_comparison(made_result({"main": (0.0, "external"), "spare": (-2e-7, "internal")})),
    "three": made_comparison(
        made_result(
            {"main": (0.0, "unknown"), "spare": (5e-9, "unknown"), "rack": (0.0, "unknown")}
        )
    ),
}
"""Comparisons that only the view of them shows, by state."""
PROOF = ProofInUse(against="spare", offset=-2e-7, u=1.2e-11)
CHECKS: dict[str, Stage] = {
    "checks_listed": "listed",
    "checks_dial": "dial",
    "checks_reading": "reading",
    "checks_back": "back",
}
STATES |= {state: kit.full_snapshot(checks=checks_now(stage)) for state, stage in CHECKS.items()}
STATES |= {
    state: kit.full_snapshot(
        reference=None if state == "offered" else REFERENCE,
        proof=PROOF if state == "off" else None,
    )
    for state in COMPARED
}
ABOUT = {
    "ascii": "in plain ASCII",
    "agree": "compared with a second counter, and they agree",
    "offered": "not compared; another counter has the same nominal",
    "off": "the other counter runs on its own time base, 0.2 ppm off; a correction in use",
    "three": "three counters, one of them off",
    "waits": "the other counter has not read anything yet",
    "creeping": "creeping after a nudge 14 s ago, and where it will rest",
    "bare": "only what every counter gives",
    "far": "far off, one reading, a 5 MHz nominal",
    "internal": "the counter runs on its own time base",
    "landed": "landed, as found and as left on record",
    "log": "against the logarithm of time",
    "cycling": "the thermostat makes it swing too far",
    "morning": "the morning after a night with two gaps",
    "no_counter": "nobody answers yet",
    "reversing": "a turn back, and the backlash that comes first",
    "ready": "settled, good enough to judge, the way left as a part of a usual nudge",
    "settled": "settled, inside, the hold of the landing running",
    "checks_listed": "four dial settings to check, none checked yet",
    "checks_dial": "the third of four settings is to be dialled; the first follows, the second not",
    "checks_reading": "readings gather at the third setting: it can't be told yet",
    "checks_back": "the checks are ended, and the unit is still dialled elsewhere",
    "stale": "no reading for 8 s, everything dim",
    "tool_on": "the tool rests on the trimmer: the way left is large; V is where to aim",
    "touched": "the tool was put on a moment ago: the way left is not known yet",
    "first_touch": "the tool rests on the trimmer for the first time; what it moved the offset by "
    "is where to aim",
    "unsure": "the noise is too large for a verdict",
    "warming": "warming up, four touches of the tool learned, a nudge 14 s ago",
}
"""The content of the pictures, in the order of their list."""
ASKED = ("warming", "settled", "unsure", "stale", "no_counter", "tool_on", "landed", "internal")
ONLY_THERE = {
    "cycling": ("warm_up", "stability"),
    "morning": ("warm_up",),
    **dict.fromkeys(COMPARED, ("chain",)),
    **dict.fromkeys(CHECKS, ("elsewhere",)),
}
LATER_VIEWS = [view for view in VIEWS.views if view.name != "trim" and not view.whole_bench]
SMALL = [("trim", state) for state in ("warming", "ready", "stale", "creeping")]
KEPT = [
    *(
        (view, state, size)
        for size in SIZES
        for view, state in (
            *(("trim", state) for state in STATES if state not in ONLY_THERE),
            *((view, state) for state, views in ONLY_THERE.items() for view in views),
            *(
                (view.name, state)
                for view in LATER_VIEWS
                for state in ASKED
                if view.name != "chain"
            ),
            ("chain", "stale"),
            ("notes", "bare"),
            ("fill", "creeping"),
            ("fill", "touched"),
        )
    ),
    *((view, state, (60, 18)) for view, state in SMALL),
    ("trim", "ascii", (80, 24)),
    ("stability", "ascii", (80, 24)),
    ("warm_up", "log", (80, 24)),
]
"""The pictures that are kept: view, state and size, without the rows of every view."""
HEADERS = ("warming", "stale", "no_counter", "internal")


def _frame(view: str, state: str, theme: Theme | None = None, **changes):
    shown = STATES[state]
    if shown.reading is None:
        changes["trace"] = Trace()
    elif state in PASTS and view != "warm_up":
        changes["trace"] = PASTS[state]
    if state in COMPARED:
        changes |= {"comparison": COMPARED[state], "names": ("main", "spare"), "compare": True}
        changes |= {"offered": ("main", "spare")}
    if state == "morning":
        changes.setdefault("now_s", MORNING_S)
    full = shown.trim is not None
    return kit.frame(
        shown, view=view, theme=theme or Theme(), trimmer=full, operator=full, **changes
    )


def _kept_frame(view: str, state: str):
    """Return the frame of a kept picture."""
    if state == "ascii":
        return _frame(view, "warming", Theme(ascii=True))
    if state == "log":
        return _frame(view, "warming", preferences=Preferences(log_time=True))
    return _frame(view, state)


@pytest.mark.parametrize(("view", "state", "size"), KEPT, ids=str)
def test_the_view_looks_as_kept(view, state, size):
    """The view's own rows in a fixed state, compared with the kept text."""
    made = _kept_frame(view, state)

    kit.compare(f"{view}_{state}_{size[0]}x{size[1]}", kit.own_rows(view, made, *size))


@pytest.mark.parametrize("size", [*SIZES, (60, 18)], ids=str)
def test_the_header_looks_as_kept(size):
    """The rows above every view: counter, tabs, identity, link, and faults."""
    trim = VIEWS.named("trim")
    frames = {state: _frame("trim", state) for state in HEADERS}
    lost, both = BenchTrouble("lost", ("spare",)), ("main", "spare")
    frames["two counters"] = _frame("trim", "warming", names=both, troubles=[lost])
    frames["the bench"] = bench_kit.bench_frame(bench_kit.every_state(), "ten")
    frames["one of a bench"] = bench_kit.bench_frame(bench_kit.every_state(), "ten", "stability")
    shown = {name: kit.panel_rows(trim, made, size, TOP_PANELS) for name, made in frames.items()}

    kit.compare(f"header_{size[0]}x{size[1]}", _titled(shown))


@pytest.mark.parametrize("size", [*SIZES, (60, 18)], ids=str)
def test_the_footer_looks_as_kept(size):
    """The rows below every view: its keys, live and for a recording."""
    played = kit.frame(
        STATES["warming"], playing=Playback(state="playing", at_s=90.0, length_s=600.0, speed=1.0)
    )
    frames = [
        (
            view.name,
            view,
            _frame(view.name, "warming", names=("main", "spare")[: 1 + view.whole_bench]),
        )
        for view in VIEWS.views
    ]
    frames.append(("recording", VIEWS.named("trim"), played))
    shown = {name: kit.panel_rows(view, made, size, BOTTOM_PANELS) for name, view, made in frames}

    kit.compare(f"footer_{size[0]}x{size[1]}", _titled(shown))


BENCHES = {
    "two": (lambda: bench_kit.every_state()[:2], {}),
    "six": (lambda: bench_kit.every_state()[:6], {}),
    "every_state": (bench_kit.every_state, {"selected": "spare"}),
    "two_hundred": (lambda: bench_kit.many(200), {"selected": "c123"}),
    "ascii": (bench_kit.every_state, {"theme": Theme(ascii=True)}),
}
"""Benches whose view is kept: makes the snapshots, and changes of the frame."""
ABOUT_BENCHES = {
    "two": "two counters, and the selected one large",
    "six": "six counters, one of them selected",
    "every_state": "a counter in each state, another selected",
    "two_hundred": "200 counters, one in the middle selected",
    "ascii": "in plain ASCII",
}
KEPT_BENCHES = [
    *((name, size) for name in BENCHES for size in SIZES),
    ("every_state", (60, 18)),
]


@pytest.mark.parametrize(("name", "size"), KEPT_BENCHES, ids=str)
def test_the_bench_looks_as_kept(name, size):
    """The whole picture, with what stands above and below."""
    make, changes = BENCHES[name]
    made = bench_kit.bench_frame(make(), **changes)
    drawn_bench = kit.text_of(picture(VIEWS.named("bench"), made, *size), made)

    kit.compare(f"bench_{name}_{size[0]}x{size[1]}", drawn_bench)


def test_a_counter_with_troubles_of_others_looks_as_kept():
    """The trim of one counter of many, as a whole picture."""
    made = bench_kit.bench_frame(bench_kit.every_state(), "synth", "trim")

    kit.compare(
        "trim_others_in_trouble_80x24",
        kit.text_of(picture(VIEWS.named("trim"), made, 80, 24), made),
    )


def _titled(shown: dict[str, str]) -> str:
    return "".join(f"-- {name}\n{text}" for name, text in shown.items())


def test_a_new_view_changes_no_picture_of_another():
    """With one more view there is one more tab; the rows of every other view stay as kept."""
    extra = View(
        name="extra",
        title="Extra view",
        about="nothing",
        key=str(len(VIEWS.tabs)),
        action="Show the extra view",
        panels=(
            Panel(draw=lambda _frame, _width, _rows: [line("extra")], rows=always(1), fills=True),
        ),
        help=("It shows nothing.",),
    )
    views = ViewList((*VIEWS.views, extra))

    tabs = kit.plain("trim", _frame("trim", "warming"), 80, 24, views).splitlines()[1]
    assert f"{extra.key} Extra view" in tabs
    for view, state, size in KEPT:
        name = f"{view}_{state}_{size[0]}x{size[1]}"
        assert kit.own_rows(view, _kept_frame(view, state), *size, views) == kit.kept(name), name


@pytest.mark.parametrize("view", VIEWS.views, ids=lambda view: view.name)
@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("ascii_only", [False, True])
def test_every_picture_fills_its_screen(view, state, ascii_only):
    """Every view in every state has exactly the rows and cells asked, ASCII where asked."""
    theme = Theme(ascii=ascii_only)
    made = _frame(view.name, state, theme)
    for size in ((60, 18), (80, 24), (120, 36), (200, 60), (40, 10), (30, 8), (1, 1)):
        rows = picture(view, made, *size)

        assert [row.width for row in rows] == [size[0]] * size[1]
        assert not ascii_only or all(theme.text(row.plain).isascii() for row in rows)


@pytest.mark.parametrize(("width", "height"), [(40, 10), (59, 30), (120, 17), (29, 5)])
@pytest.mark.parametrize("view", VIEWS.views, ids=lambda view: view.name)
def test_a_window_too_small_shows_only_the_size_needed(view, width, height):
    """One row, and no part of a picture."""
    rows = picture(view, _frame(view.name, "warming"), width, height)
    texts = [row.plain.strip() for row in rows if row.plain.strip()]

    assert len(texts) == 1
    assert texts[0].startswith("window too small: ")
    assert "needs 60x18" in texts[0]


@pytest.mark.parametrize("view", VIEWS.views, ids=lambda view: view.name)
@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("ascii_only", [False, True])
def test_cut_rows_have_a_sign(view, state, ascii_only):
    """Every row has room to spare or ends in the sign."""
    theme = Theme(ascii=ascii_only)
    made = _frame(view.name, state, theme)
    for size in ((60, 18), (80, 24), (120, 36)):
        for panel, rows in stack(all_panels(view), made, *size):
            whole = [row.plain.rstrip() for row in panel.draw(made, size[0], rows)]
            shown = [row.plain.rstrip() for row in drawn(panel, made, size[0], rows)]
            cut = [row for row, text in zip(shown, whole, strict=False) if row != text]

            assert all(row.endswith(theme.glyphs.cut) for row in cut)


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("ascii_only", [False, True])
def test_no_sentence_of_the_trim_is_cut_on_the_smallest_screen(state, ascii_only):
    """At 60x18 only the identity of the counter and a long fault may lose their end."""
    theme = Theme(ascii=ascii_only)
    made, panels = _frame("trim", state, theme), all_panels(VIEWS.named("trim"))[3:]
    rows = [row for one, rows in stack(panels, made, 60, 18) for row in one.draw(made, 60, rows)]

    assert not [row.plain for row in rows if row.width > 60]


ART = {chr(code) for code in range(0x2800, 0x2900)} | set("█▀▄─━┴┼├┤│±…")


@pytest.mark.parametrize("view", VIEWS.views, ids=lambda view: view.name)
@pytest.mark.parametrize("state", STATES)
def test_only_plain_characters_are_drawn(view, state):
    """ASCII, braille, a few blocks and rules, and ±: no emoji, no arrows, nothing wide."""
    rows = picture(view, _frame(view.name, state), 120, 36)
    drawn = {char for row in rows for char in row.plain if not char.isascii()}

    assert drawn <= ART


@pytest.mark.parametrize("view", [view.name for view in VIEWS.views])
def test_no_view_shows_a_number_in_bright_ink_while_stale(view):
    """Without readings all numbers are dim; only words of warning are not."""
    made = _frame(view, "stale")
    from benchwatch.screen.drawing.styled_text import Role

    bright = {
        text.strip()
        for panel in VIEWS.named(view).panels
        for row in panel.draw(made, 80, max(panel.rows(made, 80, 24), 6))
        for text, role in row.spans
        if role in {Role.STRONG, Role.ESTIMATE, Role.GOOD, Role.GOOD_LAMP, Role.OFF_LAMP}
    }

    assert not {text for text in bright if any(char.isdigit() for char in text)}


def test_the_tool_moves_the_band_to_the_aim():
    """With the tool on, band and V are at the offset that is zero once it is lifted."""
    from benchwatch.screen.panels.scale import scale

    made = replace(_frame("trim", "tool_on"), scale_full=5e-9)
    raw, ruler, _, _ = (row.plain for row in scale(made, 63, 4))

    assert raw.index("V") == 31 + round(30 * 3.02 / 5)
    assert ruler.index("━") == 31 + round(30 * 3.02 / 5) - round(30 * 1.0 / 5)
    assert ruler.index("┼") == 31


def index() -> str:
    """Return the list of all pictures, view by view."""
    text = INDEX_HEAD
    for view in VIEWS.views:
        text += f"\n## {view.title}: {view.about}\n\n| state | files |\n|---|---|\n"
        for state, about in ABOUT.items():
            sizes = sorted(size for name, one, size in KEPT if (name, one) == (view.name, state))
            files = ", ".join(
                f"[{width}x{height}]({view.name}_{state}_{width}x{height}.txt)"
                for width, height in sizes
            )
            text += f"| {about} | {files} |\n" if files else ""
        if view.whole_bench:
            for name, about in ABOUT_BENCHES.items():
                files = ", ".join(
                    f"[{width}x{height}](bench_{name}_{width}x{height}.txt)"
                    for one, (width, height) in KEPT_BENCHES
                    if one == name
                )
                text += f"| {about} | {files} |\n"
        if view.name == "trim":
            name = "trim_others_in_trouble_80x24.txt"
            text += f"| of one of several counters, whole | [80x24]({name}) |\n"
    return text


INDEX_HEAD = """# Captures of the screen

Text of every view in fixed states, at 80x24 and 120x36, some at 60x18; colours are not in them.
What stands above and below every view is kept once: [header_80x24.txt](header_80x24.txt),
[header_120x36.txt](header_120x36.txt), [header_60x18.txt](header_60x18.txt),
[footer_80x24.txt](footer_80x24.txt), [footer_120x36.txt](footer_120x36.txt),
[footer_60x18.txt](footer_60x18.txt). The tests of the screen compare what is drawn now with these.
After a change of the screen's pictures, write them and this list anew and read the difference:

```sh
BENCHWATCH_UPDATE_SNAPSHOTS=1 python -m pytest tests/screen/views/test_kept_pictures.py
```

[picture.txt](picture.txt) is no test: it is a capture of `benchwatch watch --sim --seed 7` in a
terminal of 120x36, settled, in the middle of a trim.
"""


def test_the_index_lists_every_capture():
    """The list beside the pictures has all of them, and no other."""
    listed = set(re.findall(r"[a-z_]+(?:_\d+x\d+)?\.txt", index()))

    kit.compare("README.md", index())
    assert listed == {path.name for path in kit.SNAPSHOTS.glob("*.txt")}
