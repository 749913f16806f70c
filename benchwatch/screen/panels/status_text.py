"""The state of trim, tool, link and settling in words."""

from typing import TYPE_CHECKING

from benchwatch.quantity import format_frequency, how_many, printable, write_fraction
from benchwatch.screen.drawing.styled_text import Role, StyledLine, fitting, line
from benchwatch.screen.frame import Frame
from benchwatch.screen.text.amounts import ago, to_go, way_left, with_u, write_limit
from benchwatch.screen.text.rates import write_rate

if TYPE_CHECKING:
    from benchwatch.estimate.results import Nudge
    from benchwatch.estimate.trim.tool_pull import ToolState
    from benchwatch.estimate.trim.trim_hint import Direction
    from benchwatch.snapshot import RelayNow

_LAMPS = {
    "settled": ("SETTLED", Role.GOOD_LAMP),
    "warming": ("WARMING", Role.OFF_LAMP),
    "unsure": ("UNSURE", Role.PLAIN_LAMP),
}


WAY_LEFT = "to go to the aim"
"""Label of the way left."""


def side_of_aim(frame: Frame) -> "Direction":
    """Return the side of the aim on which the estimate lies; undecided without readings."""
    return "undecided" if frame.stale else frame.snapshot.side


def warming(frame: Frame) -> bool:
    """Return whether the offset drifts by more than the limit, so that it is too early to turn."""
    settle = frame.snapshot.numbers.settle
    return settle is not None and settle.state == "warming"


def reason_to_wait(frame: Frame) -> str:
    """Write why not to turn now; empty when it is time to turn.

    During a warm-up the offset moves by itself; after a turn such a drift can be the turn's creep.
    Once the level at which a creep will rest is known, all advice uses it, and no wait is needed.
    """
    now = frame.snapshot.trim
    if now is not None and now.touched:
        return "the tool has moved: wait"
    if frame.snapshot.numbers.rest is not None:
        return ""
    turned = now is not None and now.turn is not None
    return f"still {'moving' if turned else 'warming'}: wait" if warming(frame) else ""


def direction_words(frame: Frame) -> StyledLine:
    """Write which way to turn, or why that is unknown; during the warm-up, to wait."""
    numbers = frame.snapshot.numbers
    if frame.stale:
        if frame.snapshot.dialled_hz is not None and frame.snapshot.link.state == "reading":
            return line(("dialled elsewhere, so no direction", Role.OFF))
        return line(("no reading, so no direction", Role.OFF))
    if numbers.estimate is None:
        return line(("no estimate yet", Role.DIM))
    if frame.snapshot.trim is not None and frame.snapshot.trim.touched:
        return line((reason_to_wait(frame), Role.OFF))
    side, left = side_of_aim(frame), shows_way_left(frame)
    if side == "inside" and numbers.tolerance is not None:
        span = write_limit(numbers.tolerance.limit, frame.unit, frame.theme.glyphs.plus_minus)
        of_what = f" of the aim{_lift_words(frame)}" if tool_aims(frame) else ""
        outside = numbers.rest is not None and not numbers.tolerance.inside
        words, role = f"{'will rest inside' if outside else 'inside'} {span}{of_what}", Role.GOOD
    elif side in {"inside", "undecided"}:
        target = "the aim" if tool_aims(frame) else "nominal"
        words, role = f"on {target}, as far as can be told yet", Role.GOOD
    else:
        where: str = side
        if tool_aims(frame):
            where = "above the aim" if side == "high" else "below the aim"
        advice = reason_to_wait(frame) or f"bring it {'down' if side == 'high' else 'up'}"
        words, role = advice if left else f"{where}, {advice}", Role.OFF
    return line((f"{WAY_LEFT}; {words}" if left else words, role))


def shows_way_left(frame: Frame) -> bool:
    """Return whether the large figures are the way left to the aim: it is known, the tool on."""
    return tool_on(frame) and not frame.stale and way_left(frame.snapshot) is not None


def offset_words(frame: Frame) -> StyledLine:
    """Write the offset from nominal in small, where the large figures are the way left."""
    estimate = frame.snapshot.numbers.estimate
    if estimate is None:
        return StyledLine()
    text = write_fraction(estimate.offset, estimate.u, frame.unit)
    return line((f"   offset {with_u(text, frame.theme.glyphs.plus_minus)}", Role.DIM))


def _lift_words(frame: Frame) -> str:
    """Write whether to lift the tool, once that is known."""
    now = frame.snapshot.trim
    if now is None or now.lift is None or reason_to_wait(frame):
        return ""
    return ", lift the tool" if now.lift else ", near its edge"


def rest_words(frame: Frame, *, short: bool = False) -> str:
    """Write the offset at which a creep will rest, and the time left; empty: nothing creeps."""
    resting = frame.snapshot.numbers.rest
    if resting is None or frame.stale:
        return ""
    text = write_fraction(resting.offset, resting.u, frame.unit)
    words = f"will rest at {with_u(text, frame.theme.glyphs.plus_minus)}"
    return words if short else f"{words} in {to_go(resting.in_s)}"


def tool_state(frame: Frame) -> "ToolState | None":
    """Return the state of the tool; None: not known."""
    return frame.snapshot.trim.tool if frame.snapshot.trim is not None else None


def tool_on(frame: Frame) -> bool:
    """Return whether the tool is on the trimmer."""
    state = tool_state(frame)
    return frame.tool_on if state is None else state.on


def last_turn(frame: Frame) -> "Nudge | None":
    """Return the newest nudge; a step by the tool does not count where it is known as such."""
    now = frame.snapshot.trim
    return frame.snapshot.numbers.last_nudge if now is None else now.turn


def tool_aims(frame: Frame) -> bool:
    """Return whether the tool is on and its pull known, so that the aim is not zero."""
    state = tool_state(frame)
    return state is not None and state.aim_pull is not None


def link_words(frame: Frame) -> StyledLine:
    """Write the state of the connection, and the age of the newest reading."""
    state, reading = frame.snapshot.link, frame.snapshot.reading
    since = ago(state.since_s, frame.now_s)
    if state.state == "connecting":
        return line((f"connecting, {since}", Role.OFF))
    if state.state == "ended":
        return line((f"ended {since} ago", Role.OFF))
    if reading is None:
        return line((f"no reading yet, {since}", Role.OFF))
    age = ago(reading.elapsed_s, frame.now_s)
    dialled_hz = frame.snapshot.dialled_hz
    if dialled_hz is not None and state.state == "reading":
        return line((f"dialled to {format_frequency(dialled_hz)}", Role.OFF))
    if not frame.stale:
        return line(f"reading {age} old")
    word = {"lost": "link lost", "reading": "overdue"}.get(state.state, "silent")
    return line((f"{word}, reading {age} old", Role.OFF))


def settle_lamp(frame: Frame) -> StyledLine:
    """Write the settle verdict as a word in brackets, on a background of its own."""
    settle = frame.snapshot.numbers.settle
    if settle is None:
        return line(("[no settle limit]", Role.DIM))
    word, role = _LAMPS[settle.state]
    return line((f"[{word}]", role))


def settle_words(frame: Frame, width: int) -> StyledLine:
    """Write the drift, and the time until or since settling, in at most `width` cells."""
    settle, words = frame.snapshot.numbers.settle, drift_words(frame)
    if frame.stale:
        old = "" if frame.snapshot.numbers.drift is None else ", by the last readings"
        return fitting(width, line(f"{words}{old}"), line(old.removeprefix(", ")))
    if settle is not None and settle.since_s is not None:
        for_how_long = f"settled for {ago(settle.since_s, frame.now_s)}"
        return fitting(width, line(f"{words}, {for_how_long}"), line(for_how_long))
    if settle is not None and settle.eta_s is not None:
        long, short = time_to_go(frame), time_to_go(frame, short=True)
        return fitting(width, line(f"{words}, {long}"), line(long), line(short))
    if settle is not None and settle.state == "unsure":
        return fitting(width, line(f"{words}, can't tell yet"), line(words))
    return line(words)


def time_to_go(frame: Frame, *, short: bool = False) -> str:
    """Write the time until the offset settles, with its range where known."""
    settle = frame.snapshot.numbers.settle
    if settle is None or settle.eta_s is None:
        return "time to go unknown"
    words = f"{to_go(settle.eta_s)} to go"
    if short or settle.eta_low_s is None or settle.eta_high_s is None:
        return words
    low, high = to_go(settle.eta_low_s), to_go(settle.eta_high_s)
    return words if low == high else f"{words} ({low} to {high})"


def drift_words(frame: Frame) -> str:
    """Write the drift with its uncertainty."""
    value = frame.snapshot.numbers.drift
    if value is None:
        return "drift unknown"
    text = write_rate(value.per_s, value.u, frame.drift_unit)
    return f"drift {with_u(text, frame.theme.glyphs.plus_minus)}"


def trouble_words(frame: Frame) -> str:
    """Return the most important message or fault as one sentence; empty: none."""
    snapshot = frame.snapshot
    if frame.message:  # a message answers a key and soon disappears; a fault stays
        return frame.theme.printable(frame.message)
    if frame.stale and snapshot.link.detail:
        detail = snapshot.link.detail_at(frame.now_s)
        return frame.theme.printable(_reason_first(detail, snapshot.resource))
    if snapshot.journal_trouble:
        waits = f" ({snapshot.not_on_disk} not on disk)" if snapshot.not_on_disk else ""
        return f"not being journaled{waits}: {frame.theme.printable(snapshot.journal_trouble)}"
    return _doubt_words(frame)


def _doubt_words(frame: Frame) -> str:
    """Return why the main offset is not current, or in doubt, as one sentence; empty: it is not."""
    snapshot = frame.snapshot
    checks = snapshot.checks
    if checks is not None and checks.phase == "back":
        return checks.instruction
    if snapshot.dialled_hz is not None:
        where, age = format_frequency(snapshot.dialled_hz), "of before"
        if snapshot.reading is not None:
            age = f"{ago(snapshot.reading.elapsed_s, frame.now_s)} old"
        return f"the unit is dialled to {where}: the main offset stands still, {age}"
    if snapshot.question is not None:
        return frame.theme.printable(snapshot.question)
    if snapshot.relay is not None and (words := relay_words(snapshot.relay)):
        return frame.theme.printable(words)
    if snapshot.time_base.source == "internal" and snapshot.proof is None:
        return "caution: internal time base; the offset is against the counter's own oscillator"
    return ""


def relay_words(now: "RelayNow") -> str:
    """Write what is wrong with sending to the central record; empty: nothing is."""
    events = "" if now.unsent is None else how_many(now.unsent, "event")
    if now.trouble:
        return f"not being sent{f' ({events} unsent)' if events else ''}: {now.trouble}"
    return f"not in the central record yet: {events or 'some events'}" if now.behind else ""


def _reason_first(detail: str, resource: str) -> str:
    """Put the reason before the resource that can't be opened: the end of a row may be cut."""
    what = f"can't open {printable(resource)}"
    if not detail.startswith(f"{what}: "):
        return detail
    why, _, then = detail.removeprefix(f"{what}: ").partition(". ")
    return f"{why.rstrip('.')}: {what}. {then}".rstrip()
