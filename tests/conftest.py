"""What holds for every test: a usual run draws nothing by chance (see also `seed_kit`).

Several processes share the tests, for most of the time is waiting for buses and terminals. Tests
that share a fixture of their module stay in one process; those that take longest come first.
"""

import os
import time

import pytest
from hypothesis import HealthCheck, settings

# Neither an example nor drawing it has a deadline: a busy machine takes longer, which is no fault.
settings.register_profile(
    "usual",
    derandomize=not os.environ.get("BENCHWATCH_FRESH_SEEDS"),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("usual")

# Hundreds of tests start the program: compiling it anew each time takes half of such a start. What
# is compiled is kept where Python keeps it by itself, also where the environment says otherwise.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# Times on the screen are those of the place; the tests and all that they start are in one place.
os.environ["TZ"] = "UTC"
if hasattr(time, "tzset"):
    time.tzset()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest tests first, so that no process ends long after the others."""
    items.sort(key=lambda item: "whole" not in item.path.parts)
