"""All JSON schemas by name: of the files that the program reads, and of the lines that it writes.

A file is declared as tables of keys; its schema, its reader and its messages follow from that.
"""

from collections.abc import Callable
from typing import Any, Final

from benchwatch.api.line_schema import TITLE, line_schema
from benchwatch.config_tables import ConfigTable
from benchwatch.config_tables.json_schema import json_schema


def _bench() -> ConfigTable:
    from benchwatch.bench.bench_file_keys import BENCH_FILE  # noqa: PLC0415 - loaded when asked for

    return BENCH_FILE


def _configuration() -> ConfigTable:
    from benchwatch.commands.common.user_settings import screen_table  # noqa: PLC0415 - likewise

    return screen_table()


def _laboratory() -> ConfigTable:
    from benchwatch.report.laboratory.laboratory_keys import (  # noqa: PLC0415 - likewise
        LABORATORY_FILE,
    )

    return LABORATORY_FILE


def _profile() -> ConfigTable:
    from benchwatch_drivers.profile.profile_keys import PROFILE  # noqa: PLC0415 - likewise

    return PROFILE


def _simulated_bench() -> ConfigTable:
    from benchwatch_simulators.bench.simulated_bench_keys import (  # noqa: PLC0415 - likewise
        declare_simulated_bench,
    )

    return declare_simulated_bench()


FILE_TABLES: Final[dict[str, tuple[Callable[[], ConfigTable], str]]] = {
    "bench": (_bench, "Bench file"),
    "config": (_configuration, "Configuration file"),
    "laboratory": (_laboratory, "Laboratory file"),
    "profile": (_profile, "Profile of a counter"),
    "simulated-bench": (_simulated_bench, "Simulated bench"),
}
"""Declaration and title of each file, by the name of its schema."""
LINES: Final = "lines"
"""Name of the schema of the JSON lines."""

SCHEMA_TITLES: Final = {LINES: TITLE, **{name: title for name, (_, title) in FILE_TABLES.items()}}
"""Title of each schema by its name."""


def schema_of(name: str) -> dict[str, Any]:
    """Return the schema `name`, one of `SCHEMA_TITLES`."""
    if name == LINES:
        return line_schema()
    table, title = FILE_TABLES[name]
    return json_schema(table(), title)
