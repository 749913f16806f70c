"""The state of a counter in its row of the bench table, and what stands beside it."""

from benchwatch.estimate.results import Settle
from benchwatch.quantity import format_duration, format_frequency, printable
from benchwatch.run.bench_ranking import NO_NUMBERS, TROUBLES, BenchState
from benchwatch.screen.drawing.styled_text import Role, StyledLine, line
from benchwatch.screen.frame import BenchRow, Frame
from benchwatch.screen.panels.bench_columns import STATE_CELLS, Columns
from benchwatch.screen.text.amounts import ago, to_go
from benchwatch.snapshot import Snapshot


def _role(state: BenchState) -> Role:
    if state in TROUBLES:
        return Role.OFF
    return Role.GOOD if state == "ok" else Role.TEXT


def state_cells(frame: Frame, row: BenchRow, columns: Columns) -> StyledLine:
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


def never_read(frame: Frame, row: BenchRow) -> StyledLine:
    """Draw that a counter was never read, for how long it is waited for, and why."""
    link = row.snapshot.link
    detail = link.detail_at(frame.now_s)
    why = frame.theme.printable(detail) if detail else f"{link.state}, {_since(frame, row)}"
    return line((row.state, _role(row.state)), (f": {why}", Role.DIM))


def _since(frame: Frame, row: BenchRow) -> str:
    return format_duration(max(int(frame.now_s - row.snapshot.link.since_s), 0))
