"""The recipe for a view, followed in a copy of the program."""

from pathlib import Path

from recipe_kit import ProgramCopy

KITS = Path(__file__).parents[1] / "kits"
VIEW = '''"""Gaps: how many there were, and the last one."""

from benchwatch.quantity import how_many
from benchwatch.screen.drawing.styled_text import (StyledLine, line)
from benchwatch.screen.frame import Frame, Panel, always
from benchwatch.screen.view import View


def gap_lines(frame: Frame, _width: int, _rows: int) -> list[StyledLine]:
    """Draw how many gaps there were."""
    return [line(f"  {how_many(frame.snapshot.gaps, 'gap')} so far")]


GAPS_VIEW = View(
    name="all_gaps",
    title="Gaps",
    about="where readings are missing",
    key="7",
    action="Show the gaps",
    panels=(Panel(draw=gap_lines, rows=always(1), fills=True),),
    help=("Each gap is a time without readings.",),
)
'''
PRESS = """
import asyncio
import sys

sys.path.append({kits!r})
import screen_kit as kit

from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme


async def main():
    options = DisplayOptions(theme=Theme(), state=None)
    app = BenchwatchApp(kit.FakeWatch(kit.snapshot(gaps=3)), options=options, every_s=None)
    async with app.run_test(size=(100, 30)) as pilot:
        for keys in (["7"], ["h"], ["escape", "1", "question_mark"]):
            await pilot.press(*keys)
            await pilot.pause()
            for widget in app.screen.query("TextWidget"):
                print(*(row.plain.rstrip() for row in widget.lines), sep="\\n")
            print("====")


asyncio.run(main())
"""


def test_a_view_is_a_declaration_and_a_place_in_the_list(tmp_path: Path) -> None:
    """The view's key, tab, footer, help, row in the list of keys and ``--view`` follow."""
    copy = ProgramCopy(tmp_path)

    copy.add("benchwatch/screen/views/gaps_view.py", VIEW)
    views = "benchwatch/screen/views/view_list.py"
    imported = "from benchwatch.screen.views.fill_view import FILL_VIEW\n"
    copy.edit(
        views, imported, f"{imported}from benchwatch.screen.views.gaps_view import GAPS_VIEW\n"
    )
    copy.edit(views, "        CHAIN_VIEW,\n", "        CHAIN_VIEW,\n        GAPS_VIEW,\n")
    shown, explained, listed, _ = copy.python(PRESS.format(kits=str(KITS))).split("====\n")

    assert len(copy.touched) <= 2
    assert "  3 gaps so far\n" in shown
    assert " 6 Chain  7 Gaps " in shown
    assert "  1-7 view  " in shown
    assert explained.startswith("Gaps\n\nEach gap is a time without readings.\n")
    assert "7           Show the gaps.\n" in listed
    assert "chain|all-gaps|fill" in copy.program("watch", "--help").stdout
    with_lines = copy.program("watch", "--sim", "--json", "--view", "all-gaps").stderr
    assert "--view is for the screen" in with_lines
