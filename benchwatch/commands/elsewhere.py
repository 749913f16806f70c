"""``benchwatch elsewhere``: converts an offset to other frequencies."""

from dataclasses import asdict
from decimal import Decimal

import click

from benchwatch.commands.common.option_types import FREQUENCY, of_option
from benchwatch.commands.common.output import print_json, print_text
from benchwatch.errors import QuantityError
from benchwatch.estimate import derived_frequencies
from benchwatch.quantity import (
    format_duration,
    format_frequency,
    offset_unit,
    parse_fraction,
    printable,
    write_clock_gain,
    write_derived_hz,
    write_fraction,
)
from benchwatch.report.blocks import align_table


@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("offset")
@click.option("--nominal", type=FREQUENCY, required=True, help="Frequency of the oscillator.")
@click.option(
    "--at", "at", type=FREQUENCY, multiple=True, help="A working frequency; give it as often."
)
@click.option("--u", "u_text", metavar="OFFSET", help="Standard uncertainty of the offset.")
@click.option("--json", "as_json", is_flag=True, help="A line a frequency, for programs.")
def elsewhere(
    offset: str, nominal: Decimal, at: tuple[Decimal, ...], u_text: str | None, as_json: bool
) -> None:
    """Carry an OFFSET, such as 2.4ppb or -24mHz, from --nominal to each frequency --at.

    The working frequencies come from the same oscillator, multiplied or divided: hertz follow
    the frequency, the fraction stays, phase noise changes by 20 log10 of the factor. 1 Hz, a
    clock's second, is always shown.
    """
    fraction = parse_fraction(offset, nominal)
    u = None if u_text is None else _uncertainty(u_text, nominal)
    frequencies = tuple(dict.fromkeys((nominal, *at, Decimal(1))))
    rows = derived_frequencies.elsewhere(fraction, float(nominal), list(map(float, frequencies)), u)
    gain_s = derived_frequencies.seconds_per_day(fraction)
    u_gain_s = None if u is None else derived_frequencies.seconds_per_day(u)
    if as_json:
        for row in rows:
            print_json(
                {"kind": "elsewhere", "nominal_hz": float(nominal), **asdict(row),
                 "seconds_per_day": gain_s, "u_seconds_per_day": u_gain_s}
            )  # fmt: skip
        return
    unit = offset_unit(fraction)
    cells = [
        [
            format_frequency(frequency),
            f"{row.factor:.6g}",
            _text(write_derived_hz(row.offset_hz, row.u_hz), u),
            _text(write_fraction(row.offset, row.u, unit), u),
            "never" if row.beat_period_s is None else format_duration(row.beat_period_s),
            f"{row.phase_noise_db:+.2f} dB",
        ]
        for frequency, row in zip(frequencies, rows, strict=True)
    ]
    header = ("frequency", "factor", "offset", "fraction", "one beat", "phase noise")
    print_text(align_table(header, cells))
    verb = "gains" if gain_s >= 0 else "loses"
    gained = _text(write_clock_gain(gain_s, u_gain_s), u)
    print_text(f"\nA clock that runs on it {verb} {gained} a day.")


def _uncertainty(text: str, nominal: Decimal) -> float:
    """Read ``--u``, the standard uncertainty, as a fraction.

    Raises:
        QuantityError: the text is not an offset, or is negative.
    """
    with of_option("--u"):
        u = parse_fraction(text, nominal)
        if u < 0:
            raise QuantityError(f"an uncertainty can't be negative, as '{printable(text)}' is.")
        return u


def _text(quantity: object, u: float | None) -> str:
    """Write a quantity, without its uncertainty if `u` is None."""
    return str(quantity) if u is not None else str(getattr(quantity, "bare", quantity))
