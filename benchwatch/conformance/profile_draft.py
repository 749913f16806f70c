"""Drafts the text of a profile from what a counter answered.

The patterns are as strict as the lines that were seen: a digit more or less is refused, and so is
a cut line. The user of the draft compares each pattern with the manual.
"""

import re
from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Final

from benchwatch.config_tables import toml_string
from benchwatch.conformance.examination import ExaminedReading, Findings
from benchwatch.conformance.logged_link import RecordedExchange
from benchwatch.errors import NoReadings, ReplyError, UsageError
from benchwatch.quantity import parse_reply

EXAMPLES: Final = 3
_NUMBER: Final = re.compile(
    r"[+-]?(?:\d{1,3}(?: \d{3})+|\d+)?\.?(?:\d+(?: \d{1,3})*)?(?: ?[Ee] ?[+-]?\d{1,3})?", re.ASCII
)
_SIGNED: Final = "[+-]"
_ANY_DIGITS: Final = r"[+-]?\d+\.?\d*(?: \d{1,3})*(?: ?[Ee] ?[+-]?\d{1,3})?"


def profile_draft(findings: Findings) -> str:
    """Write the profile of a counter.

    Raises:
        NoReadings: the counter gave no reading from which to make a pattern.
        UsageError: the counter compares phase: its lines do not show period and sign.
    """
    lines = _of_one_query(findings.taken)
    if any(taken.measurement.offset is not None for taken in findings.taken):
        raise UsageError(
            "no draft can be written of a counter that compares phase: its lines do not tell "
            "period and sign. Begin with: benchwatch drivers show interval"
        )
    if not lines:
        raise NoReadings(
            "no draft can be written: the counter gave no reading. Check its signal and trigger, "
            "and try again."
        )
    sent = lines[0].sent
    stream = sent is None
    parts = [
        "# A draft, made of what one counter answered. Compare it with the manual before you",
        "# trust it; patterns match the whole line, and only lines like those below.",
        f"family = {_quoted(_family(findings))}",
        f'mode = "{"stream" if stream else "query"}"',
        "",
    ]
    if not stream:
        parts += [*_identity(findings), *_reading(findings, sent or "")]
    parts += _line(findings, lines)
    if not stream:
        parts += [*_gate(findings), *_reference(findings)]
    elif findings.gate_s is not None:
        parts += ["[gate]", f'fixed = "{findings.gate_s:g} s"', ""]
    for taken in lines[:EXAMPLES]:
        parts += ["[[examples]]", f"line = {_quoted(taken.text.strip(' '))}"]
        parts += [f'value = "{taken.measurement.value_hz:f}"', ""]
    return "\n".join(parts)


def line_pattern(lines: Sequence[str]) -> tuple[str, bool]:
    """Return a pattern of whole lines like these, and whether it fixes the number of digits.

    Where the number varies, only the line's end distinguishes a whole line from a cut one.
    """
    parts = [part for part in map(_parts, lines) if part is not None]
    head, tail = _literal(parts[-1][0]), _literal(parts[-1][2])
    numbers = [
        number
        for before, number, after in parts
        if (_literal(before), _literal(after)) == (head, tail)
    ]
    form = _digits(numbers) or _ANY_DIGITS
    unit = re.fullmatch(r"( ?)([kMG]?[Hh][Zz])", tail)
    if unit is not None:
        tail = f"{unit[1]}(?P<unit>{unit[2]})"
    return f"{head}(?P<number>{form}){tail}", form != _ANY_DIGITS


# ------------------------------------------------------------- the tables


def _identity(findings: Findings) -> list[str]:
    for exchange in findings.exchanges:
        if exchange.topic == "identity" and exchange.sent and exchange.received:
            fields = [_literal(field) for field in exchange.received.strip().split(",")[:2]]
            pattern = ",".join(fields) + ".*"
            return [
                "[identity]",
                f"query = {_quoted(exchange.sent)}",
                f"pattern = {_quoted(pattern)}",
                "",
            ]
    return []


def _reading(findings: Findings, sent: str) -> list[str]:
    asked = sum(line.topic == "reading" and line.sent == sent for line in findings.exchanges)
    newest = asked > 2 * len(findings.taken)
    hands_out = ['hands_out = "newest"       # it answers at once, the same one again and again']
    return ["[reading]", f"command = {_quoted(sent)}", *(hands_out if newest else []), ""]


def _line(findings: Findings, lines: Sequence[ExaminedReading]) -> list[str]:
    pattern, is_fixed = line_pattern([taken.text for taken in lines])
    parts = ["[line]", f"pattern = {_quoted(pattern)}"]
    if findings.terminator != "\n":
        parts.append(f"terminator = {_quoted(findings.terminator)}")
    scale = _scale(lines[0])
    if scale != 1:
        parts.append(f"scale = {_quoted(f'{scale:f}')}")
    if not is_fixed:
        parts.append('cuts = "terminator"       # the number of digits varied')
    return [*parts, ""]


def _gate(findings: Findings) -> list[str]:
    if findings.gate_s is None:
        return []

    def is_gate(exchange: RecordedExchange) -> bool:
        value = _value(exchange.received)
        return value is not None and abs(float(value) - (findings.gate_s or 0.0)) < 1e-12

    query = _query(findings, "gate", is_gate)
    return [] if query is None else ["[gate]", f"query = {_quoted(query)}", ""]


def _reference(findings: Findings) -> list[str]:
    query = _query(findings, "time base", lambda exchange: bool((exchange.received or "").strip()))
    if query is None or findings.time_base.source == "unknown":
        return []
    return [
        "[reference]",
        f"query = {_quoted(query)}",
        f"internal = {_quoted('(?i)INT.*')}   # by the convention of SCPI-1999; try both",
        f"external = {_quoted('(?i)EXT.*')}",
        "",
    ]


def _query(
    findings: Findings, topic: str, is_answer: Callable[[RecordedExchange], bool]
) -> str | None:
    """Return the newest query of `topic` with an answer that `is_answer` accepts."""
    for exchange in reversed(findings.exchanges):
        if exchange.topic == topic and exchange.sent and exchange.received and is_answer(exchange):
            return exchange.sent
    return None


# ------------------------------------------------------------- lines


def _of_one_query(taken: Sequence[ExaminedReading]) -> list[ExaminedReading]:
    """Return the readings that are numbers and answer the same query as the last one."""
    good = [one for one in taken if one.measurement.value_hz is not None and _parts(one.text)]
    return [one for one in good if one.sent == good[-1].sent]


def _parts(text: str) -> tuple[str, str, str] | None:
    """Split a line at its longest number; None when it contains none."""
    text = text.strip(" ")
    spans = [match.span() for match in _NUMBER.finditer(text) if re.search(r"\d", match[0])]
    if not spans:
        return None
    begin, end = max(spans, key=lambda span: span[1] - span[0])
    return text[:begin], text[begin:end], text[end:]


def _digits(numbers: Sequence[str]) -> str | None:
    """Return a pattern of numbers with the same digits, signs aside; None where they differ.

    Before the point one digit less than seen is allowed: 9.999 999 9 follows 10.000 000 0.
    """
    split = [re.fullmatch(r"([+-]?)(\d*)(.*)", number) for number in numbers]
    signs = {bool(match[1]) for match in split if match}
    rests = {_run_lengths(match[3]) for match in split if match}
    lengths = [len(match[2]) for match in split if match]
    if len(rests) != 1 or len(signs) != 1 or max(lengths) - min(lengths) > 1:
        return None
    fewest, most = max(min(*lengths, max(lengths) - 1), 1), max(lengths)
    whole = r"\d" if most == 1 else rf"\d{{{fewest},{most}}}" if most else ""
    return f"{_SIGNED if signs.pop() else ''}{whole}{rests.pop()}"


def _run_lengths(text: str) -> str:
    form = re.sub(r"\d+", lambda run: rf"\d{{{len(run[0])}}}", text.replace(".", r"\."))
    return re.sub(r"([Ee] ?)[+-]", rf"\1{_SIGNED}", form)


def _literal(text: str) -> str:
    """Return a pattern of the text around a number; several blanks may vary, as in columns."""
    return re.sub(" {2,}", " {1,20}", re.escape(text).replace(r"\ ", " "))


def _scale(taken: ExaminedReading) -> Decimal:
    """Return the factor that turns the number in the line into hertz."""
    parts, value = _parts(taken.text), taken.measurement.value_hz
    if parts is None or value is None:
        return Decimal(1)
    _, number, after = parts
    written = _value(number + after) or _value(number)
    return (value / written).normalize() if written else Decimal(1)


def _value(text: str | None) -> Decimal | None:
    try:
        return None if text is None else parse_reply(text.strip())
    except ReplyError:
        return None


# ------------------------------------------------------------- words


def _family(findings: Findings) -> str:
    return "SCPI counter" if findings.identity and findings.identity.maker else "counter"


def _quoted(text: str) -> str:
    """Write a TOML literal string, or a basic one where the text needs escapes."""
    if "'" not in text and text.isprintable():
        return f"'{text}'"
    return toml_string(text)
