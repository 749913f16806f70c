"""Words and drawings of the trim view, as plain text."""

import math
from dataclasses import replace
from typing import Any

import pytest
import screen_kit as kit

from benchwatch.counter import Identity, LinkStatus, TimeBase
from benchwatch.estimate.results import Estimate, Numbers, Settle, Tolerance
from benchwatch.reading import Mark
from benchwatch.screen.drawing.plot import FIGURE_CELLS
from benchwatch.screen.drawing.styled_text import Role
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.panels import status_text
from benchwatch.screen.panels.scale import scale
from benchwatch.screen.panels.shared_rows import HAZARDS, trouble_line, trouble_rows
from benchwatch.screen.panels.strip_chart import strip_chart
from benchwatch.screen.views.warm_up_view import curve_chart
from benchwatch.snapshot import ChecksNow, RelayNow, Trace


@pytest.mark.parametrize("name", ["trim"])
def test_the_smallest_screen_still_shows_all_that_matters(name: str):
    """At 60x18: both units, direction, scale, nudge, settle word, cautions and keys."""
    text = kit.plain(name, kit.frame(trimmer=True), 60, 18)

    for needed in (" Hz", " ppb", "high, still warming: wait", "┼", "last nudge", "[WARMING]",
                   HAZARDS[-1], "time base external", "reading 0.4 s old",
                   "q quit  h help  ? keys  1-6 view  m mark  Space tool"):  # fmt: skip
        assert needed in text


SETTLED = kit.snapshot(
    numbers=kit.numbers(settle=Settle("settled", kit.NOW_S - 130.0, None, reason="quiet"))
)


def _direction(settle: Settle | None = None, **changes: Any) -> str:
    changes = {"numbers": kit.numbers(), **changes}
    numbers = replace(changes["numbers"], settle=settle)
    return status_text.direction_words(
        kit.frame(kit.snapshot(**{**changes, "numbers": numbers}))
    ).plain


def test_direction_in_words():
    """High, low, inside, undecided: each in its own words."""
    low = kit.numbers(estimate=Estimate(-5e-9, 1e-10, 9, 9.0))
    inside = kit.numbers(tolerance=Tolerance(5e-9, inside=True))
    lost_in_noise = kit.numbers(estimate=Estimate(1e-11, 1e-10, 9, 9.0), tolerance=None)

    warming = kit.numbers().settle

    assert _direction() == "high, bring it down"
    assert _direction(warming) == "high, still warming: wait"
    assert _direction(warming, numbers=low) == "low, still warming: wait"
    assert _direction(numbers=low) == "low, bring it up"
    assert _direction(numbers=inside) == "inside ±5 ppb"
    assert _direction(numbers=lost_in_noise) == "on nominal, as far as can be told yet"
    assert _direction(numbers=Numbers()) == "no estimate yet"


@pytest.mark.parametrize("state", ["connecting", "silent", "lost", "ended"])
def test_no_direction_while_no_readings_come(state):
    """A stale number shows no direction, and all its rows are dim."""
    made = kit.frame(kit.snapshot(link=LinkStatus(state, kit.NOW_S - 12.0)))
    drawn = scale(made, 60, 4) + strip_chart(made, 60, 6)

    assert status_text.direction_words(made).plain == "no reading, so no direction"
    assert {role for row in drawn for _, role in row.spans} == {Role.DIM}


def test_a_unit_that_is_dialled_elsewhere_has_no_direction():
    """Readings come, at another setting: the words say so."""
    shown = kit.snapshot(checks=ChecksNow(dialled_hz=1e8))
    made = kit.frame(shown)

    assert status_text.direction_words(made).plain == "dialled elsewhere, so no direction"


@pytest.mark.parametrize(
    ("link", "said"),
    [
        (LinkStatus("reading", 1.0), "reading 0.4 s old"),
        (LinkStatus("silent", kit.NOW_S - 7.0), "silent, reading 0.4 s old"),
        (LinkStatus("lost", kit.NOW_S - 7.0), "link lost, reading 0.4 s old"),
        (LinkStatus("connecting", kit.NOW_S - 3.0), "connecting, 3.0 s"),
        (LinkStatus("ended", kit.NOW_S - 65.0), "ended 1 min 5 s ago"),
    ],
)
def test_link_in_words(link, said):
    """Each link state has its words and the age of the newest reading."""
    assert status_text.link_words(kit.frame(kit.snapshot(link=link))).plain == said


def test_settle_in_words():
    """Drift with its uncertainty; time to go with its range; the time since it settled."""
    warming = status_text.settle_words(kit.frame(), 80).plain
    settled = status_text.settle_words(kit.frame(SETTLED), 80).plain
    unasked = kit.frame(kit.snapshot(numbers=kit.numbers(settle=None, drift=None)))

    assert warming == "drift -8.3 ± 1.4 ppb/h, 7 min to go (5 min to 11 min)"
    assert settled.endswith("settled for 2 min 10 s")
    assert status_text.settle_lamp(unasked).plain == "[no settle limit]"
    assert status_text.settle_words(unasked, 80).plain == "drift unknown"
    assert status_text.settle_words(kit.frame(SETTLED), 30).plain == "settled for 2 min 10 s"
    assert status_text.settle_words(kit.frame(), 30).plain == "7 min to go (5 min to 11 min)"
    assert status_text.settle_words(kit.frame(), 20).plain == "7 min to go"


def test_the_worst_fault_is_shown_first():
    """A key's answer, for its time; then a broken link, the journal, the time base."""
    internal = TimeBase("internal")
    worst = kit.snapshot(
        link=LinkStatus("lost", 1.0, "gone"), journal_trouble="disk full", time_base=internal
    )
    journal = kit.snapshot(journal_trouble="disk full", time_base=internal)

    assert status_text.trouble_words(kit.frame(worst, message="marked")) == "marked"
    assert status_text.trouble_words(kit.frame(worst)) == "gone"
    assert status_text.trouble_words(kit.frame(journal)) == "not being journaled: disk full"
    assert (
        status_text.trouble_words(kit.frame(kit.snapshot(time_base=internal), message="marked"))
        == "marked"
    )
    assert "internal time base" in status_text.trouble_words(
        kit.frame(kit.snapshot(time_base=internal))
    )
    assert not status_text.trouble_words(kit.frame())


def test_sending_is_said_only_while_something_is_wrong_or_much_is_unsent():
    """Behind the journal and a doubtful nominal, before a caution that the top row has too."""
    internal = TimeBase("internal")
    away = RelayNow(unsent=312, trouble="the broker is away: no broker listens")
    said = {
        "well": RelayNow(),
        "not being sent (312 events unsent): the broker is away: no broker listens": away,
        "not being sent: the broker is away": RelayNow(trouble="the broker is away"),
        "not in the central record yet: 100 events": RelayNow(unsent=100, behind=True),
    }
    shown = {
        status_text.trouble_words(kit.frame(kit.snapshot(relay=now, time_base=internal)))
        for now in list(said.values())[1:]
    }
    journal = kit.snapshot(relay=away, journal_trouble="disk full")

    assert shown == set(said) - {"well"}
    assert not status_text.trouble_words(kit.frame(kit.snapshot(relay=said["well"])))
    assert status_text.trouble_words(kit.frame(journal)) == "not being journaled: disk full"


@pytest.mark.parametrize("width", [60, 80, 120])
def test_a_long_reason_for_not_sending_is_wrapped(width):
    """The count and what is away come first; nothing is cut on a usual screen."""
    why = (
        "the broker is away: the broker mqtts://broker.station.example:8883 refused the "
        "certificate of this program (--relay-identity DIR)"
    )
    made = kit.frame(kit.snapshot(relay=RelayNow(unsent=4286, trouble=why)))
    rows = [row.plain for row in trouble_line(made, width, trouble_rows(made, width, 24))]

    assert rows[0].startswith(" not being sent (4286 events unsent): the broker is away")
    assert all(len(row) <= width for row in rows[:-1])
    assert " ".join(" ".join(rows).split()).endswith("DIR)")


def test_the_scale_shows_reading_estimate_and_band():
    """Zero in the middle, the dot above, the block below, the band as wide as the tolerance."""
    made = kit.frame(scale_full=5e-9)
    raw, ruler, marker, figures = (row.plain for row in scale(made, 63, 4))

    assert ruler.index("┼") == 31
    assert raw.rindex("o") == 31 + round(30 * 2.46 / 5)
    assert marker.index("█") == 31 + round(30 * 2.31 / 5)
    assert ruler.count("━") == 2 * round(30 * 1.0 / 5)
    assert figures.split() == ["-5", "-2.5", "0", "ppb", "+2.5", "+5"]


def test_a_reading_beyond_the_scale_is_an_arrow_head():
    """At the end of the scale."""
    made = kit.frame(kit.snapshot(reading=kit.reading(9e-9)), scale_full=5e-9)

    assert scale(made, 63, 4)[0].plain.rstrip()[-1] == ">"


@pytest.mark.parametrize("offset", [math.nan, math.inf])
def test_an_overrange_reading_draws_no_dot(offset):
    """A reading without a value is not drawn."""
    made = kit.frame(kit.snapshot(reading=kit.reading(offset)), scale_full=5e-9)

    assert "o " not in scale(made, 63, 4)[0].plain.replace("low", "")


@pytest.mark.parametrize("view", ["trim", "fill", "warm_up", "elsewhere"])
def test_an_overrange_reading_is_shown_in_words(view):
    """With nothing but an overrange reading the figures are words."""
    made = kit.frame(
        kit.snapshot(reading=kit.reading(math.nan), numbers=Numbers()), trace=Trace(), view=view
    )

    assert "overrange: the counter gives no number" in kit.plain(view, made, 80, 24)


def test_a_gap_stays_open_on_the_chart():
    """Columns inside the gap hold only the dashes of zero."""
    made = kit.frame()
    rows = strip_chart(made, 128, 13)
    middle = [row.plain[9 + 118 * 52 // 120 : 9 + 118 * 58 // 120] for row in rows[:8]]

    assert all(not text.strip() for text in middle)


def test_flat_noise_does_not_fill_the_chart():
    """Pure noise is drawn in the middle half of the chart."""
    noise = [2e-9 + (3e-10 if i % 2 else -3e-10) for i in range(240)]
    past = Trace(kit.trace().elapsed_s, tuple(noise))
    rows = strip_chart(kit.frame(kit.snapshot(), trace=past), 100, 17)[:-1]
    inked = [i for i, row in enumerate(rows) if sum(c != " " for c in row.plain[8:]) > 60]

    assert 0 < len(inked) <= len(rows) // 2


def test_marks_are_on_the_time_axis():
    """A mark a quarter of the span ago is at three quarters of the axis."""
    mark = Mark(counter="main", utc_s=0.0, elapsed_s=kit.NOW_S - 30.0, text="lid on")
    rows = strip_chart(kit.frame(kit.snapshot(marks=(mark,))), 108, 8)

    assert rows[-1].plain.index("^") == 9 + round(0.75 * 98)


def test_marks_hide_no_word_of_the_time_axis():
    """A mark under a word is drawn beside it; the words are round local times and the present."""
    marks = tuple(
        Mark(counter="main", utc_s=0.0, elapsed_s=kit.NOW_S - ago_s, text="lid on")
        for ago_s in (0.0, 0.5, 119.0, 120.0)
    )
    rows = strip_chart(kit.frame(kit.snapshot(marks=marks)), 108, 8)

    assert rows[-1].plain.replace("^", " ").split() == [
        "2", "min", "20:10:45", "20:11:00", "20:11:15", "20:11:30", "20:11:45", "20:12:00",
        "now", "20:12:34", "UTC",
    ]  # fmt: skip
    assert rows[-1].plain.count("^") > 1
    assert "now 20:12:34 UTC" in rows[-1].plain


def test_undated_readings_have_durations_on_the_time_axis():
    """A recording without dates has no local times."""
    undated = kit.snapshot(reading=kit.reading(2.46e-9, utc_s=math.nan))
    strip = strip_chart(kit.frame(undated), 80, 8)[-1].plain
    warm_up = curve_chart(kit.frame(undated, view="warm_up"), 80, 8)[-1].plain

    assert strip.split() == ["2", "min", "ago", "now"]
    assert "start of run" in warm_up


HOSTILE = (
    "\x1b[2J\x1b]0;owned\x07[bold red]NOT MARKUP[/] [@click=quit]x[/] a\u0301\u202eb 測定器" * 2
)


def test_hostile_identity_stays_text():
    """Escapes, markup, bidi overrides and wide characters of an instrument stay in their row."""
    made = kit.frame(kit.snapshot(identity=Identity(text=HOSTILE), counter="m[b]\x1b[1m"))
    text = kit.plain("trim", made, 120, 36)

    assert text.replace("\n", "").isprintable()
    assert "[bold red]NOT MARKUP[/]" in text
    assert len(text.splitlines()) == 36


def test_hostile_sentences_stay_text():
    """The same for texts of a link, a journal, a verdict or a mark."""
    settle = Settle("unsure", None, None, reason=HOSTILE)
    made = kit.frame(
        kit.snapshot(
            link=LinkStatus("lost", 1.0, HOSTILE),
            journal_trouble=HOSTILE,
            numbers=kit.numbers(settle=settle),
        )
    )

    assert kit.plain("trim", made, 80, 24).replace("\n", "").isprintable()


def test_in_ascii_the_fitted_curve_has_a_sign_of_its_own():
    """Data are dots; the fitted curve, which continues past now, is stars."""
    made = kit.frame(kit.full_snapshot(), view="warm_up", theme=Theme(ascii=True))
    now_s, last_s = made.now_s, made.snapshot.warm_up.curve.elapsed_s[-1]
    chart = [row.plain[FIGURE_CELLS + 1 :] for row in curve_chart(made, 80, 12)[:-1]]
    now = round(now_s / last_s * (80 - FIGURE_CELLS - 2))
    until_now = "".join(row[: now - 1] for row in chart)
    after = "".join(row[now + 1 :] for row in chart)

    assert "*" in after
    assert "*" in until_now
    assert any(char in until_now for char in ".:'")


def test_the_digits_are_those_of_the_estimate():
    """Both large figures are the estimate as `benchwatch.quantity` writes it."""
    from benchwatch.quantity import PPB, write_fraction, write_hz
    from benchwatch.screen.drawing.large_digits import SIZES as DIGIT_SIZES
    from benchwatch.screen.drawing.large_digits import large
    from benchwatch.screen.drawing.theme import UNICODE

    estimate = Estimate(-3.456e-8, 2.1e-10, 30, 30.0)
    made = kit.frame(kit.snapshot(numbers=replace(kit.numbers(), estimate=estimate)))
    text = kit.plain("trim", made, 80, 24)

    for written in (write_hz(-0.3456, 0.0021), write_fraction(-3.456e-8, 2.1e-10, PPB)):
        for row in large(written.digits, DIGIT_SIZES[-1], UNICODE):
            assert row.plain.rstrip() in text
        assert f"± {written.u} {written.unit}" in text
