"""Options that several commands have, declared once; their values are read by `option_types`."""

from collections.abc import Callable
from typing import Any, Final, TypeVar

import click

from benchwatch.commands.common.option_types import (
    DURATION,
    FRACTION,
    FREQUENCY,
    PERIOD,
    SETTLE,
    TOLERANCE,
)
from benchwatch.recording import COLUMNS

_Command = TypeVar("_Command", bound=Callable[..., Any])

nominal_option: Final = click.option(
    "--nominal", type=FREQUENCY, help="What the frequency should be, such as 10MHz."
)
tolerance_option: Final = click.option(
    "--tolerance", type=TOLERANCE, help="Limit of the offset, such as 5ppb."
)
settle_option: Final = click.option(
    "--settle", type=SETTLE, help="What settled means, such as 1ppb/10min."
)
column_option: Final = click.option(
    "--column", type=click.Choice(COLUMNS), help="What the numbers are."
)
row_interval_option: Final = click.option(
    "--interval", "interval_s", type=DURATION, help="Time from row to row."
)
wraps_option: Final = click.option(
    "--wraps",
    type=PERIOD,
    help="A time error (phase_s) begins anew after this, such as 100ns: steps of it are put right.",
)
reference_offset_option: Final = click.option(
    "--reference-offset", type=FRACTION, help="How far it is known off."
)
plain_option: Final = click.option("--plain", is_flag=True, help="A line a reading, for people.")
json_readings_option: Final = click.option(
    "--json", "as_json", is_flag=True, help="A line a reading, for programs."
)


def coverage_option(of: str) -> Callable[[_Command], _Command]:
    """Return ``--coverage`` of the interval that `of` names."""
    return click.option("--coverage", default="95%", show_default=True, help=f"Coverage of {of}.")
