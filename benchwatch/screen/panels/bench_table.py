"""The table of a bench: a row a counter, the worst at the top, one of them selected."""

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from benchwatch.run.bench_ranking import NO_NUMBERS, WORST_FIRST, tolerance_side
from benchwatch.screen.drawing.styled_text import Role, StyledLine, faded, line
from benchwatch.screen.frame import BenchRow, Frame
from benchwatch.screen.panels.bench_columns import (
    Columns,
    Figure,
    choose_columns,
    counter_label,
    heads,
    offset_cells,
    offset_figure,
)
from benchwatch.screen.panels.bench_states import never_read, state_cells
from benchwatch.screen.panels.shared_rows import NAME_CELLS
from benchwatch.snapshot import Snapshot
from benchwatch.staleness import age_s

HEAD_ROWS: Final = 1
SELECTED: Final = ">"
"""Sign of the selected row."""
SCALE_TOLERANCES: Final = 2.0
"""Tolerances from the middle of a row's scale to its ends."""
YES, NO = "yes", "no"


def first_shown(frame: Frame, slots: int) -> int:
    """Return the place of the first row of `slots` that are shown; the selected one is in them."""
    names = [row.snapshot.counter for row in frame.rows]
    selected = frame.snapshot.counter
    place = names.index(selected) if selected in names else 0
    return min(max(place - slots // 2, 0), max(len(names) - slots, 0))


def _slots(frame: Frame, rows: int) -> int:
    """Return how many counters are shown in `rows`; what is not shown is said in a row below."""
    free = max(rows - HEAD_ROWS, 1)
    return free if len(frame.rows) <= free else max(free - 1, 1)


def counter_at(frame: Frame, row: int, rows: int) -> str | None:
    """Return the name of the counter in a row of the table drawn in `rows`; None: there is none."""
    slots = _slots(frame, rows)
    place = row - HEAD_ROWS
    if not 0 <= place < slots:
        return None
    place += first_shown(frame, slots)
    return frame.rows[place].snapshot.counter if place < len(frame.rows) else None


def bench_table(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the heads of the columns, the counters around the selected one, and how many more."""
    slots = _slots(frame, rows)
    first = first_shown(frame, slots)
    shown = frame.rows[first : first + slots]
    figures = [offset_figure(row) for row in shown]
    columns = choose_columns(frame, shown, figures, width)
    drawn = [heads(columns)]
    for row, figure in zip(shown, figures, strict=True):
        drawn.append(_row(frame, row, figure, columns, width))
    below = frame.rows[first + len(shown) :]
    if first or below:
        forms = [line((f"  {text}", Role.DIM)) for text in _not_shown(first, below, frame)]
        fitting = next((one for one in forms if one.width <= width), forms[-1])
        drawn.append(fitting.fit(min(fitting.width, width), frame.theme.glyphs.cut))
    return drawn


def _not_shown(above: int, below: Sequence[BenchRow], frame: Frame) -> Iterator[str]:
    """Write how many rows are not shown, in which states, and which is nearest to its limit.

    Yields the longest form first.
    """
    parts = [f"{above} more above"] if above else []
    if not below:
        yield parts[0]
        return
    head = ", ".join([*parts, f"{len(below)} more below"])
    counted = Counter(row.state for row in below).most_common()
    counted.sort(key=lambda one: WORST_FIRST.index(one[0]))
    if len(counted) == 1:
        text = f"{head}, all {counted[0][0]}"
    else:
        text = f"{head}: {', '.join(f'{n} {state}' for state, n in counted)}"
    for nearest in _nearest_words(below, frame):
        yield f"{text}; {nearest}"
    yield text
    for left in range(len(counted) - 1, 0, -1):
        named = ", ".join(f"{n} {state}" for state, n in counted[:left])
        yield f"{head}: {named}, {sum(n for _, n in counted[left:])} better"
    yield head


def _nearest_words(below: Sequence[BenchRow], frame: Frame) -> list[str]:
    """Name the counter that takes most of its tolerance, the longest form first."""
    known = [row for row in below if row.share is not None and row.state not in NO_NUMBERS]
    if not known:
        return []
    nearest = max(known, key=lambda row: row.share or 0.0)
    name = frame.theme.printable(nearest.snapshot.counter, NAME_CELLS)
    share = nearest.share or 0.0
    percent = f"{100.0 * share:.0f} %"
    if share > 1.0:
        long = f"farthest outside {name} at {percent} of its limit"
        return [long, f"farthest {name} at {percent}"]
    return [f"nearest to its limit {name} at {percent}", f"nearest {name} at {percent}"]


def table_rows(frame: Frame, _width: int, _height: int) -> int:
    """Return the rows that show all counters with the heads of the columns."""
    return HEAD_ROWS + len(frame.rows)


def _row(frame: Frame, row: BenchRow, figure: Figure, columns: Columns, width: int) -> StyledLine:
    """Draw the row of one counter."""
    now, theme = row.snapshot, frame.theme
    selected = now.counter == frame.snapshot.counter
    start = line(
        (f"{SELECTED if selected else ' '}{row.number:>{columns.number}} ", Role.KEY),
        *line((counter_label(frame, row), Role.STRONG if selected else Role.TEXT))
        .fit(columns.name, theme.glyphs.cut)
        .spans,
        " ",
    )
    if row.state == "not there yet":
        return (start + never_read(frame, row)).fit(width, theme.glyphs.cut)
    numbers = offset_cells(figure, columns) + line(" ") + _scale(frame, row, columns.scale)
    if columns.found:
        found = now.records is not None and now.records.as_found is not None
        numbers += line((YES if found else NO).ljust(columns.found + 1))
    if columns.landed:
        landed = now.trim is not None and now.trim.landing is not None
        is_landed = landed and now.trim.landing.state == "landed"  # type: ignore[union-attr]
        is_here = now.station is None  # whether one elsewhere has landed is said there
        numbers += line(
            (YES if is_landed and is_here else NO if is_here else "").ljust(columns.landed + 1)
        )
    if row.state in NO_NUMBERS or now.dialled_hz is not None:
        numbers = faded([numbers])[0]
        if selected:
            start = faded([start])[0]
    if columns.age:
        role = Role.OFF if row.state in NO_NUMBERS else Role.TEXT
        numbers += line((_age(now, frame.now_s).ljust(columns.age + 1), role))
    return start + numbers + state_cells(frame, row, columns)


def _scale(frame: Frame, row: BenchRow, cells: int) -> StyledLine:
    """Draw the offset on a small scale with the tolerance as its heavy stretch, and a blank."""
    if not cells:
        return StyledLine()
    now, glyphs, half = row.snapshot, frame.theme.glyphs, cells // 2
    estimate, tolerance = now.numbers.estimate, now.numbers.tolerance
    full = row.scale_full if tolerance is None else SCALE_TOLERANCES * tolerance.limit
    if estimate is None or full is None or not full > 0:
        return line(" " * (cells + 1))
    band = round(half / SCALE_TOLERANCES) if tolerance is not None else -1
    signs = [
        (glyphs.band, Role.BAND) if abs(at) <= band else (glyphs.rule, Role.AXIS)
        for at in range(-half, half + 1)
    ]
    signs[half] = (glyphs.zero, Role.AXIS)
    away = (estimate.offset - now.aim) / full
    place = half + round(half * min(max(away, -1.0), 1.0))
    sign = "<" if away < -1.0 else ">" if away > 1.0 else glyphs.full
    role = Role.GOOD if tolerance_side(now) == "inside" else Role.OFF
    signs[place] = (sign, role if tolerance is not None else Role.ESTIMATE)
    return line(*signs, " ")


def _age(now: Snapshot, at_s: float) -> str:
    """Write the age of the newest reading in whole seconds, minutes, hours or days."""
    seconds = int(age_s(now, at_s) or 0.0)
    for size, unit in ((86_400, "d"), (3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds // size}{'' if unit == 'min' and seconds // size > 9 else ' '}{unit}"
    return f"{seconds} s" if seconds else "<1 s"
