"""Words and figures that are easily misread at the bench: units, digits, cuts."""

import math
from dataclasses import replace

import pytest
import screen_kit as kit

from benchwatch.counter import LinkStatus
from benchwatch.estimate.derived_frequencies import elsewhere
from benchwatch.estimate.results import Drift, Estimate, Settle
from benchwatch.quantity import PARTS_IN_1E12, PPB, PPM
from benchwatch.run.bench_ranking import BenchTrouble
from benchwatch.screen.axis_state import AxisState
from benchwatch.screen.drawing.plot import axis_name
from benchwatch.screen.drawing.styled_text import Role, line
from benchwatch.screen.drawing.theme import ASCII, UNICODE, Theme
from benchwatch.screen.frame import drawn
from benchwatch.screen.panels import status_text
from benchwatch.screen.panels.large_offset import both_figures
from benchwatch.screen.panels.progress_rows import judge_line
from benchwatch.screen.panels.shared_rows import (
    TOP_PANELS,
    trouble_line,
    trouble_or_counter_line,
    trouble_rows,
    unit_line,
)
from benchwatch.screen.text.amounts import amount, to_go
from benchwatch.screen.text.rates import RateUnit, rate_unit, write_rate
from benchwatch.screen.text_pages import record_lines
from benchwatch.screen.view import picture
from benchwatch.screen.views.elsewhere_view import clock_line
from benchwatch.screen.views.notes_view import note_lines
from benchwatch.screen.views.stability_view import VALUE_SIGN, plot
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.snapshot import ElsewhereNow, LoggedEvent, Records, VisitNow


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0.109, "1 s"), (0.0, "1 s"), (8.88, "9 s"), (33.0, "35 s"), (77.0, "1 min 15 s"),
     (437.0, "7 min 30 s"), (4000.0, "1 h 7 min"), (90000.0, "1 d 1 h"), (math.inf, "unknown")],
)  # fmt: skip
def test_a_time_to_go_is_rounded_to_its_accuracy(seconds, said):
    """Whole seconds at the finest, coarser steps for longer waits."""
    assert to_go(seconds) == said


def test_a_range_without_width_is_one_figure():
    """Where both ends round to the same time."""
    settle = Settle("warming", None, 0.109, 0.05, 0.4, "soon")
    made = kit.frame(kit.snapshot(numbers=kit.numbers(settle=settle)))

    assert status_text.time_to_go(made) == "1 s to go"


def _rate(per_s: float, u: float, unit: RateUnit) -> str:
    return str(write_rate(per_s, u, unit))


def test_a_drift_is_in_the_unit_of_the_offset():
    """A fast drift is given by the minute, not in another unit."""
    slow = rate_unit(-2.3e-12, PPB, RateUnit())
    fast = rate_unit(-904e-6 / 3600, PPB, RateUnit())

    assert _rate(-2.3e-12, 4e-13, slow) == "-8.3 ± 1.4 ppb/h"
    assert fast.name == "ppb/s"
    assert rate_unit(-9e-6 / 3600, PPB, RateUnit()).name == "ppb/min"
    assert rate_unit(2e-12, PPM, RateUnit(PPM)).unit is PPM


def test_the_unit_of_a_drift_does_not_flicker():
    """It changes only far beyond the value where it was chosen, upwards and downwards."""
    unit, names = RateUnit(), []
    for per_hour in (900, 1100, 4900, 5100, 4000, 900, 40, 29, 900):
        unit = rate_unit(per_hour * 1e-9 / 3600, PPB, unit)
        names.append(unit.span)

    assert names == ["h", "h", "h", "min", "min", "min", "min", "h", "h"]
    assert rate_unit(math.nan, PPB, unit) == unit


def test_a_drift_too_small_for_the_unit_gets_a_finer_one():
    """Instead of three zeros after the point; the finer unit then stays for a while."""
    finer = rate_unit(0.0005e-9 / 3600, PPB, RateUnit())

    assert finer.unit is PARTS_IN_1E12
    assert finer.name == "parts in 10^12 per h"
    assert rate_unit(0.01e-9 / 3600, PPB, finer).unit is PARTS_IN_1E12
    assert rate_unit(0.03e-9 / 3600, PPB, finer).unit is PPB


def test_a_drift_has_a_bounded_number_of_digits():
    """Data without noise have a u of nearly nothing."""
    made = kit.frame(kit.snapshot(numbers=kit.numbers(drift=Drift(1e-12, 1.7e-22, 60.0))))
    none = kit.frame(kit.snapshot(numbers=kit.numbers(drift=Drift(0.0, 1e-25, 60.0))))

    assert status_text.drift_words(made) == "drift +3.6000 ± under 0.0001 ppb/h"
    assert status_text.drift_words(none) == "drift +0.0000 ± under 0.0001 ppb/h"


def test_large_figures_stop_at_sensible_digits():
    """A digit below a part in 10^15 is rounding: at 10 MHz there are 8 decimals of a hertz."""
    made = kit.numbers(estimate=Estimate(2.697e-9, 2.9e-17, 1, 1.0))
    ranges = AxisState()
    ranges.follow(kit.snapshot(numbers=made), kit.NOW_S)

    assert ranges.offset_formats.hertz.decimals == 8
    assert ranges.offset_formats.fraction.decimals == 6


def test_a_way_to_go_has_no_sign_and_the_digits_it_deserves():
    """Rounded to one digit of its uncertainty, or of a twentieth of itself."""
    assert amount(-6.04e-10, 3e-11, PPB) == "0.60 ppb"
    assert amount(2.582e-8, 5e-11, PPB) == "26 ppb"
    assert amount(3.7e-8, 2e-9, PPB) == "37 ppb"


@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_uncertainty_below_a_figure_is_never_cut(width):
    """In ASCII +/- takes three characters: there is room for the unit too."""
    numbers = kit.numbers(estimate=Estimate(3.6985e-8, 2.2e-11, 43, 190.0))
    made = kit.frame(kit.snapshot(numbers=numbers), theme=Theme(ascii=True))
    text = "\n".join(row.plain for row in both_figures(made, width, 4))

    assert "+/- 0.00022 Hz" in text
    assert "+/- 0.022 ppb" in text


@pytest.mark.parametrize(("glyphs", "sign"), [(UNICODE, "…"), (ASCII, "...")])
def test_a_cut_line_ends_in_the_sign(glyphs, sign):
    """As wide as asked, with the sign at its end; trailing blanks are no loss."""
    row = line(("one counter", Role.STRONG), " of many")

    assert row.fit(10, glyphs.cut).plain == "one counter"[: 10 - len(sign)] + sign
    assert row.fit(19, glyphs.cut).plain == "one counter of many"
    assert line("one   ").fit(4, glyphs.cut).plain == "one "
    assert row.fit(1, glyphs.cut).width == 1


@pytest.mark.parametrize("width", [60, 80])
@pytest.mark.parametrize("state", ["reading", "silent", "lost"])
def test_the_link_is_whole_and_the_name_is_cut(width, state):
    """Link and troubles are whole at every width; a long ident loses its end."""
    visit = VisitNow(unit="tide gauge 0417 spare oven", number=3)
    made = kit.frame(kit.snapshot(link=LinkStatus(state, kit.NOW_S - 7.0), visit=visit))
    made = replace(made, troubles=[BenchTrouble("lost", ("five",))])
    text = unit_line(made, width, 1)[0].plain

    assert text.startswith(" ti")
    assert "five lost" in text
    assert "… " in text
    assert ("time base external" in text) == (width > 60)
    assert status_text.link_words(made).plain in text


def test_a_long_fault_is_wrapped():
    """Two rows on any screen, with the reason before the path."""
    why = "the journal is locked by another program (/home/bench/.local/share/benchwatch/a.db)"
    made = kit.frame(kit.snapshot(journal_trouble=why))
    rows = [row.plain for row in trouble_line(made, 60, 2)]

    assert trouble_rows(made, 60, 18) == 2
    assert rows[0] == " not being journaled: the journal is locked by another"
    assert trouble_rows(kit.frame(), 60, 18) == 0


def test_our_signs_are_spelled_out_where_there_is_only_ascii():
    """Plus or minus and the square root in words; foreign characters as a ?."""
    assert Theme(ascii=True).printable("36.980 ± 0.041 ppb, over √12") == (
        "36.980 +/- 0.041 ppb, over sqrt 12"
    )
    assert Theme(ascii=False).printable("over √12") == "over √12"
    assert Theme(ascii=True).text(Theme(ascii=True).printable("漢")) == "??"


def test_the_record_gives_its_uncertainty_in_plain_words():
    """The first line of the budget has no symbol and no technical name of an estimate."""
    records = Records(kit.record("as found", 6.93e-9))
    text = "\n".join(
        row.plain for row in record_lines(kit.frame(kit.full_snapshot(records=records)), 74)
    )

    assert "averaged over 30 s" in text
    assert "the averaging time" not in text


@pytest.mark.parametrize("ascii_only", [False, True])
def test_deviations_and_reference_lines_differ_without_colour(ascii_only):
    """A deviation is an o; the line of 1/tau is dots."""
    made = kit.frame(kit.full_snapshot(), theme=Theme(ascii=ascii_only))
    rows = plot(made, 80, 14)
    values = {role for row in rows for text, role in row.spans if VALUE_SIGN in text}
    dots = "".join(text for row in rows for text, role in row.spans if role is Role.DIM)

    assert values == {Role.ESTIMATE}
    assert sum(row.plain.count(VALUE_SIGN) for row in rows) == 9
    assert dots
    assert not set(dots) & {VALUE_SIGN, "|", "│"}


def test_a_unit_fits_beside_a_chart():
    """The name of a power of ten is too long there and is written as a number."""
    assert [axis_name(unit) for unit in (PPM, PPB, PARTS_IN_1E12)] == ["ppm", "ppb", "1e-12"]


def test_a_long_entry_continues_in_the_next_row():
    """Its text is indented, and narrow screens leave out the time of the run."""
    reason = "no readings for 6 s: the counter sent half a line and then nothing more for 2.5 s"
    happened = (LoggedEvent(utc_s=1.9e9, elapsed_s=60.0, kind="gap", text=reason),)
    made = kit.frame(kit.snapshot(logged_events=happened))
    wide, narrow = note_lines(made, 80, 10), note_lines(made, 60, 10)

    assert " ".join(" ".join(row.plain.split()) for row in wide).endswith(reason)
    assert wide[0].plain.startswith("  17:46:40   0:01:00  gap")
    assert narrow[0].plain.startswith("  17:46:40 gap")
    assert " ".join(" ".join(row.plain.split()) for row in narrow).endswith(reason)


@pytest.mark.parametrize("width", [54, 74, 90])
def test_a_budget_fits_its_page(width):
    """In little room the source is below its contribution, uncut."""
    records = Records(kit.record("as found", 6.93e-12))
    made = kit.frame(kit.full_snapshot(records=records), unit=PARTS_IN_1E12)
    rows = [row.plain for row in record_lines(made, width)]
    text = " ".join(" ".join(rows).split())

    assert all(len(row) <= width for row in rows)
    assert "certificate, half of U (k = 2)" in text
    assert "parts in 10^12 " in text


def test_a_clock_loses_without_a_minus():
    """The word gains or loses shows the direction, the figure the amount."""
    now = ElsewhereNow(elsewhere(-2.2e-8, 5e6, (5e6,), 1e-10), -0.0018991, 4.8e-6)
    row = clock_line(kit.frame(kit.full_snapshot(elsewhere=now)), 80, 1)[0]

    assert row.plain == "  a clock on it loses 1.8991 ± 0.0048 ms a day"


def test_a_fault_too_long_for_its_rows_ends_in_the_sign():
    """Two rows hold the beginning, with the sign of a cut."""
    detail = "nothing listens there. " + "Check the port number, and that the bench is on. " * 3
    made = kit.frame(kit.snapshot(link=LinkStatus("lost", 1.0, detail)))
    panel = next(one for one in TOP_PANELS if one.draw is trouble_or_counter_line)
    rows = [row.plain for row in drawn(panel, made, 60, 2)]

    assert rows[0].startswith(" nothing listens there. Check the port number")
    assert rows[1].endswith("…")


def test_unsure_has_its_reason():
    """After the lamp's word comes the reason; in little room the drift comes first."""
    made = kit.frame(kit.snapshot(numbers=kit.numbers(settle=Settle("unsure", None, None))))

    assert status_text.settle_words(made, 70).plain == "drift -8.3 ± 1.4 ppb/h, can't tell yet"
    assert status_text.settle_words(made, 30).plain == "drift -8.3 ± 1.4 ppb/h"


def test_stale_numbers_are_marked_as_old():
    """Without readings, drift and wait are labelled as those of the last readings, or left out."""
    made = kit.frame(kit.full_snapshot(link=LinkStatus("silent", kit.NOW_S - 8.0)))

    assert (
        status_text.settle_words(made, 70).plain == "drift -8.3 ± 1.4 ppb/h, by the last readings"
    )
    assert "no readings come: wait" in judge_line(made, 80, 1)[0].plain
    unknown = replace(made.snapshot, numbers=kit.numbers(drift=None))
    assert status_text.settle_words(replace(made, snapshot=unknown), 70).plain == "drift unknown"


def test_an_unknown_nominal_is_called_that():
    """Before the first reading the row names what is unknown."""
    made = kit.frame(kit.snapshot(nominal_hz=math.nan))

    assert unit_line(made, 80, 1)[0].plain.startswith(" main nominal unknown ")


@pytest.mark.parametrize("size", [(80, 24), (120, 36), (60, 18)])
@pytest.mark.parametrize("view", VIEWS.views, ids=lambda view: view.name)
def test_the_question_whether_the_nominal_is_right_is_whole_on_every_view(view, size):
    """10.01 MHz was typed, and 10 MHz fits: the question stays until it is corrected."""
    question = "the readings miss the nominal of 10.01 MHz by 0.1 %. They fit 10 MHz: is the nominal right?"  # noqa: E501
    shown = kit.full_snapshot(question=question)
    rows = picture(view, kit.frame(shown, view=view.name), *size)

    text = " ".join(row.plain.strip() for row in rows)
    assert question in " ".join(text.split())
