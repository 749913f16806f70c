"""Tables that fit a terminal: what is too wide for it goes below each row, or is left out."""

import shutil
import sys
import textwrap
from collections.abc import Sequence
from typing import Final

from benchwatch.commands.common.output import print_text
from benchwatch.quantity import printable
from benchwatch.report.blocks import align_table

INDENT: Final = " " * 6
NARROWEST_CHARS: Final = 40
LONGEST_BELOW_CHARS: Final = 500


def print_fitted(
    header: Sequence[str], rows: Sequence[Sequence[str]], *, below: bool = False
) -> None:
    """Print a table; on a terminal that is narrower, its last column otherwise.

    Args:
        header: names of the columns.
        rows: cells.
        below: whether the last column then goes below its row; else it is left out.
    """
    whole = align_table(header, rows)
    columns = terminal_columns()
    if columns is None or max(map(len, whole.splitlines())) <= columns:
        print_text(whole)
        return
    names, *lines = align_table(header[:-1], [row[:-1] for row in rows]).splitlines()
    print_text(names)
    for line, row in zip(lines, rows, strict=True):
        print_text(line)
        if below:
            words = printable(row[-1], LONGEST_BELOW_CHARS)
            for part in textwrap.wrap(words, max(columns, NARROWEST_CHARS) - len(INDENT)):
                print_text(f"{INDENT}{part}")


def terminal_columns() -> int | None:
    """Return how wide the terminal on standard output is; None where it is none."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None
