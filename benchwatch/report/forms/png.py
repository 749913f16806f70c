"""A drawing as PNG, drawn from its SVG by typst."""

from typing import Final

from benchwatch.report.forms.typst_compiler import typst_compiler

DOTS_PER_INCH: Final = 300
_PAGE: Final = (
    b"#set page(width: auto, height: auto, margin: 0pt, fill: white)\n"
    b'#image(bytes(sys.inputs.drawing), format: "svg")'
)


def png_of(svg: str) -> bytes:
    """Return a drawing as PNG on white; the same drawing gives the same bytes.

    Letters beyond Latin, Greek and Cyrillic are drawn with fonts of the system.

    Args:
        svg: as `svg_of` or `text_picture` return it.

    Raises:
        UsageError: typst is not installed.
    """
    compiler = typst_compiler(svg, "a PNG picture", "A picture as .svg needs none.")
    drawn = compiler.compile(
        input=_PAGE, format="png", ppi=DOTS_PER_INCH, sys_inputs={"drawing": svg}
    )
    assert isinstance(drawn, bytes)
    return drawn
