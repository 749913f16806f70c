"""The table of a bench: a row a counter, the worst at the top, one of them selected."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from benchwatch.estimate.results import Settle
from benchwatch.quantity import (
    QuantityText,
    format_duration,
    format_frequency,
    printable,
    write_fraction,
)
from benchwatch.run.bench_ranking import NO_NUMBERS, TROUBLES, BenchState, tolerance_side
from benchwatch.screen.drawing.styled_text import Role, StyledLine, faded, line
from benchwatch.screen.frame import BenchRow, Frame
from benchwatch.screen.panels.shared_rows import NAME_CELLS
from benchwatch.screen.text.amounts import ago, shown_offset, to_go, write_u
from benchwatch.snapshot import Snapshot
from benchwatch.staleness import age_s

HEAD_ROWS: Final = 1
SELECTED: Final = ">"
"""Sign of the selected row."""
WIDE_CELLS: Final = 100
"""Width from which state and settle word have columns of their own, and names are longer."""
LONGEST_NAME: Final = 24
"""Cells of a longer name of a counter elsewhere, where there is room."""
STATE_CELLS: Final = 14
"""Cells of the longest state and a blank; columns are left out until the state has so many."""
SCALE_TOLERANCES: Final = 2.0
"""Tolerances from the middle of a row's scale to its ends."""
YES, NO = "yes", "no"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Figure:
    """Offset and u of a row in the parts that are aligned with those of other rows."""

    sign: str = ""
    whole: str = ""
    part: str = ""
    """The point and what follows it."""
    u: str = ""
    unit: str = ""

    @property
    def u_whole(self) -> str:
        return self.u.partition(".")[0]

    @property
    def u_part(self) -> str:
        return self.u[len(self.u_whole) :]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Columns:
    """Cells of the columns, each without the blank behind it; 0: the column is left out."""

    number: int
    name: int
    whole: int
    part: int
    u_whole: int
    u_part: int
    unit: int
    plus_minus: str
    scale: int
    found: int
    landed: int
    age: int
    state: int
    """State and settle word together."""
    wide: bool

    @property
    def offset(self) -> int:
        """Cells of the sign, the figures and their unit."""
        u = self.u_whole + self.u_part
        between = len(self.plus_minus) + 2 if u else 0
        return 1 + self.whole + self.part + between + u + 1 + self.unit


_LEFT_OUT: Final[tuple[Callable[[_Columns], _Columns], ...]] = (
    lambda columns: columns,
    lambda columns: replace(columns, landed=0),
    lambda columns: replace(columns, found=0),
    lambda columns: replace(columns, scale=0),
    lambda columns: replace(columns, age=0),
)
"""What is left out where it is narrow, one after the other."""


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
    figures = [_figure(row) for row in shown]
    columns = _columns(frame, shown, figures, width)
    drawn = [_heads(columns)]
    for row, figure in zip(shown, figures, strict=True):
        drawn.append(_row(frame, row, figure, columns, width))
    below = frame.rows[first + len(shown) :]
    if first or below:
        sentence = line((f"  {_others(first, below, frame)}", Role.DIM))
        drawn.append(
            sentence.fit(width, frame.theme.glyphs.cut) if sentence.width > width else sentence
        )
    return drawn


def _others(above: int, below: Sequence[BenchRow], frame: Frame) -> str:
    """Write how many rows are not shown, in which states, and which is nearest to its limit."""
    parts = [f"{above} more above"] if above else []
    if not below:
        return parts[0]
    states = Counter(row.state for row in below)
    counted = [f"{n} {state}" for state, n in states.items()]  # the rows come worst first
    all_in = f"all {counted[0].partition(' ')[2]}" if len(counted) == 1 else ", ".join(counted)
    several = ": " if len(counted) > 1 else ", "
    text = ", ".join([*parts, f"{len(below)} more below"]) + several + all_in
    known = [row for row in below if row.share is not None and row.state not in NO_NUMBERS]
    if not known:
        return text
    nearest = max(known, key=lambda row: row.share or 0.0)
    name = frame.theme.printable(nearest.snapshot.counter, NAME_CELLS)
    share = nearest.share or 0.0
    if share > 1.0:
        return f"{text}; farthest outside {name} at {100.0 * share:.0f} % of its limit"
    return f"{text}; nearest to its limit {name} at {100.0 * share:.0f} %"


def table_rows(frame: Frame, _width: int, _height: int) -> int:
    """Return the rows that show all counters with the heads of the columns."""
    return HEAD_ROWS + len(frame.rows)


def _columns(
    frame: Frame, shown: Sequence[BenchRow], figures: Sequence[_Figure], width: int
) -> _Columns:
    """Choose the columns for a width; what can be done without is left out where it is narrow."""
    wide = width >= WIDE_CELLS

    def most(cells: Sequence[int]) -> int:
        return max(cells, default=0)

    are_elsewhere = [row.snapshot.station is not None for row in shown]
    has_records = not all(are_elsewhere)  # what is on record elsewhere is not known here
    usual = 18 if wide else 10
    columns = _Columns(
        number=len(str(len(frame.rows))),
        name=usual,
        whole=most([len(one.whole) for one in figures]),
        part=most([len(one.part) for one in figures]),
        u_whole=most([len(one.u_whole) for one in figures]),
        u_part=most([len(one.u_part) for one in figures]),
        unit=most([len(one.unit) for one in figures]),
        plus_minus=frame.theme.glyphs.plus_minus,
        scale=13 if wide else 7,
        found=(8 if wide else 5) if has_records else 0,
        landed=6 if has_records else 0,
        age=6 if wide else 5,
        state=0,
        wide=wide,
    )
    for without in _LEFT_OUT:
        columns = without(columns)
        kept = (columns.scale, columns.found, columns.landed, columns.age)
        taken = sum(cells + 1 for cells in kept if cells)
        room = width - 2 - columns.number - columns.name - 1 - columns.offset - 1 - taken
        if room >= STATE_CELLS:
            break
    longer = 0
    if any(are_elsewhere):  # its name has that of its station in front
        longest = most([len(_label(frame, row)) for row in shown])
        longer = max(min(longest, LONGEST_NAME) - usual, 0)
        longer = min(longer, max(room - STATE_CELLS, 0))
    return replace(columns, name=usual + longer, state=max(room - longer, 0))


def _heads(columns: _Columns) -> StyledLine:
    """Draw the heads of the columns."""
    cells = [
        (" " * (columns.number + 1), columns.number + 1),
        ("counter", columns.name),
        (" offset", columns.offset),
        ("low      high" if columns.wide else "side", columns.scale),
        ("as found" if columns.wide else "found", columns.found),
        ("landed", columns.landed),
        ("age", columns.age),
    ]
    text = " ".join(text.ljust(size) for text, size in cells if size)
    return line((f"{text} state", Role.DIM))


def _row(frame: Frame, row: BenchRow, figure: _Figure, columns: _Columns, width: int) -> StyledLine:
    """Draw the row of one counter."""
    now, theme = row.snapshot, frame.theme
    selected = now.counter == frame.snapshot.counter
    start = line(
        (f"{SELECTED if selected else ' '}{row.number:>{columns.number}} ", Role.KEY),
        *line((_label(frame, row), Role.STRONG if selected else Role.TEXT))
        .fit(columns.name, theme.glyphs.cut)
        .spans,
        " ",
    )
    if row.state == "not there yet":
        return (start + _not_there(frame, row)).fit(width, theme.glyphs.cut)
    numbers = _offset_cells(figure, columns) + line(" ") + _scale(frame, row, columns.scale)
    if columns.found:
        found = now.records is not None and now.records.as_found is not None
        no = NO if now.station is None else ""  # what is on record elsewhere is not known here
        numbers += line((YES if found else no).ljust(columns.found + 1))
    if columns.landed:
        landed = now.trim is not None and now.trim.landing is not None
        is_landed = landed and now.trim.landing.state == "landed"  # type: ignore[union-attr]
        is_here = now.station is None
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
    return start + numbers + _state_cells(frame, row, columns)


def _label(frame: Frame, row: BenchRow) -> str:
    """Write the name of the counter, and the ident of its unit where that is another word."""
    visit = row.snapshot.visit
    unit = visit.unit if visit is not None and visit.unit else ""
    name = row.snapshot.counter
    return frame.theme.printable(name if unit in {"", name} else f"{name} {unit}", 80)


def _figure(row: BenchRow) -> _Figure:
    """Write offset and u of a row; empty where there is no offset."""
    shown = shown_offset(row.snapshot)
    if shown is None or row.state == "not there yet":
        return _Figure()
    text = write_fraction(*shown, row.unit, decimals=row.fraction_format.decimals)
    if text.digits[:1] not in "+-" or not text.digits[1:2].isdigit():
        return _Figure(whole=text.digits, unit="")
    whole, point, part = text.digits[1:].partition(".")
    return _Figure(
        sign=text.digits[0],
        whole=whole.rjust(row.fraction_format.places),
        part=point + part,
        u=_u(text),
        unit=row.unit.short_name,
    )


def _u(text: QuantityText) -> str:
    """Write u; empty where it is unknown, and with < where its digits are all zero."""
    return "" if text.u == "?" else write_u(text).replace("under ", "<")


def _offset_cells(figure: _Figure, columns: _Columns) -> StyledLine:
    """Draw offset ± u, aligned on the sign and on the points."""
    text = (
        (figure.sign or " ") + figure.whole.rjust(columns.whole) + figure.part.ljust(columns.part)
    )
    if figure.u:
        between = f" {columns.plus_minus} "
        u = figure.u_whole.rjust(columns.u_whole) + figure.u_part.ljust(columns.u_part)
        text += between + u
    elif columns.u_whole:
        text += " " * (len(columns.plus_minus) + 2 + columns.u_whole + columns.u_part)
    return line(f"{text} {figure.unit}".ljust(columns.offset))


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


def _role(state: BenchState) -> Role:
    if state in TROUBLES:
        return Role.OFF
    return Role.GOOD if state == "ok" else Role.TEXT


def _state_cells(frame: Frame, row: BenchRow, columns: _Columns) -> StyledLine:
    """Draw the state, and beside it the settle word or the reason, as far as they fit."""
    state = line((row.state, _role(row.state)))
    if columns.wide:
        state = state.fit(STATE_CELLS)
    room = columns.state
    for words in _beside_state(frame, row):
        between = "" if columns.wide else ", "
        whole = state + line((f"{between}{words}", Role.DIM)) if words else state
        if whole.width <= room:
            return whole.fit(room)
    return state.fit(room, frame.theme.glyphs.cut)


def _beside_state(frame: Frame, row: BenchRow) -> list[str]:
    """List what may stand beside the state, the longest first."""
    now, settle = row.snapshot, row.snapshot.numbers.settle
    if row.state in NO_NUMBERS:
        tries = now.link.next_try_s
        if tries is None:
            return _why_lost(now)
        left_s = max(round(tries - frame.now_s), 0)
        return [f"next try in {left_s} s", f"try in {left_s} s"] if left_s else ["trying now"]
    if row.state == "unsent" and now.relay is not None and now.relay.unsent is not None:
        return [f"{now.relay.unsent} not in the central record", f"{now.relay.unsent} events"]
    if now.dialled_hz is not None:
        where = format_frequency(now.dialled_hz)
        return [f"dialled to {where}", f"at {where}", "dialled"]
    return [] if settle is None else _settle_words(settle, row.state, frame.now_s)


def _why_lost(now: Snapshot) -> list[str]:
    """List why no line comes of a counter elsewhere; empty of one here, whose own views say it."""
    if now.station is None or not now.link.detail:
        return []
    why = printable(now.link.detail.split(". ", 1)[0].rstrip("."))
    return [why, why.replace(f"{now.station} is ", "").replace(f" from {now.station}", "")]


def _settle_words(settle: Settle, state: BenchState, now_s: float) -> list[str]:
    """List the forms of the settle word, the longest first."""
    if settle.since_s is not None:
        lasts = ago(settle.since_s, now_s) if now_s - settle.since_s >= 10 else ""
        return [f"settled {lasts}".strip(), "settled"]
    if settle.eta_s is not None:
        left = f"{to_go(settle.eta_s)} to go"
        longest = left if state == "warming" else f"{settle.state}, {left}"
        return [longest, left, to_go(settle.eta_s)]
    return [] if settle.state == state else [settle.state]


def _not_there(frame: Frame, row: BenchRow) -> StyledLine:
    """Draw that a counter was never read, for how long it is waited for, and why."""
    link = row.snapshot.link
    detail = link.detail_at(frame.now_s)
    why = frame.theme.printable(detail) if detail else f"{link.state}, {_since(frame, row)}"
    return line((row.state, _role(row.state)), (f": {why}", Role.DIM))


def _since(frame: Frame, row: BenchRow) -> str:
    return format_duration(max(int(frame.now_s - row.snapshot.link.since_s), 0))
