"""Draws the pictures of the gallery: ``python docs/gallery/draw_gallery.py``.

The pictures of the screen are the same bytes each time. The pages of the report are drawn where the
library for PDF is installed, the page in a browser where a chromium is on the path; what can't be
drawn stays as it was, and a sentence says why.
"""

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).parent
PARTS: Final = ("screen", "report", "page")


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw what is asked for; return the exit code."""
    parser = argparse.ArgumentParser(description="Draw the pictures of the gallery.")
    parser.add_argument("--only", choices=PARTS, action="append", help="draw this part only")
    parser.add_argument("--out", type=Path, default=HERE, help="the folder of the pictures")
    asked = parser.parse_args(arguments)
    os.environ["TZ"] = "UTC"  # times on the screen are local
    if hasattr(time, "tzset"):
        time.tzset()
    sys.path.insert(0, str(HERE))
    # Imported only now, as the zone comes first.
    from browser_pictures import draw_page  # noqa: PLC0415
    from gallery_page import gallery_page  # noqa: PLC0415
    from report_pictures import draw_report  # noqa: PLC0415
    from screen_pictures import draw_screen  # noqa: PLC0415

    asked.out.mkdir(parents=True, exist_ok=True)
    parts = asked.only or PARTS
    with tempfile.TemporaryDirectory() as folder:
        visit = Path(folder)
        if "screen" in parts or "report" in parts:
            draw_screen(visit, asked.out if "screen" in parts else None)
        if "report" in parts:
            draw_report(visit, asked.out)
    if "page" in parts:
        draw_page(asked.out)
    if asked.out == HERE:
        (HERE.parent / "gallery.md").write_text(gallery_page(), encoding="utf-8", newline="\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
