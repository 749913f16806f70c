"""What is said of a counter that can't be read, as it is known by then."""

from collections.abc import Callable

from benchwatch.bus.file_wire import file_of
from benchwatch.counter import Counter, Link
from benchwatch.errors import BenchwatchError, ConnectionFailed, DriverError
from benchwatch.quantity import printable


def answered_before(error: BenchwatchError, resource: str) -> str:
    """Say what to do about a counter that was read before: its port and its driver are right."""
    if not isinstance(error, ConnectionFailed) or file_of(resource) is not None:
        return str(error)
    failed = str(error).split(". ", 1)[0].rstrip(".")
    return (
        f"{failed}. It answered before: check that it is on, its cable, and that no other program "
        "talks to it."
    )


def broken_driver(
    error: BaseException, driver: str | Callable[[Link], Counter], resource: str
) -> DriverError:
    """Return the error for a driver that raised what no driver should."""
    name = driver if isinstance(driver, str) else getattr(driver, "__name__", "of the caller")
    broken = DriverError(
        f"reading {printable(resource, 200)} with the driver '{name}' failed: "
        f"{type(error).__name__}: {error}. This is a fault in the program or the driver."
    )
    broken.__cause__ = error
    return broken


def undated_readings(count: int) -> str:
    """Say that readings had waited while this computer was busy, and can't be dated."""
    what = "a reading was" if count == 1 else f"{count} readings were"
    return f"this computer was kept busy: {what} found too late to tell when taken, and not used"
