"""The pages for people as text."""

import re
from pathlib import Path

TOP = Path(__file__).parents[2]
README = TOP / "README.md"


def page_text(page: Path) -> str:
    """Return the text of `page`, with relative links.

    A released README has absolute ones (``.ci/index_page.py``): their address is taken off.
    """
    text = page.read_text(encoding="utf-8")
    address = re.search(r"\]\((https?://[^)\s]+/)docs/numbers\.md\)", text)
    return text if address is None else text.replace(f"]({address[1]}", "](")
