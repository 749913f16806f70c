"""The text of the gallery, which names every picture that the command draws."""

from typing import Final

from browser_pictures import PICTURES as BROWSER_PICTURES
from screen_pictures import PICTURES as SCREEN_PICTURES

from benchwatch.screen.views.view_list import VIEWS

REPORT_PAGES: Final = {
    "report-1": "The page for whoever brought the unit: as found and as left with U, inside or "
    "outside and by which rule, what was done, cautions.",
    "report-2": "The bench page: both budgets, the corrections, the measuring chain.",
}
"""Pages of the report by the name of their file, without the ending."""
_HEAD: Final = """# Gallery

Every picture here is drawn by the program, with one command:

```sh
python docs/gallery/draw_gallery.py
```

The pictures of the screen and of the report show one visit of a made-up station: its 10 MHz oven
oscillator comes from power-on, settles, is trimmed in four turns and lands. Oscillator and trimmer
are those of the simulated benches; the clock is set and the seed is fixed, so that the command
draws the same again. The pictures of the page are taken in a browser while
`benchwatch watch --sim five --web` runs.
"""


def gallery_page() -> str:
    """Return the gallery as Markdown."""
    parts = [_HEAD, "## The screen\n"]
    for one in SCREEN_PICTURES:
        title = VIEWS.named(one.view).title
        parts.append(f"**{title}.** {one.says}\n\n![{one.says}](gallery/{one.name}.svg)\n")
    parts.append("## The report\n")
    parts += [f"{says}\n\n![{says}](gallery/{name}.png)\n" for name, says in REPORT_PAGES.items()]
    parts.append("## The page\n")
    for picture in BROWSER_PICTURES:
        parts.append(f"{picture.says}\n\n![{picture.says}](gallery/{picture.name}.png)\n")
    return "\n".join(parts)
