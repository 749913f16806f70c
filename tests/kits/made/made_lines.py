"""Made lines of each dialect, whole and damaged, and the value that each literally has.

The value of a line is computed here character by character, with integers and fractions, and
shares no code with the parsers under test.
"""

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction

Write = Callable[[random.Random], tuple[str, Fraction]]

STRICT = ("whole", "beginning", "end", "doubled", "control", "foreign")
"""Damage that a parser must refuse in every case; ``whole`` is none."""
LITERAL = ("swapped", "missing", "joined")
"""Damage that can leave another well-formed line, which no parser can distinguish from a true one:
then the parser must return its literal value. (The session prevents such lines.)"""


@dataclass(frozen=True, slots=True)
class Made:
    """A line, its damage, and the value of the undamaged line."""

    text: str
    damage: str
    truth: Fraction


def made_lines(write: Write, count: int, seed: int) -> Iterator[Made]:
    """Make `count` lines, with each kind of damage equally often."""
    dice = random.Random(seed)
    kinds = STRICT + LITERAL
    before, _ = write(dice)
    for number in range(count):
        line, truth = write(dice)
        kind = kinds[number % len(kinds)]
        yield Made(_damaged(kind, line, before, dice), kind, truth)
        before = line


def _damaged(kind: str, line: str, before: str, dice: random.Random) -> str:
    at = dice.randrange(1, len(line))
    anywhere = dice.randrange(len(line) + 1)
    control = chr(dice.choice((0, 7, 9, 13, 24, 27, 127, 155)))
    foreign = chr(dice.choice((0xA0, 0xB2, 0xE9, 0x661, 0xFF11, 0x202E)))
    return {
        "whole": line,
        "beginning": line[:at],
        "end": line[at:],
        "doubled": line + dice.choice(("", " ", ",", "\r")) + line,
        "control": line[:anywhere] + control + line[anywhere:],
        "foreign": line[:anywhere] + foreign + line[anywhere:],
        "swapped": line[: at - 1] + line[at] + line[at - 1] + line[at + 1 :],
        "missing": line[:at] + line[at + 1 :],
        "joined": before[:at] + line[dice.randrange(1, len(line)) :],
    }[kind]


# ------------------------------------------------------------- writers of each dialect


def _hertz(dice: random.Random, digits: int) -> tuple[int, Fraction]:
    """Return a frequency within 500 ppm of 10 MHz: in units of its last digit, and in hertz."""
    units = 10 ** (7 + digits) + dice.randrange(-(5 * 10 ** (3 + digits)), 5 * 10 ** (3 + digits))
    return units, Fraction(units, 10**digits)


def exponent_last(dice: random.Random) -> tuple[str, Fraction]:
    """``+1.00000002E+07``."""
    units, truth = _hertz(dice, 4)
    text, power = str(units), len(str(units)) - 5
    return f"+{text[0]}.{text[1:]}E+{power:02d}", truth


def terse(dice: random.Random) -> tuple[str, Fraction]:
    """``F  10.0000024E+06``."""
    units, truth = _hertz(dice, 1)
    text = str(units)
    return f"F {f'{text[:-7]}.{text[-7:]}':>11}E+06", truth


def display(dice: random.Random) -> tuple[str, Fraction]:
    """``10.000 000 24 MHz``."""
    units, truth = _hertz(dice, 2)
    text = str(units)
    return f"{text[:-8]}.{text[-8:-5]} {text[-5:-2]} {text[-2:]} MHz", truth


def bare(dice: random.Random) -> tuple[str, Fraction]:
    """``10000000.0231``."""
    units, truth = _hertz(dice, 4)
    return f"{str(units)[:-4]}.{str(units)[-4:]}", truth


def scpi(dice: random.Random) -> tuple[str, Fraction]:
    """``10000000``, ``+10000000.0231`` or ``1.00000000231E+07``, some with ``HZ`` behind them.

    The three forms of IEEE 488.2, numeric response data (from memory): NR1, NR2 and NR3.
    """
    sign, unit = dice.choice(("", "+")), dice.choice(("", "", " HZ", "HZ"))
    units, truth = _hertz(dice, dice.choice((0, 1, 4, 9)))
    text, whole = str(units), len(str(int(truth)))
    digits = text[whole:]
    if dice.random() < 0.5:
        return f"{sign}{text[:whole]}{'.' if digits else ''}{digits}{unit}", truth
    power = dice.choice((f"E+{whole - 1:02d}", f"E{whole - 1}", f"e+{whole - 1:03d}"))
    return f"{sign}{text[0]}.{text[1:]}{power}{unit}", truth


def interval(dice: random.Random) -> tuple[str, Fraction]:
    """``+2.5000000123E-01``: seconds."""
    units = dice.randrange(10**11, 10**12)
    text = str(units)
    return f"+{text[0]}.{text[1:]}E-01", Fraction(units, 10**12)


# ------------------------------------------------------------- the literal value of a text


UNITS = {" MHz": 10**6, " kHz": 10**3, " GHz": 10**9, " Hz": 1, " HZ": 1, "HZ": 1}


def literal_value(text: str) -> Fraction | None:
    """Return the value of `text`; None when a person would not accept it as a number."""
    text = text.strip(" ")
    scale = 1
    for unit, size in UNITS.items():
        if text.endswith(unit):
            text, scale = text[: -len(unit)], size
            break
    if text.startswith("F "):
        text = text[2:].strip(" ")
    sign = -1 if text.startswith("-") else 1
    if text[:1] in {"+", "-"}:
        text = text[1:]
    mantissa, mark, power = text.replace("e", "E").partition("E")
    if mark and (not _is_digits(power.lstrip("+-")) or len(power) - len(power.lstrip("+-")) > 1):
        return None
    whole, _, digits = mantissa.replace(" ", "").partition(".")
    if not _is_digits(whole + digits):
        return None
    value = Fraction(int(whole + digits), 10 ** len(digits)) * sign * scale
    return value * Fraction(10) ** int(power) if mark else value


def _is_digits(text: str) -> bool:
    return bool(text) and all("0" <= c <= "9" for c in text)
