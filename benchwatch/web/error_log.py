"""The log for errors of the page server: the first few in full, never on standard error."""

import asyncio
import logging
from typing import Any, Final, TextIO

MOST_ERRORS: Final = 20
"""Records written at most: anyone who reaches the server can cause errors, which must not fill the
disk."""


class FirstErrors(logging.Filter):
    """Accepts the first `MOST_ERRORS` records of at least the level of a warning."""

    def __init__(self) -> None:
        super().__init__()
        self._left = MOST_ERRORS

    def filter(self, record: logging.LogRecord) -> bool:
        """Count a record, and return whether it is written."""
        self._left -= record.levelno >= logging.WARNING
        return self._left >= 0 and record.levelno >= logging.WARNING


def error_log(log: TextIO) -> logging.Logger:
    """Return a logger that writes to `log`, and nowhere else."""
    logger = logging.Logger("pages")  # noqa: LOG001 - not in the tree of loggers, so without their handlers
    handler = logging.StreamHandler(log)
    handler.addFilter(FirstErrors())
    logger.addHandler(handler)
    return logger


def note_errors_of(loop: asyncio.AbstractEventLoop, logger: logging.Logger) -> None:
    """Make `loop` report unhandled exceptions to `logger` instead of standard error."""

    def note(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        logger.error("%s", context.get("message"), exc_info=context.get("exception"))

    loop.set_exception_handler(note)
