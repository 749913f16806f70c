"""The writer of lines for people on this standard output."""

import os
import sys

from benchwatch.colours import lines_in_colour
from benchwatch.line_output import PlainWriter


def plain_writer(unit: str | None = None) -> PlainWriter:
    """Return a writer of lines, in colour where standard output is to get colours.

    Args:
        unit: name of the unit of all fractions; None: by size.
    """
    colour = lines_in_colour(os.environ, is_terminal=sys.stdout.isatty())
    return PlainWriter(colour=colour, unit=unit)
