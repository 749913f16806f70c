"""The writer of lines for people on this standard output."""

import os
import sys

from benchwatch.colours import lines_in_colour
from benchwatch.line_output import PlainWriter


def plain_writer() -> PlainWriter:
    """Return a writer of lines, in colour where standard output is to get colours."""
    return PlainWriter(colour=lines_in_colour(os.environ, is_terminal=sys.stdout.isatty()))
