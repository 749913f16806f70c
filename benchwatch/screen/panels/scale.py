"""The centre-zero scale: tolerance band, raw reading as a dot, estimate as a marker."""

import math

from benchwatch.screen.drawing.styled_text import Role, StyledLine, faded, line
from benchwatch.screen.frame import Frame
from benchwatch.screen.panels.status_text import tool_aims, tool_state
from benchwatch.screen.text.amounts import round_figure

RAW_SIGN, AIM_SIGN = "o", "V"
"""Signs for the newest reading, and for the aim while the tool is on the trimmer."""


def scale(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the scale: raw reading above the ruler, estimate below it, figures at the bottom."""
    full = frame.scale_full
    if full is None:
        return [StyledLine()] * (rows - 1) + [
            line(("  no scale before the first reading", Role.DIM))
        ]
    ruler = _Ruler(frame, full, width)
    marker = ruler.estimate()
    drawing = [ruler.raw(), ruler.ticks(), *[marker] * max(rows - 3, 1), ruler.figures()]
    return faded(drawing) if frame.stale else drawing


class _Ruler:
    """The rows of a scale from -full to +full (fractional), with zero in the middle column."""

    def __init__(self, frame: Frame, full: float, width: int) -> None:
        self._frame, self._full, self._width = frame, full, width
        self._half = max((width - 3) // 2, 4)
        self._left = (width - (2 * self._half + 1)) // 2
        self._glyphs = frame.theme.glyphs
        state = tool_state(frame)
        self._aim = state.aim if state is not None and tool_aims(frame) else None

    def raw(self) -> StyledLine:
        reading = self._frame.snapshot.reading
        row = self._blank()
        if self._aim is not None:
            self._put(row, self._aim, AIM_SIGN, Role.GOOD)
        if reading is not None and math.isfinite(reading.offset):
            self._put(row, reading.offset, RAW_SIGN, Role.RAW)
        self._write_if_free(row, 0, "low")
        self._write_if_free(row, 2 * self._half + 1 - len("high"), "high")
        return self._joined(row)

    def ticks(self) -> StyledLine:
        glyphs, row = self._glyphs, self._blank()
        tolerance = self._frame.snapshot.numbers.tolerance
        middle = self._column(self._aim or 0.0)[0]
        band = self._column(tolerance.limit)[0] - self._half if tolerance is not None else -1
        for index in range(2 * self._half + 1):
            inside = abs(index - middle) <= band
            row[index] = (glyphs.band, Role.BAND) if inside else (glyphs.rule, Role.AXIS)
        for part in (-0.5, 0.5):
            row[self._column(part * self._full)[0]] = (glyphs.tick, Role.AXIS)
        row[self._half] = (glyphs.zero, Role.STRONG)
        row[0], row[-1] = (glyphs.left_end, Role.AXIS), (glyphs.right_end, Role.AXIS)
        return self._joined(row)

    def estimate(self) -> StyledLine:
        estimate, row = self._frame.snapshot.numbers.estimate, self._blank()
        if estimate is None:
            return self._joined(row)
        if estimate.u is not None:
            low, _ = self._column(estimate.offset - estimate.u)
            high, _ = self._column(estimate.offset + estimate.u)
            for index in range(low, high + 1):
                row[index] = (self._glyphs.whisker, Role.ESTIMATE)
        self._put(row, estimate.offset, self._glyphs.full, Role.ESTIMATE)
        return self._joined(row)

    def figures(self) -> StyledLine:
        row, unit = self._blank(), self._frame.unit
        for part in (-1.0, -0.5, 0.0, 0.5, 1.0):
            text = round_figure(part * self._full, unit)
            at = self._column(part * self._full)[0] - len(text.lstrip("+-")) // 2
            at -= 1 if text[0] in "+-" else 0
            self._write_if_free(row, min(max(at, 0), len(row) - len(text)), text)
        name = f" {unit.name}"
        quarter = self._column(0.25 * self._full)[0]
        self._write_if_free(row, quarter - len(name) // 2, name)
        return self._joined(row)

    def _blank(self) -> list[tuple[str, Role]]:
        return [(" ", Role.TEXT)] * (2 * self._half + 1)

    def _column(self, value: float) -> tuple[int, bool]:
        """Return the column of `value`, or the nearest one, and whether `value` is on the scale."""
        place = self._half * min(max(value / self._full, -1.0), 1.0)
        return self._half + round(place), abs(value) <= self._full * (1 + 1e-9)

    def _put(self, row: list[tuple[str, Role]], value: float, char: str, role: Role) -> None:
        """Write `char` at `value`, or an arrow head at the end beyond which `value` lies."""
        column, on_scale = self._column(value)
        row[column] = (char if on_scale else "<" if value < 0 else ">", role)

    def _write_if_free(self, row: list[tuple[str, Role]], at: int, text: str) -> None:
        """Write `text` if its cells are free."""
        if at >= 0 and all(char == " " for char, _ in row[at : at + len(text)]):
            row[at : at + len(text)] = [(char, Role.AXIS) for char in text]

    def _joined(self, row: list[tuple[str, Role]]) -> StyledLine:
        return line(" " * self._left, *row).fit(self._width)
