"""The gallery: its pictures are what the command draws, and load nothing from elsewhere."""

import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from benchwatch.colours import DARK, LIGHT
from benchwatch.screen.drawing.styled_text import Role, line
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.views.view_list import VIEWS

pytestmark = pytest.mark.long

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
GALLERY = DOCS / "gallery"
SVG = "{http://www.w3.org/2000/svg}"
LARGEST_BYTES = 2_000_000

sys.path.insert(0, str(GALLERY))

from gallery_page import REPORT_PAGES, gallery_page  # noqa: E402 - scripts lie beside the pictures
from screen_pictures import PICTURES  # noqa: E402 - likewise
from screen_svg import CELL_HEIGHT, CELL_WIDTH, MARGIN, screen_svg  # noqa: E402 - likewise


def test_the_pictures_of_the_screen_are_as_the_command_draws_them(tmp_path: Path):
    """The command, run in a process of its own, draws the same bytes."""
    command = [sys.executable, str(GALLERY / "draw_gallery.py"), "--only", "screen"]
    done = subprocess.run([*command, "--out", str(tmp_path)], capture_output=True, text=True)

    assert (done.returncode, done.stderr) == (0, "")
    drawn = {path.name: path.read_text(encoding="utf-8") for path in tmp_path.iterdir()}
    kept = {path.name: path.read_text(encoding="utf-8") for path in GALLERY.glob("*.svg")}
    assert set(drawn) == set(kept)
    differ = [name for name in drawn if drawn[name] != kept[name]]
    assert not differ, "run python docs/gallery/draw_gallery.py, and look at the pictures"


def test_every_view_has_a_picture():
    """All views, and both themes."""
    assert {one.view for one in PICTURES} == {view.name for view in VIEWS.views}
    assert {one.theme for one in PICTURES} == {"dark", "light"}


def test_the_page_lists_every_picture():
    """The text is as the command writes it, and names each file that is there."""
    text = (DOCS / "gallery.md").read_text(encoding="utf-8")
    listed = set(re.findall(r"\]\(gallery/([^)]+)\)", text))

    assert text == gallery_page()
    assert listed == {path.name for path in GALLERY.iterdir() if path.suffix in {".svg", ".png"}}
    assert {f"{name}.png" for name in REPORT_PAGES} < listed


def test_the_gallery_is_small():
    """All files together."""
    assert sum(path.stat().st_size for path in GALLERY.iterdir()) < LARGEST_BYTES


@pytest.mark.parametrize("path", sorted(GALLERY.glob("*.svg")), ids=lambda path: path.name)
def test_a_picture_loads_nothing_and_stays_inside(path: Path):
    """Only shapes and text, no address but that of SVG's name space (SVG 1.1), nothing outside."""
    text = path.read_text(encoding="utf-8")
    root = ET.fromstring(text)
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    texts = list(root.iter(f"{SVG}text"))

    assert {one.tag for one in root.iter()} <= {
        f"{SVG}{name}" for name in ("svg", "title", "rect", "path", "text")
    }
    assert re.findall(r"\w+://[^\s\"'<]+", text) == ["http://www.w3.org/2000/svg"]
    assert not re.search(r"url\(|href|@import|font-face", text)
    assert all(
        float(one.attrib["x"]) >= MARGIN
        and float(one.attrib["x"]) + float(one.attrib["textLength"]) <= width - MARGIN
        and float(one.attrib["y"]) <= height - MARGIN
        for one in texts
    )


def test_text_of_people_stays_text():
    """Markup in a row is no markup of the picture (SVG 1.1 is XML, read here by another reader)."""
    hostile = "</text><script>alert(1)</script> & [b]bold[/b] \" '"
    rows = [line(hostile).fit(80)]

    root = ET.fromstring(screen_svg(rows, Theme(), DARK, hostile))

    assert {one.tag for one in root.iter()} == {
        f"{SVG}{name}" for name in ("svg", "title", "rect", "text")
    }
    assert "".join(one.text or "" for one in root.iter(f"{SVG}text")) == hostile
    assert root.attrib["aria-label"] == hostile


def test_text_keeps_its_cells_and_colours():
    """A word at cell 4 begins there, as wide as its cells, in the ink of its role and theme."""
    rows = [line("ab  ", ("word", Role.OFF), "█").fit(12)]

    root = ET.fromstring(screen_svg(rows, Theme(word="light"), LIGHT, "a test"))

    first, word = root.iter(f"{SVG}text")
    assert first.attrib["x"] == str(MARGIN)
    assert word.attrib["x"] == str(MARGIN + 4 * CELL_WIDTH)
    assert word.attrib["textLength"] == str(4 * CELL_WIDTH)
    assert word.attrib["fill"] == LIGHT.off.colour
    (block,) = root.iter(f"{SVG}path")
    assert block.attrib["d"] == (
        f"M{MARGIN + 8 * CELL_WIDTH} {MARGIN}h{CELL_WIDTH}v{CELL_HEIGHT}h{-CELL_WIDTH}z"
    )
