"""Chain: what comparisons with other counters say of this one, and whether its reference is enough.

The sentences are those of `benchwatch.report.comparison_words`, as on record and afterwards.
"""

from benchwatch.estimate.comparison.comparison_result import ComparedPair, ComparisonResult
from benchwatch.estimate.comparison.own_shares import OwnShare
from benchwatch.pipeline.event_log import limit_words
from benchwatch.quantity import OffsetUnit, format_duration, how_many, in_unit, write_fraction
from benchwatch.report.comparison_words import (
    NOT_RESOLVABLE,
    TIME_BASE_WORDS,
    claim_column,
    comparison_unit,
    shortest_shares,
)
from benchwatch.screen.drawing.styled_text import Role, StyledLine, faded, line, wrapped_text
from benchwatch.screen.frame import Frame, Panel, always
from benchwatch.screen.key_binding import KeyBinding
from benchwatch.screen.text.amounts import run_time
from benchwatch.screen.text.local_time import date_and_time
from benchwatch.screen.view import View
from benchwatch.snapshot import ComparisonNow

LONGEST_SENTENCE = 600
SCROLL_ROWS = 5
WHOLE_FROM = 100.0
"""Ratio from which on it is written without decimals."""
INDENT = 2
PAIR_COLUMNS = (24, 28, 9, 9)
COUNTER_COLUMNS = (14, 25)
NARROW_WIDTH = 80
"""Width in cells that the length of the list is worked out for."""


def chain_lines(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the answer, a row a pair, a row a counter, own shares, and the reference."""
    blocks = _blocks(frame, width)
    if frame.stale:
        blocks = [faded(block) for block in blocks]
    drawn = [row for block in blocks for row in block]
    if len(drawn) + len(blocks) - 1 <= rows:
        return [row for block in blocks for row in (*block, StyledLine())][:-1]
    first = min(frame.scroll, max(len(drawn) - rows, 0))
    return drawn[first : first + rows]


def _blocks(frame: Frame, width: int) -> list[list[StyledLine]]:
    """Return all rows in blocks, which are set apart where there is room."""
    now = frame.comparison
    if now is None:
        blocks = [_alone(frame, width)]
    else:
        blocks = [_answer(frame, now, width)]
        if now.result is not None:
            blocks += [_pairs(frame, now.result), _counters(frame, now.result, width)]
            blocks.append(
                [
                    row
                    for sentence in now.sentences[1:]
                    for row in _text(frame, sentence, width, Role.DIM)
                ]
            )
        blocks.append(_how_long(frame, now, width))
    blocks += [_correction(frame, width), _reference(frame, width)]
    return [block for block in blocks if block]


def _alone(frame: Frame, width: int) -> list[StyledLine]:
    """Draw that nothing is compared, and what could be."""
    drawn = _text(frame, "not compared with another counter", width, Role.STRONG)
    visit = frame.snapshot.visit
    if visit is not None and visit.chain:
        drawn += _text(frame, f"on record of this visit{_age(frame)}: {visit.chain}", width)
    if frame.offered and "compare" in frame.capabilities:
        names, key = ", ".join(frame.offered), frame.label_of(COMPARE_KEY)
        drawn += _text(
            frame,
            f"{names} have one nominal. Where some are on one signal, {key} compares them; "
            "none is taken to be.",
            width,
        )
    source = TIME_BASE_WORDS[frame.snapshot.time_base.source]
    return drawn + _text(frame, f"{frame.snapshot.counter} counts by: {source}", width)


def _age(frame: Frame) -> str:
    """Write when the comparison of the visit was put on record; empty where that is not known."""
    visit = frame.snapshot.visit
    if visit is None or visit.chain_utc_s is None:
        return ""
    return f" since {date_and_time(visit.chain_utc_s)}"


def _answer(frame: Frame, now: ComparisonNow, width: int) -> list[StyledLine]:
    """Draw the answer on top, and what is waited for."""
    drawn = []
    result = now.result
    if result is not None and now.sentences:
        roles = {True: Role.GOOD, False: Role.OFF, None: Role.STRONG}
        told = None if result.agree and not result.is_fine_enough else result.agree
        drawn += _text(frame, now.sentences[0], width, roles[told])
    elif not now.waits:
        names = ", ".join(now.counters)
        drawn += _text(frame, f"comparing {names}: no readings of one time yet", width)
    if now.waits:
        drawn += _text(frame, now.waits, width, Role.OFF)
    return drawn


def _pairs(frame: Frame, result: ComparisonResult) -> list[StyledLine]:
    """Draw a row a pair."""
    unit = comparison_unit(result)
    share = f"U at {result.coverage * 100:g} %"
    drawn = [_row(PAIR_COLUMNS, ("first less second", f"difference, {share}", "agree", "readings"))]
    return drawn + [_pair(frame, pair, unit) for pair in result.pairs]


def _pair(frame: Frame, pair: ComparedPair, unit: OffsetUnit) -> StyledLine:
    amount = write_fraction(pair.offset, pair.expanded, unit)
    agree = {True: ("yes", Role.GOOD), False: ("no", Role.OFF), None: ("not known", Role.DIM)}
    return _row(
        PAIR_COLUMNS,
        (
            frame.theme.printable(f"{pair.first} less {pair.second}"),
            _signs(frame, str(amount) if pair.expanded is not None else amount.bare),
            agree[pair.agree][0],
            str(pair.readings),
        ),
        (Role.STRONG, Role.TEXT, agree[pair.agree][1], Role.DIM),
    )


def _counters(frame: Frame, result: ComparisonResult, width: int) -> list[StyledLine]:
    """Draw a row a counter: its time base, what follows for it, its own noise."""
    unit = comparison_unit(result)
    claims = {claim.base.counter: claim for claim in reversed(result.claims)}
    trusted = {claim.against for claim in result.claims}
    shares = {share.counter: share for share in shortest_shares(result.own)}
    own_at = f", own noise at {format_duration(result.own[0].tau_s)}" if result.own else ""
    columns = (*COUNTER_COLUMNS, max(width - sum(COUNTER_COLUMNS) - INDENT, 1))
    drawn = [_row(columns, ("counter", "counts by", f"its time base{own_at}"))]
    for name, how in result.time_bases:
        follows = claim_column(claims.get(name), unit)
        if name not in claims and name in trusted:
            follows = "held to be right"
        if name in shares:
            follows += f"; {_own(shares[name], unit)}"
        role = Role.OFF if name in claims and claims[name].seen else Role.TEXT
        drawn.append(
            _row(
                columns,
                (frame.theme.printable(name), TIME_BASE_WORDS[how], _signs(frame, follows)),
                (Role.STRONG, Role.OFF if how == "internal" else Role.TEXT, role),
            )
        )
    return drawn


def _own(share: OwnShare, unit: OffsetUnit) -> str:
    """Write the own noise of a counter without its limits, which the sentence below has."""
    if share.deviation is None:
        return NOT_RESOLVABLE
    return f"{in_unit(share.deviation, unit, 2)} {unit.name}"


def _how_long(frame: Frame, now: ComparisonNow, width: int) -> list[StyledLine]:
    """Draw how much was compared, what more would tell, and what is on record."""
    words = []
    if now.result is not None:
        span = format_duration(now.result.span_s)
        words.append(f"{how_many(now.result.readings, 'matched reading')} in {span}")
    words += [now.more.rstrip(".")] if now.more else []
    if now.recorded_s is not None:
        words.append(f"on record since {run_time(now.recorded_s)} of the run")
    else:
        words.append("not on record yet in this run")
        visit = frame.snapshot.visit
        if visit is not None and visit.chain:
            words.append(f"on record of this visit{_age(frame)}: {visit.chain}")
    return _text(frame, "; ".join(words), width)


def _correction(frame: Frame, width: int) -> list[StyledLine]:
    """Draw by which comparison the readings are corrected; nothing where they are not."""
    proof = frame.snapshot.proof
    if proof is None:
        return []
    off = write_fraction(proof.offset, proof.u)
    text = f"readings of {frame.snapshot.counter} are corrected: its time base is off by {off}"
    return _text(frame, f"{text} by the comparison with {proof.against}", width, Role.STRONG)


def _reference(frame: Frame, width: int) -> list[StyledLine]:
    """Draw the uncertainty of the reference against the tolerance, with common practice."""
    now = frame.snapshot.reference
    if now is None:
        return []
    if now.expanded is None:
        text = f"{now.name}: its own uncertainty is not stated; the bench file takes it"
        return _text(frame, text, width, Role.DIM)
    text = f"{now.name}: U {limit_words(now.expanded)} (k = 2)"
    practice = f"common practice: {now.common_ratio:g} to 1"
    if now.ratio is None or now.tolerance is None:
        return _text(frame, f"{text}; without a tolerance nothing to hold it against", width)
    text += f", the tolerance of {limit_words(now.tolerance)} is {_ratio(now.ratio)} to 1"
    role = Role.TEXT if now.ratio >= now.common_ratio else Role.OFF
    return _text(frame, f"{text} ({practice})", width, role)


def _ratio(ratio: float) -> str:
    """Write a ratio in three digits, without an exponent."""
    return f"{ratio:.0f}" if ratio >= WHOLE_FROM else f"{ratio:.3g}"


def _text(frame: Frame, text: str, width: int, role: Role = Role.TEXT) -> list[StyledLine]:
    """Draw running text, indented."""
    shown = _signs(frame, frame.theme.printable(text, LONGEST_SENTENCE))
    rows = wrapped_text(shown, width - 2 * INDENT, role)
    return [line(" " * INDENT) + row for row in rows]


def _signs(frame: Frame, text: str) -> str:
    return text.replace("±", frame.theme.glyphs.plus_minus)


def _row(
    columns: tuple[int, ...],
    cells: tuple[str, ...],
    roles: tuple[Role, ...] = (),
) -> StyledLine:
    """Draw cells in columns; without roles it is a heading."""
    row = line(" " * INDENT)
    for place, (text, width) in enumerate(zip(cells, columns, strict=True)):
        role = roles[place] if roles else Role.DIM
        row += line((text, role)).fit(width - 1) + line(" ")
    return row


COMPARE_KEY = KeyBinding(
    id="prove_chain",
    keys=("p",),
    label="p",
    footer="compare",
    action="Compare the counters with one nominal",
    help="Compare the counters with one nominal: only you know if they are on one signal.",
    needs="compare",
)
CHAIN_VIEW = View(
    name="chain",
    title="Chain",
    about="the measuring chain: other counters, and the reference",
    key="6",
    action="Show the measuring chain",
    action_help="Show the measuring chain: other counters on the signal, and the reference.",
    panels=(Panel(draw=chain_lines, rows=always(3), fills=True),),
    help=(
        (
            "Counters on one signal are compared by what they read, before anything is put right. "
            "The signal drops out; what is left is the difference of their time bases. A row a "
            "pair has the mean difference with U at 95 %, and agree where U holds zero. A row a "
            "counter has the time base that it tells, and what follows for it: with one on the "
            "reference, how far the other's time base is off. Without one only differences are "
            "known. It is said to be off only where noise would do that in one case of a thousand."
        ),
        (
            "Of three and more, own noise is the Allan deviation of each counter alone, with "
            "limits at 95 %; not resolvable is not zero. The last row is the tolerance over the "
            "expanded uncertainty (k = 2) of what this counter counts by; 4 to 1 and more is "
            "common practice."
        ),
        (
            "The answer goes on record by itself when it first stands, after 30 readings and 20 s; "
            "{record_chain} puts it on record again, and the newest stands. With {use_chain} the "
            "readings of this counter are corrected by the comparison from the next one on, and "
            "marked; the numbers begin anew."
        ),
    ),
    keys=(
        COMPARE_KEY,
        KeyBinding(
            id="record_chain",
            keys=("r",),
            label="r",
            footer="record",
            action="Put the comparison on record",
            help="Put the comparison on record, in the visit of every counter in it.",
            needs="compare",
        ),
        KeyBinding(
            id="use_chain",
            keys=("e",),
            label="e",
            footer="correct",
            action="Correct by the comparison, or no more",
            help="Correct the readings of this counter by the comparison, or no more.",
            needs="compare",
        ),
        KeyBinding(
            id="chain_down",
            keys=("pagedown",),
            label="PgDn/PgUp",
            action="Scroll down",
            help="Scroll down, or up.",
            scrolls=SCROLL_ROWS,
        ),
        KeyBinding(
            id="chain_up",
            keys=("pageup",),
            label="PgUp",
            action="Scroll up",
            scrolls=-SCROLL_ROWS,
        ),
    ),
    length=lambda frame: sum(map(len, _blocks(frame, NARROW_WIDTH))),
)
