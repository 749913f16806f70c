"""Watch a bench frequency counter in the terminal, or from a script by the names below.

They are loaded when they are first used, so that ``import benchwatch`` takes no time.
``docs/python.md`` explains them by examples.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from benchwatch.api.ageing import AgeingOfUnit, ageing
    from benchwatch.api.conversions import offset_elsewhere
    from benchwatch.api.estimator import Estimator
    from benchwatch.api.export import export
    from benchwatch.api.line_schema import line_schema
    from benchwatch.api.recorded_budget import budget
    from benchwatch.api.recorded_stability import deviations
    from benchwatch.api.recordings import (
        list_runs,
        read_counters,
        read_file,
        read_run,
        read_visit,
    )
    from benchwatch.api.registered import find_visit, list_units, list_visits
    from benchwatch.api.reports import VisitReport
    from benchwatch.api.watching import Watch, watch
    from benchwatch.errors import (
        BenchwatchError,
        ConnectionFailed,
        FileError,
        LinkLost,
        NoReadings,
        QuantityError,
        UsageError,
    )
    from benchwatch.estimate.derived_frequencies import Elsewhere
    from benchwatch.estimate.results import (
        Drift,
        Estimate,
        Nudge,
        Numbers,
        Settle,
        SettleLimit,
        Tolerance,
    )
    from benchwatch.estimate.stability import Deviation
    from benchwatch.estimate.uncertainty.offset_record import OffsetRecord, Reference
    from benchwatch.journal.run_list import ListedRun
    from benchwatch.line_output import json_line
    from benchwatch.reading import Gap, Mark, Reading
    from benchwatch.recording import Recording, RecordingGap
    from benchwatch.register import Unit, Visit
    from benchwatch.snapshot import Snapshot, VisitNow

    __version__: str

__all__ = [
    "AgeingOfUnit",
    "BenchwatchError",
    "ConnectionFailed",
    "Deviation",
    "Drift",
    "Elsewhere",
    "Estimate",
    "Estimator",
    "FileError",
    "Gap",
    "LinkLost",
    "ListedRun",
    "Mark",
    "NoReadings",
    "Nudge",
    "Numbers",
    "OffsetRecord",
    "QuantityError",
    "Reading",
    "Recording",
    "RecordingGap",
    "Reference",
    "Settle",
    "SettleLimit",
    "Snapshot",
    "Tolerance",
    "Unit",
    "UsageError",
    "Visit",
    "VisitNow",
    "VisitReport",
    "Watch",
    "__version__",
    "ageing",
    "budget",
    "deviations",
    "export",
    "find_visit",
    "json_line",
    "line_schema",
    "list_runs",
    "list_units",
    "list_visits",
    "offset_elsewhere",
    "read_counters",
    "read_file",
    "read_run",
    "read_visit",
    "watch",
]

_MODULES: Final = {
    "api.ageing": ("AgeingOfUnit", "ageing"),
    "api.conversions": ("offset_elsewhere",),
    "api.estimator": ("Estimator",),
    "api.export": ("export",),
    "api.line_schema": ("line_schema",),
    "api.recorded_budget": ("budget",),
    "api.recorded_stability": ("deviations",),
    "api.recordings": ("list_runs", "read_counters", "read_file", "read_run", "read_visit"),
    "api.registered": ("find_visit", "list_units", "list_visits"),
    "api.reports": ("VisitReport",),
    "api.watching": ("Watch", "watch"),
    "errors": (
        "BenchwatchError", "ConnectionFailed", "FileError", "LinkLost", "NoReadings",
        "QuantityError", "UsageError",
    ),
    "estimate.derived_frequencies": ("Elsewhere",),
    "estimate.results": (
        "Drift", "Estimate", "Nudge", "Numbers", "Settle", "SettleLimit", "Tolerance",
    ),
    "estimate.stability": ("Deviation",),
    "estimate.uncertainty.offset_record": ("OffsetRecord", "Reference"),
    "journal.run_list": ("ListedRun",),
    "line_output": ("json_line",),
    "reading": ("Gap", "Mark", "Reading"),
    "recording": ("Recording", "RecordingGap"),
    "register": ("Unit", "Visit"),
    "snapshot": ("Snapshot", "VisitNow"),
}  # fmt: skip
"""The module of each name, in this package."""
_HOME: Final = {name: module for module, names in _MODULES.items() for name in names}


if not TYPE_CHECKING:  # to a type checker any name would be there

    def __getattr__(name: str) -> Any:
        """Load and return one of the names in ``__all__``."""
        if name == "__version__":
            from importlib.metadata import version  # noqa: PLC0415 - slow to import

            value: Any = version("benchwatch")
        elif name in _HOME:
            value = getattr(import_module(f"benchwatch.{_HOME[name]}"), name)
        else:
            raise AttributeError(f"module 'benchwatch' has no attribute '{name}'")
        globals()[name] = value
        return value


def __dir__() -> list[str]:
    """List the names, also those that are not loaded yet."""
    return sorted({*globals(), *__all__})
