"""The compiler of PDF and PNG, which is an extra, and the fonts that it uses."""

import functools
import re
from typing import TYPE_CHECKING, Final

from benchwatch.errors import UsageError
from benchwatch.system.installation import extra_words

if TYPE_CHECKING:
    from typst import Compiler

EXTRA: Final = "report"
"""The extra that installs it."""
_BEYOND_EMBEDDED: Final = re.compile("[^\u0000-\u052f\u2000-\u23ff\ufffd]")
"""Characters that the fonts within typst may not have: fonts of the system are searched then."""


def typst_compiler(text: str, made: str, instead: str) -> "Compiler":
    """Return a compiler with the fonts that `text` needs.

    The fonts within the library look the same on every machine; those of the system are for
    letters that the former lack.

    Args:
        text: all that is to be written.
        made: what is made, such as ``a PDF``, for the error's sentence.
        instead: a sentence on what can be made without the library.

    Raises:
        UsageError: the library is not installed.
    """
    try:
        return _compiler(with_system_fonts=_BEYOND_EMBEDDED.search(text) is not None)
    except ImportError as error:
        raise UsageError(
            f"{made} needs a library that is not installed ({error.name}): "
            f"{extra_words(EXTRA)}. {instead}"
        ) from error


@functools.cache
def _compiler(*, with_system_fonts: bool) -> "Compiler":
    """Return a compiler, which is kept: to find fonts takes longer than a report."""
    from typst import Compiler, Fonts  # noqa: PLC0415 - an extra

    return Compiler(font_paths=Fonts(include_system_fonts=with_system_fonts))
