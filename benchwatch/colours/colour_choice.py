"""Whether colours are wanted, by the open conventions for environment variables."""

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager


def colours_refused(environ: Mapping[str, str]) -> bool:
    """Return whether ``NO_COLOR`` is set and not empty (https://no-color.org)."""
    return bool(environ.get("NO_COLOR"))


def colours_forced(environ: Mapping[str, str]) -> bool:
    """Return whether ``FORCE_COLOR`` is set and not empty (https://force-color.org)."""
    return bool(environ.get("FORCE_COLOR"))


def lines_in_colour(environ: Mapping[str, str], *, is_terminal: bool) -> bool:
    """Return whether lines for people are written in colour.

    ``FORCE_COLOR`` goes before ``NO_COLOR``, as in the example of https://force-color.org. Without
    either a terminal gets colours that says it has 256 or more, by TERM or COLORTERM.

    Args:
        environ: environment variables.
        is_terminal: whether the lines go to a terminal.
    """
    if colours_forced(environ):
        return True
    if colours_refused(environ) or environ.get("TERM") == "dumb":
        return False
    has_256 = "256color" in environ.get("TERM", "") or bool(environ.get("COLORTERM"))
    return is_terminal and has_256


@contextmanager
def no_color_set(refused: bool) -> Iterator[None]:
    """Set ``NO_COLOR``, or hide it, for a library that reads it where we have decided already.

    Args:
        refused: whether colours are refused.
    """
    kept = os.environ.pop("NO_COLOR", None)
    if refused:
        os.environ["NO_COLOR"] = "1"
    try:
        yield
    finally:
        os.environ.pop("NO_COLOR", None)
        if kept is not None:
            os.environ["NO_COLOR"] = kept
