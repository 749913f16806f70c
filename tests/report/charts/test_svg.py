"""What is drawn of a chart: XML without anything from outside, within its frame, no overlap."""

import json
import math
import re
from dataclasses import replace
from datetime import UTC
from itertools import pairwise
from xml.etree import ElementTree as ET

import pytest
from chart_kit import (
    BEGIN_S,
    SVG,
    drawing,
    made_records,
    made_visit,
    offsets,
    points,
    texts,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwatch.measured_visit.measured_visit import (
    MeasuredVisit,
    SettleMark,
    Span,
    ThinnedOffsets,
    Turn,
)
from benchwatch.report.charts.budget_chart import budget_chart
from benchwatch.report.charts.chart import Bar, Chart, ChartAxis, Curve, Envelope, Moment, Tick
from benchwatch.report.charts.chart_json import chart_json
from benchwatch.report.charts.svg import SIZES_MM, size_mm, svg_of
from benchwatch.report.charts.svg_elements import FONT_MM, shortened, width_of
from benchwatch.report.charts.visit_chart import landing_chart, trim_chart, visit_chart
from benchwatch.report.charts.warm_up_chart import warm_up_chart

HOSTILE = "<script>alert('x')</script> & \"quoted\" ]]> \x1b[31m \x00 \ud800 \ufffe \u202e"
GOOD = made_visit()
CHARTS = {
    "visit": visit_chart(GOOD, records=made_records(GOOD), tolerance=5e-9, tz=UTC),
    "half visit": visit_chart(GOOD, size="half", tolerance=5e-9, tz=UTC),
    "landing": landing_chart(GOOD, tolerance=5e-9, tz=UTC),
    "trim": trim_chart(GOOD, tolerance=5e-9, tz=UTC),
    "cold visit": visit_chart(made_visit(cold_ppb=4e3), tolerance=5e-9, tz=UTC),
    "warm-up": warm_up_chart(GOOD, nominal_hz=1e7, tz=UTC),
    "budget": budget_chart(made_records(GOOD)[0]),
}


def axis(low: float, high: float, *ticks: Tick, log: bool = False) -> ChartAxis:
    """Return a made axis."""
    return ChartAxis(label="made", low=low, high=high, ticks=ticks, log=log)


def made_chart(*parts: object, **changes: object) -> Chart:
    """Return a chart of 0 to 100 by 0 to 10."""
    chart = Chart(
        name="made",
        title="Made",
        alternative="A made chart.",
        x=axis(0.0, 100.0),
        y=axis(0.0, 10.0),
        parts=parts,  # type: ignore[arg-type]
    )
    return replace(chart, **changes)  # type: ignore[arg-type]


def boxes(svg: str) -> list[tuple[float, float, float, float]]:
    """Return left, top, right and bottom of every level text, as wide as a wide font makes it."""
    found = []
    for element in ET.fromstring(svg).iter(f"{SVG}text"):
        if "transform" in element.attrib:
            continue
        size = float(element.get("font-size", FONT_MM))
        width = width_of(element.text or "", size)
        x, y = float(element.get("x", "nan")), float(element.get("y", "nan"))
        left = (
            x
            - {"start": 0.0, "middle": 0.5, "end": 1.0}[element.get("text-anchor", "start")] * width
        )
        found.append((left, y - 0.75 * size, left + width, y + 0.2 * size))
    return found


def inside(svg: str) -> bool:
    """Return whether every coordinate and every text lies within the viewBox."""
    root = ET.fromstring(svg)
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    every = [*points(svg)]
    every += [corner for a, b, c, d in boxes(svg) for corner in ((a, b), (c, d))]
    return all(-0.01 <= x <= width + 0.01 and -0.01 <= y <= height + 0.01 for x, y in every)


@pytest.mark.parametrize("name", CHARTS)
def test_a_drawing_is_a_picture_with_title_and_description(name: str) -> None:
    """XML by the standard library's parser, of the stated size, with words for who can't see."""
    chart = CHARTS[name]
    assert chart is not None
    root = ET.fromstring(drawing(chart))

    width, height = size_mm(chart_json(chart))
    assert root.tag == f"{SVG}svg"
    assert root.attrib["role"] == "img"
    assert root.attrib["viewBox"] == f"0 0 {width:g} {height:g}"
    assert root.findtext(f"{SVG}title") == chart.title
    assert root.findtext(f"{SVG}desc") == chart.alternative


@pytest.mark.parametrize("name", CHARTS)
def test_a_drawing_needs_nothing_from_outside(name: str) -> None:
    """No script, style sheet, link, id, reference or event; the one address is the namespace."""
    svg = drawing(CHARTS[name])

    names = {element.tag.removeprefix(SVG) for element in ET.fromstring(svg).iter()}
    assert names <= {"svg", "title", "desc", "path", "rect", "circle", "text"}
    assert re.findall(r"(?:https?:|href|url\(|\sid=|\son\w+=|style)[^ ]*", svg) == [
        'http://www.w3.org/2000/svg"'
    ]


@pytest.mark.parametrize("name", CHARTS)
def test_all_is_within_the_frame_and_no_two_texts_touch(name: str) -> None:
    """Every coordinate lies in the viewBox, and no text lies upon another."""
    svg = drawing(CHARTS[name])
    every = boxes(svg)

    assert inside(svg)
    for number, (left, top, right, bottom) in enumerate(every):
        for a, b, c, d in every[number + 1 :]:
            assert right <= a or c <= left or bottom <= b or d <= top, texts(svg)


def test_hostile_text_stays_text() -> None:
    """Markup, control characters and halves of characters are words, or become ``?``."""
    chart = made_chart(
        Curve(x=(0.0, 50.0), y=(1.0, 2.0), label=HOSTILE),
        Moment(at=50.0, text=HOSTILE),
        title=HOSTILE,
        alternative=HOSTILE,
        y=ChartAxis(label=HOSTILE, low=0.0, high=10.0, ticks=(Tick(5.0, HOSTILE),)),
    )
    svg = svg_of(chart_json(chart))

    root = ET.fromstring(svg.encode())
    assert "<script" not in svg
    assert (root.findtext(f"{SVG}desc") or "").startswith(
        "<script>alert('x')</script> & \"quoted\""
    )
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f\u202e\ufffe\ud800]", svg)


def test_an_extreme_among_many_points_is_drawn_to_a_tenth_of_a_millimetre() -> None:
    """One high and one low point among 100 000 reach the ends of the area; the drawing is small."""
    n = 100_000
    x = tuple(100.0 * k / n for k in range(n))
    low, high = [5.0] * n, [5.1] * n
    low[61_803], high[31_415] = 0.0, 10.0
    chart = made_chart(Envelope(x=x, low=tuple(low), high=tuple(high)))
    svg = svg_of(chart_json(chart))

    (path,) = [e for e in ET.fromstring(svg).iter(f"{SVG}path") if e.get("fill") == "#555"]
    drawn = re.findall(r"([0-9.]+) ([0-9.]+)", path.attrib["d"])
    frame = re.search(r"M([0-9.]+) ([0-9.]+)V([0-9.]+)H([0-9.]+)", svg)
    assert frame is not None
    left, top, bottom, right = map(float, frame.groups())
    highest = min(drawn, key=lambda one: float(one[1]))
    lowest = max(drawn, key=lambda one: float(one[1]))
    assert float(highest[1]) == pytest.approx(top, abs=0.01)
    assert float(lowest[1]) == pytest.approx(bottom, abs=0.01)
    assert float(highest[0]) == pytest.approx(left + 0.31415 * (right - left), abs=0.15)
    assert float(lowest[0]) == pytest.approx(left + 0.61803 * (right - left), abs=0.15)
    assert len(svg) < 100_000


def test_a_gap_is_not_drawn_over() -> None:
    """Readings before and after a gap are two areas, and nothing is between them."""
    x = tuple(float(k) for k in range(101))
    low = tuple(math.nan if 40 <= k <= 60 else 5.0 for k in range(101))
    svg = svg_of(chart_json(made_chart(Envelope(x=x, low=low, high=low))))

    areas = [
        e.attrib["d"] for e in ET.fromstring(svg).iter(f"{SVG}path") if e.get("fill") == "#555"
    ]
    ends = sorted(
        (min(xs), max(xs))
        for xs in ([float(a) for a, _ in re.findall(r"([0-9.]+) ([0-9.]+)", d)] for d in areas)
    )
    assert len(ends) == 2
    assert ends[1][0] - ends[0][1] > 0.15 * SIZES_MM["wide"][0]


@pytest.mark.parametrize(
    ("moments", "drawn"),
    [
        ([(10, "1"), (50, "2"), (90, "3")], ["1", "2", "3"]),
        ([(10, "1"), (10.5, "2"), (11, "3"), (90, "4")], ["1–3", "4"]),
        ([(50, "settled"), (50.5, "unsure"), (90, "1")], ["1", "settled"]),
        ([(50, "settled"), (50.5, "1"), (51, "2")], ["1–2"]),
    ],
)
def test_words_of_moments_that_would_touch(
    moments: list[tuple[float, str]], drawn: list[str]
) -> None:
    """Numbers become a range and go before words; of words the first stays."""
    chart = made_chart(
        *(Moment(at=at, text=text) for at, text in moments), title="", x=axis(0, 100)
    )
    chart = replace(chart, y=replace(chart.y, label=""), x=replace(chart.x, label=""))
    svg = svg_of(chart_json(chart))

    assert [one for one in texts(svg) if one] == drawn


def test_figures_that_would_touch_are_left_out() -> None:
    """Of a hundred long figures those stay that have room; all keep their mark."""
    ticks = tuple(Tick(float(k), f"2026-11-{k:02}") for k in range(100))
    svg = svg_of(chart_json(made_chart(x=axis(0.0, 100.0, *ticks))))

    shown = sorted(box for box in boxes(svg) if box[1] > 40 and box[2] < 168)
    assert len(shown) > 4
    assert all(before[2] < after[0] for before, after in pairwise(shown))


def test_the_longest_bar_reaches_the_end_and_others_their_share() -> None:
    """Lengths of bars are as their values, by arithmetic: 4 to 2 to 1."""
    bars = [Bar(label=f"part {n}", length=n, text=str(n), total=n == 4) for n in (4, 2, 1)]
    svg = svg_of(chart_json(made_chart(*bars, x=axis(0.0, 4.0), size="half")))

    widths = [float(e.attrib["width"]) for e in ET.fromstring(svg).iter(f"{SVG}rect")]
    assert widths == pytest.approx([widths[0], widths[0] / 2, widths[0] / 4], abs=0.02)


def test_a_long_label_of_a_bar_is_shortened() -> None:
    """It ends in an ellipsis and stays within the frame."""
    bar = Bar(label="noise of the counter and of all else " * 4, length=1.0, text="1.00")
    svg = svg_of(chart_json(made_chart(bar, x=axis(0.0, 1.0), size="half")))

    assert any(text.endswith("…") for text in texts(svg))
    assert inside(svg)


@given(text=st.text(max_size=60), room=st.floats(0.0, 60.0))
def test_shortened_text_fits(text: str, room: float) -> None:
    """What comes out is no wider than the room, and a beginning of the text."""
    short = shortened(text, room)

    assert width_of(short) <= room or not short
    assert text.startswith(short.removesuffix("…"))


def test_widths_are_no_less_than_those_of_a_real_font() -> None:
    """Typst measures the words of charts in its own serif font: none is wider than it is taken."""
    typst = pytest.importorskip("typst")
    words = (
        "local time (UTC), 2026-11-29", "+10000.05", "tolerance ±5 ppb", "WWWW mmmm", "10⁻¹¹",
        "as found ± U", "0123456789:+-", "offset in ppb (1 ppb of 10 MHz is 0.01 Hz)",
    )  # fmt: skip
    measured = "".join(
        f'measure(text(font: "Libertinus Serif", size: 100pt, "{word}")).width / 1pt,'
        for word in words
    )
    source = f"#context [#metadata(({measured})) <w>]"
    found = json.loads(typst.query(source.encode(), "<w>", field="value", one=True))

    for word, width in zip(words, found, strict=True):
        assert width_of(word, 100.0) >= width, word


amounts = st.one_of(st.floats(-1e-4, 1e-4), st.floats(-1e3, 1e3), st.just(math.nan), st.just(0.0))
times = st.floats(0.0, 1e6)


@settings(deadline=None)
@given(
    readings=st.lists(st.tuples(times, amounts), min_size=1, max_size=30),
    turns=st.lists(times, max_size=12),
    tool=st.lists(st.tuples(times, times), max_size=3),
    tolerance=st.one_of(st.none(), st.floats(1e-12, 1e-3)),
    size=st.sampled_from(["wide", "half"]),
)
def test_any_visit_is_drawn_within_the_frame_or_not_at_all(
    readings: list[tuple[float, float]],
    turns: list[float],
    tool: list[tuple[float, float]],
    tolerance: float | None,
    size: str,
) -> None:
    """Offsets of any size, gaps, equal values and any moments give a whole picture, or None."""
    readings = sorted(readings, key=lambda one: one[0])
    thinned = ThinnedOffsets(
        utc_s=tuple(BEGIN_S + at for at, _ in readings),
        low=tuple(value for _, value in readings),
        high=tuple(value + abs(value) * 0.01 for _, value in readings),
        readings=len(readings),
    )
    visit = MeasuredVisit(
        offsets=thinned,
        warm_up=thinned,
        turns=tuple(Turn(utc_s=BEGIN_S + at, size=1e-9) for at in sorted(turns)),
        tool_on=tuple(Span(begin_utc_s=BEGIN_S + a, end_utc_s=BEGIN_S + b) for a, b in tool),
        settle_marks=(SettleMark(utc_s=BEGIN_S + 10.0, state="settled", text=""),),
    )
    charts = [
        visit_chart(visit, tolerance=tolerance, size=size, tz=UTC),  # type: ignore[arg-type]
        landing_chart(visit, tolerance=tolerance, size=size, tz=UTC),  # type: ignore[arg-type]
        trim_chart(visit, tolerance=tolerance, size=size, tz=UTC),  # type: ignore[arg-type]
        warm_up_chart(visit, tolerance=tolerance, size=size, tz=UTC),  # type: ignore[arg-type]
    ]

    assert (charts[0] is None) == all(math.isnan(value) for _, value in readings)
    assert all(inside(drawing(chart)) for chart in charts if chart is not None)


def test_one_reading_is_a_dot() -> None:
    """A single reading is seen, as a circle."""
    svg = drawing(visit_chart(MeasuredVisit(offsets=offsets([BEGIN_S], [3.0], 0.0)), tz=UTC))

    assert list(ET.fromstring(svg).iter(f"{SVG}circle"))


def test_powers_are_raised() -> None:
    """Labels and description have raised digits, as print shows powers; the chart is ASCII."""
    chart = CHARTS["budget"]
    assert chart is not None
    label = replace(chart.x, label="parts in 10^12 and 10^-9")

    text = drawing(replace(chart, x=label, alternative="some 10^-12"))

    assert ">parts in 10¹² and 10⁻⁹</text>" in text
    assert "<desc>some 10⁻¹²</desc>" in text


def test_a_title_that_a_heading_repeats_is_not_drawn() -> None:
    """It stays for whoever can't see the drawing; the plot gets its room."""
    chart = CHARTS["budget"]
    assert chart is not None

    bare = drawing(replace(chart, shows_title=False))
    assert f">{chart.title}</text>" in drawing(chart)
    assert f">{chart.title}</text>" not in bare
    assert f"<title>{chart.title}</title>" in bare
