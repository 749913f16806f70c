"""A drawing as a file: SVG, or PNG, by the ending of its name."""

from pathlib import Path
from typing import Final

from benchwatch.errors import UsageError
from benchwatch.quantity import printable

ENDINGS: Final = (".svg", ".png")


def picture_ending(path: Path) -> str:
    """Return the ending that says how a drawing is written.

    Raises:
        UsageError: it is none of `ENDINGS`.
    """
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        has = f"ends in {printable(ending, 20)}" if ending else "has no ending"
        raise UsageError(
            f"{printable(path.name, 80)} {has}: a picture is written as .svg, or as .png."
        )
    return ending


def picture_bytes(svg: str, ending: str) -> bytes:
    """Return a drawing as the content of a file with this ending.

    Raises:
        UsageError: the library that draws PNG is not installed.
    """
    if ending == ".svg":
        return svg.encode()
    from benchwatch.report.forms.png import png_of  # noqa: PLC0415 - needs an extra

    return png_of(svg)
