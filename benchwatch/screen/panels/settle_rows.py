"""Rows about the settle verdict: a cycle, and how long the verdict has held."""

from benchwatch.quantity import format_duration, how_many, write_fraction, write_seconds
from benchwatch.screen.drawing.styled_text import StyledLine, faded, fitting, line
from benchwatch.screen.frame import Frame
from benchwatch.screen.text.amounts import lasted, write_u
from benchwatch.screen.text.local_time import minute


def cycle_rows(frame: Frame, _width: int, _height: int) -> int:
    """Return 1 row while there is a cycle."""
    settle = frame.snapshot.numbers.settle
    return 0 if settle is None or settle.cycle is None else 1


def cycle_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw by how much the offset cycles and how long a cycle takes."""
    settle = frame.snapshot.numbers.settle
    if settle is None or settle.cycle is None:
        return []
    cycle, plus_minus = settle.cycle, frame.theme.glyphs.plus_minus
    swing = write_fraction(cycle.swing, cycle.swing_u, frame.unit)
    period = write_seconds(cycle.period_s, cycle.period_u)
    by = f"  cycles by {swing.digits.lstrip('+')} {plus_minus} {write_u(swing)} {swing.unit}"
    every = f"{format_duration(cycle.period_s)}"
    exact = f"{period.digits.lstrip('+')} {plus_minus} {write_u(period)} s"
    long = f"{by} from peak to peak every {every} ({exact})"
    drawn = [fitting(width, line(long), line(f"{by} every {exact}"), line(f"{by} every {every}"))]
    return faded(drawn) if frame.stale else drawn


def held_rows(frame: Frame, width: int, _height: int) -> int:
    """Return 1 row once the oscillator has settled, 2 where both sentences do not fit in one."""
    sentences = _held_sentences(frame)
    return 0 if not sentences else 1 if len(" ".join(sentences)) + 4 <= width else 2


def held_lines(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw when the offset first settled, for how long in all, the worst excursion, the gaps."""
    sentences = _held_sentences(frame)
    if sentences and (rows < 2 or held_rows(frame, width, rows) < 2):
        both = line(f"  {sentences[0]}; {sentences[1]}")
        drawn = [fitting(width, both, line(f"  {sentences[0]}"))]
    else:
        drawn = [line(f"  {one}") for one in sentences]
    return faded(drawn) if frame.stale else drawn


def _held_sentences(frame: Frame) -> list[str]:
    """Return the two sentences on a held verdict; none before the offset has first settled."""
    settle = frame.snapshot.numbers.settle
    if settle is None or settle.held is None:
        return []
    held = settle.held
    gone = lasted(max(frame.now_s - held.first_s, 0.0))
    first = f"first settled {_clock(frame, held.first_s)}, held {lasted(held.held_s)} of {gone}"
    worst = "no excursion since"
    if held.worst_s is not None:
        size = write_fraction(held.worst, abs(held.worst), frame.unit, digits=2)
        worst = f"worst {size.digits} {size.unit} at {_clock(frame, held.worst_s)}"
    gaps = "no gaps"
    if held.gaps:
        gaps = f"{how_many(held.gaps, 'gap')}, {format_duration(held.gaps_s)} in all"
    return [first, f"{worst}; {gaps}"]


def _clock(frame: Frame, at_s: float) -> str:
    """Write a time of the run as time of day, with the date if not today's; undated, as it is."""
    then, now = frame.snapshot.utc_at(at_s), frame.snapshot.utc_at(frame.now_s)
    if then is None or now is None:
        return f"{format_duration(max(at_s, 0.0))} into the run"
    return minute(then, now)
