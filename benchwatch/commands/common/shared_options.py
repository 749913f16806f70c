"""Options that several commands have, declared once; `option_types` parses their values."""

from collections.abc import Callable
from typing import Any, Final, TypeVar

import click

from benchwatch.commands.common.option_types import (
    FRACTION,
    FREQUENCY,
    SETTLE,
    TOLERANCE,
)
from benchwatch.estimate.uncertainty.uncertainty_budget import DEFAULT_COVERAGE

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
reference_offset_option: Final = click.option(
    "--reference-offset", type=FRACTION, help="How far it is known off."
)
plain_option: Final = click.option("--plain", is_flag=True, help="A line a reading, for people.")
json_readings_option: Final = click.option(
    "--json", "as_json", is_flag=True, help="A line a reading, for programs."
)


def coverage_option(of: str, usual: float = DEFAULT_COVERAGE) -> Callable[[_Command], _Command]:
    """Return the option ``--coverage``; `of` names the interval in its help, `usual` is 0 to 1."""
    default = f"{usual * 100:g}%"
    return click.option("--coverage", default=default, show_default=True, help=f"Coverage of {of}.")
