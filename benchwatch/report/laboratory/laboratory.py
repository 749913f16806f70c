"""The laboratory that issues reports, and the reader of its file."""

from dataclasses import dataclass, fields
from pathlib import Path
from typing import Final

from benchwatch.config_tables import parse_toml, read_config_text, read_tables
from benchwatch.estimate.uncertainty.decision_rule import USUAL_RULE, DecisionRule
from benchwatch.quantity import printable
from benchwatch.report.laboratory.laboratory_keys import LABORATORY_FILE, NO_ACCREDITATION

FILE_NAME: Final = "lab.toml"
LARGEST_FILE_BYTES: Final = 200_000
"""A laboratory file is a page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Laboratory:
    """What a laboratory states of itself; without a file nothing is stated."""

    name: str = ""
    address: tuple[str, ...] = ()
    place: str = ""
    """Where the work is done; empty: at the address."""
    phone: str = ""
    email: str = ""
    person: str = ""
    """Who authorises reports."""
    method: tuple[str, ...] = ()
    deviations: tuple[str, ...] = ()
    traceability: tuple[str, ...] = ()
    accreditation: str = NO_ACCREDITATION
    opinions: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    decision_rule: DecisionRule = USUAL_RULE
    forecasts: bool = True
    """Whether a report may show a forecast."""


def usual_laboratory_file() -> Path:
    """Return where the user's laboratory file is, if there is one: in the configuration folder."""
    import platformdirs  # noqa: PLC0415 - only a report needs it

    return platformdirs.user_config_path("benchwatch") / FILE_NAME


def load_laboratory(path: Path) -> Laboratory:
    """Read a laboratory file.

    Raises:
        FileError: the file can't be read, or is no TOML.
        UsageError: a key in it can't be used.
    """
    text = read_config_text(
        path,
        "laboratory file",
        largest=LARGEST_FILE_BYTES,
        way_out="benchwatch report --init writes one.",
    )
    return read_laboratory(text, printable(str(path), 200))


def read_laboratory(text: str, where: str) -> Laboratory:
    """Read the text of the file that messages call `where`; raises as `load_laboratory`."""
    values = read_tables(parse_toml(text, f"{where} is no TOML"), LABORATORY_FILE, where)
    return Laboratory(**{one.name: values[one.name] for one in fields(Laboratory)})
