"""``benchwatch elsewhere``: converts an offset to other frequencies."""

from dataclasses import asdict
from decimal import Decimal
from typing import TYPE_CHECKING

import click

from benchwatch.central_record.register_entries import RegisterPlace
from benchwatch.clock import local_minute
from benchwatch.commands.common.completed_words import UNITS
from benchwatch.commands.common.journal_places import JournalPlace
from benchwatch.commands.common.option_types import FREQUENCY, IDENT, of_option
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.register_options import (
    chosen_register,
    known_unit,
    register_options,
)
from benchwatch.errors import QuantityError, UsageError
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
from benchwatch.register import read_register
from benchwatch.report.blocks import align_table

if TYPE_CHECKING:
    from benchwatch.estimate.ageing.visit_history import DatedOffset
    from benchwatch.register import Unit


@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("offset", required=False)
@click.option("--nominal", type=FREQUENCY, help="Frequency of the oscillator.")
@click.option(
    "--unit",
    type=IDENT,
    shell_complete=UNITS,
    help="The unit: its nominal, the frequencies at which it is used, and without OFFSET its "
    "newest record.",
)
@click.option(
    "--at", "at", type=FREQUENCY, multiple=True, help="A working frequency; give it as often."
)
@click.option("--u", "u_text", metavar="OFFSET", help="Standard uncertainty of the offset.")
@register_options
def elsewhere(
    *,
    offset: str | None,
    nominal: Decimal | None,
    unit: str | None,
    at: tuple[Decimal, ...],
    u_text: str | None,
    journal: JournalPlace | None,
    sim: bool,
    as_json: bool,
) -> None:
    """Carry an OFFSET, such as 2.4ppb or -24mHz, from --nominal to each frequency --at.

    The working frequencies come from the same oscillator, multiplied or divided: hertz follow
    the frequency, the fraction stays, phase noise changes by 20 log10 of the factor. 1 Hz, a
    clock's second, is always shown.
    """
    newest: DatedOffset | None = None
    if unit is not None:
        known, newest = _unit_now(unit, chosen_register(journal, sim=sim))
        nominal = nominal or known.nominal_hz
        at = (*at, *(Decimal(repr(hertz)) for hertz in known.working_hz))
    if nominal is None:
        raise UsageError("of which frequency? Type --nominal, or --unit of a unit that states it.")
    if offset is not None:
        fraction = parse_fraction(offset, nominal)
        u = None if u_text is None else _uncertainty(u_text, nominal)
    elif newest is not None:
        fraction, u = newest.offset, newest.u
        narrate(f"the newest record of {unit}, {local_minute(newest.utc_s)}")
    else:
        raise UsageError(
            "which offset? Type one, such as 2.4ppb, or --unit of a unit that has a record."
        )
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
    shown_in = offset_unit(fraction)
    cells = [
        [
            format_frequency(frequency),
            f"{row.factor:.6g}",
            _text(write_derived_hz(row.offset_hz, row.u_hz), u),
            _text(write_fraction(row.offset, row.u, shown_in), u),
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


def _unit_now(ident: str, register: RegisterPlace) -> "tuple[Unit, DatedOffset | None]":
    """Return a unit of the register and its newest record; None without one.

    Raises:
        UsageError: there is no such unit.
    """
    from benchwatch.register.unit_history import history_of  # noqa: PLC0415 - only when asked

    with read_register(register) as reader:
        unit = known_unit(reader, ident)
        nominal_hz = None if unit.nominal_hz is None else float(unit.nominal_hz)
        return unit, history_of(reader.visits_of(ident), nominal_hz).newest


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
