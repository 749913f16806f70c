"""Writes the text of a laboratory file in which every key is explained and none is used yet."""

from typing import Final

from benchwatch.config_tables import ConfigKey
from benchwatch.report.laboratory.laboratory_keys import LABORATORY_FILE

DRAFT_HEAD: Final = """\
# The laboratory, for: benchwatch report
# Each line that begins with # counts for nothing: take the sign away, and write your own words.
# What is left out stands on a report as not stated. These sentences are the laboratory's own; the
# program adds none in its name, and never signs.
"""


def laboratory_draft() -> str:
    """Return the text of the file: every key as a comment, with its explanation above."""
    return "\n".join(
        [DRAFT_HEAD, *(_lines(name, key) for name, key in LABORATORY_FILE.keys.items())]
    )


def _lines(name: str, key: ConfigKey) -> str:
    return f"# {key.explanation}\n# {name} = {key.example}\n"
