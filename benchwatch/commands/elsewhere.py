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
    steady_decimals,
    write_fraction,
    write_hz,
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
    the frequency, the fraction stays, phase noise changes by 20 log10 of the factor.
    """
    fraction = parse_fraction(offset, nominal)
    u = None if u_text is None else _uncertainty(u_text, nominal)
    frequencies = (nominal, *(frequency for frequency in at if frequency != nominal))
    rows = derived_frequencies.elsewhere(fraction, float(nominal), list(map(float, frequencies)), u)
    gain_s = derived_frequencies.seconds_per_day(fraction)
    if as_json:
        for row in rows:
            print_json({"kind": "elsewhere", **asdict(row), "seconds_per_day": gain_s})
        return
    unit = offset_unit(fraction)
    cells = [
        [
            format_frequency(frequency),
            f"{row.factor:.6g}",
            _text(write_hz(row.offset_hz, row.u_hz), u),
            _text(write_fraction(row.offset, row.u, unit), u),
            "never" if row.beat_period_s is None else format_duration(row.beat_period_s),
            f"{row.phase_noise_db:+.2f} dB",
        ]
        for frequency, row in zip(frequencies, rows, strict=True)
    ]
    header = ("frequency", "factor", "offset", "fraction", "one beat", "phase noise")
    print_text(align_table(header, cells))
    verb = "gains" if gain_s >= 0 else "loses"
    gained = f"{abs(gain_s):.4g}"
    if u:
        u_s = derived_frequencies.seconds_per_day(u)
        decimals = steady_decimals(u_s) or 0
        gained = f"{abs(gain_s):.{max(decimals, 0)}f} ± {u_s:.{max(decimals, 0)}f}"
    print_text(f"\nA clock that runs on it {verb} {gained} s a day.")


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
