"""The colours of the themes: their contrast, and that on and off target differ in blue."""

from dataclasses import fields

import pytest
from rich.color import Color, ColorSystem
from rich.console import Console
from rich.text import Text

from benchwatch.colours import DARK, LIGHT, Ink, Palette, marked_good, marked_off

INKS = [field.name for field in fields(Palette) if field.name != "background"]


def luminance(colour: str) -> float:
    """Return the relative luminance as WCAG 2.1 defines it (www.w3.org/TR/WCAG21)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio as WCAG 2.1 defines it."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def _truecolor(colour: str) -> str:
    return colour


def _of_256(colour: str) -> str:
    """Return what the terminal library makes of a colour where there are 256 (xterm's table)."""
    shown = Color.parse(colour).downgrade(ColorSystem.EIGHT_BIT).get_truecolor()
    return shown.hex


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [("#000000", "#ffffff", 21.0), ("#777777", "#ffffff", 4.48), ("#ff0000", "#ffffff", 4.0)],
)
def test_contrast_is_that_of_known_pairs(one: str, other: str, expected: float):
    """Black on white is 21 to 1 by WCAG 2.1; the other two are well-known values, from memory."""
    assert contrast(one, other) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize("palette", [DARK, LIGHT], ids=["dark", "light"])
@pytest.mark.parametrize("name", INKS)
@pytest.mark.parametrize("shown", [_truecolor, _of_256], ids=["all colours", "256 colours"])
def test_every_ink_has_contrast(palette: Palette, name: str, shown):
    """At least 4.5 to 1, the AA level of WCAG 2.1, success criterion 1.4.3."""
    ink: Ink = getattr(palette, name)
    background = ink.background or palette.background

    assert contrast(shown(ink.colour), shown(background)) >= 4.5


@pytest.mark.parametrize("palette", [DARK, LIGHT], ids=["dark", "light"])
def test_off_target_and_on_target_differ_in_blue(palette: Palette):
    """Blue and orange lie apart on the axis that red-green blind eyes see (common practice)."""

    def blueness(ink: Ink) -> int:
        red, _, blue = bytes.fromhex(ink.colour.removeprefix("#"))
        return blue - red

    assert blueness(palette.good) > 100
    assert blueness(palette.off) < -100


def test_the_themes_are_the_opposite_of_each_other():
    """The dark one has the darker background, the light one the darker text."""
    assert luminance(DARK.background) < 0.01
    assert luminance(LIGHT.background) > 0.9
    assert luminance(DARK.text.colour) > 0.6
    assert luminance(LIGHT.text.colour) < 0.05


@pytest.mark.parametrize("mark", [marked_good, marked_off])
def test_marks_in_lines_have_contrast_whatever_the_terminal_has(mark):
    """Both colours of a mark are chosen, and another reader of the sequences sees 4.5 to 1."""
    (segment,) = Text.from_ansi(mark("word")).render(Console(no_color=True), end="")
    style = segment.style
    assert segment.text == "word"
    assert style is not None
    assert style.color is not None
    assert style.bgcolor is not None

    assert contrast(style.color.get_truecolor().hex, style.bgcolor.get_truecolor().hex) >= 4.5
