"""The headline of a tall screen and the top row: which unit, and what to do, read from afar."""

from dataclasses import replace

import pytest
import screen_kit as kit

from benchwatch.counter import LinkStatus
from benchwatch.estimate.results import Settle
from benchwatch.quantity import PARTS_IN_1E12
from benchwatch.screen.drawing.large_digits import SIZES, large
from benchwatch.screen.drawing.theme import ASCII, UNICODE, Theme
from benchwatch.screen.panels.headline import headline
from benchwatch.screen.panels.large_offset import acting_figures, one_figure
from benchwatch.screen.panels.shared_rows import tabs_line, unit_line
from benchwatch.snapshot import Snapshot, VisitNow

SETTLED = kit.numbers(settle=Settle("settled", 1.0, None))


def _visited(unit: str | None, number: int | None = 12) -> Snapshot:
    return kit.snapshot(numbers=SETTLED, visit=VisitNow(unit=unit, number=number))


def _holds(rows: list, text: str, glyphs: object = UNICODE) -> bool:
    """Return whether `text` is drawn large, three rows high, somewhere in `rows`."""
    wanted = [row.plain for row in large(text, SIZES[-1], glyphs)]  # type: ignore[arg-type]
    shown = [row.plain for row in rows]
    return any(
        all(part in row for part, row in zip(wanted, shown[at:], strict=False))
        for at in range(len(shown) - len(wanted) + 1)
    )


def test_the_headline_has_the_unit_and_what_to_do():
    """The ident at the left; at the right the side, and an arrow for the way of the trimmer."""
    rows = headline(kit.frame(_visited("0417")), 120, 3)

    assert len(rows) == 3
    assert _holds(rows, "0417")
    assert _holds(rows, "HIGH v")


def test_while_it_is_not_to_be_turned_there_is_no_arrow():
    """Warming, or without readings, the side at most."""
    warming = replace(_visited("0417"), numbers=kit.numbers())
    silent = replace(_visited("0417"), link=LinkStatus("silent", kit.NOW_S - 8.0))

    assert _holds(headline(kit.frame(warming), 120, 3), "HIGH")
    assert not _holds(headline(kit.frame(warming), 120, 3), "HIGH v")
    assert _holds(headline(kit.frame(silent), 120, 3), "?")


@pytest.mark.parametrize("ident", ["shelf 3 \u6e2c\u5b9a", "W" * 24, "\x1b[2J[b]x[/b]"])
def test_an_ident_that_can_not_be_drawn_large_is_written(ident: str):
    """Other characters, or too many: in plain ones, escaped, and no row is too wide."""
    rows = headline(kit.frame(_visited(ident)), 120, 3)

    assert all(row.width <= 120 for row in rows)
    assert "\x1b" not in rows[1].plain
    assert rows[1].plain[2:5].strip()


@pytest.mark.parametrize(("ascii_only", "cut"), [(False, "\u2026"), (True, "...")])
def test_a_long_ident_is_cut_with_a_sign(ascii_only: bool, cut: str):
    """24 cells in the top row, with a sign that ASCII has too; one of 10 000 characters as well."""
    theme = Theme(ascii=ascii_only)
    for ident in ("0123456789" * 3, "A" * 10_000):
        top = unit_line(kit.frame(_visited(ident), theme=theme), 120, 1)[0].plain
        assert top.startswith(f" {ident[: 24 - len(cut)]}{cut} ")


def test_the_top_row_names_unit_and_visit():
    """Where there is little room the number of the visit goes first."""
    made = kit.frame(_visited("0417"))

    assert unit_line(made, 120, 1)[0].plain.startswith(" 0417 visit 12  10 MHz ")
    assert unit_line(made, 60, 1)[0].plain.startswith(" 0417 10 MHz ")
    assert "5 Notes" in tabs_line(made, 80, 1)[0].plain


def test_without_a_unit_the_counter_is_named():
    """A nameless visit, or none."""
    for shown in (_visited(None, None), kit.snapshot()):
        assert unit_line(kit.frame(shown), 80, 1)[0].plain.startswith(" main 10 MHz ")


@pytest.mark.parametrize(("ascii_only", "glyphs"), [(False, UNICODE), (True, ASCII)])
def test_unit_and_uncertainty_are_large_on_a_tall_screen(ascii_only: bool, glyphs: object):
    """At 120 cells, three rows high: read from two metres; parts in 10^12 as e-12."""
    theme = Theme(ascii=ascii_only)
    made = kit.frame(kit.snapshot(), theme=theme)
    fine = replace(made, unit=PARTS_IN_1E12)
    rows, filled = acting_figures(made, 120, 8), one_figure(made, 120, 18)

    for text in ("Hz", "ppb", "\u00b10.0011", "\u00b10.11"):
        assert _holds(rows, text, glyphs), text
    assert _holds(filled, "\u00b10.11", glyphs)
    assert _holds(acting_figures(fine, 120, 8), "e-12", glyphs)


def test_units_are_large_on_a_small_screen_too():
    """At 80x24 the unit beside the digits; the uncertainty is in bold below."""
    rows = acting_figures(kit.frame(), 80, 4)

    assert _holds(rows, "Hz")
    assert _holds(rows, "ppb")
    assert rows[-1].plain.split() == ["\u00b1", "0.0011", "Hz", "\u00b1", "0.11", "ppb"]
