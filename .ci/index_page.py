"""Writes the README with absolute links, as a package index needs it.

Run ``python .ci/index_page.py ADDRESS [FILE]``. ADDRESS is where the files of this version can be
read, such as ``https://example.org/benchwatch/files/v1``; relative links of FILE (of the README,
unless it is named) lead below it. The page goes to standard output. Inline links and pictures are
changed, outside code; links within the page stay.
"""

import re
import sys
from pathlib import Path

README = Path(__file__).parents[1] / "README.md"
CODE_OR_LINK = re.compile(
    r"^```.*?^```|``.+?``|`[^`\n]+`|(?P<text>\[[^\]`]*(?:`[^`]*`[^\]`]*)*\])\((?P<target>[^)\s]+)\)",
    re.MULTILINE | re.DOTALL,
)


def absolute(text: str, address: str) -> str:
    """Return `text` with each relative link as one below `address`.

    Raises ValueError for a link that leads out of the folder of the README.
    """

    def changed(found: re.Match[str]) -> str:
        target = found["target"]
        if target is None or target.startswith("#") or re.match(r"[a-z][a-z+.-]*:", target):
            return found[0]
        if target.startswith(("/", "..")):
            message = f"{target} leads out of the folder of the page; no address can be made of it."
            raise ValueError(message)
        return f"{found['text']}({address.rstrip('/')}/{target})"

    return CODE_OR_LINK.sub(changed, text)


def main(words: list[str]) -> str:
    """Return the page for the words of the command line, or leave with a sentence."""
    if len(words) not in {1, 2} or re.match(r"https?://[^\s/]+", words[0]) is None:
        sys.exit(
            "index_page: give the address of the files, https://..., and no more than one file."
        )
    page = Path(words[1]) if len(words) == 2 else README
    try:
        return absolute(page.read_text(encoding="utf-8"), words[0])
    except (OSError, ValueError) as error:
        sys.exit(f"index_page: {page}: {error}")


if __name__ == "__main__":
    sys.stdout.buffer.write(main(sys.argv[1:]).encode())
