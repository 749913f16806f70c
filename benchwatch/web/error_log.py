"""Where errors of the server are written in full: a log, a few of them, never standard error."""

import asyncio
import logging
from typing import Any, Final, TextIO

MOST_ERRORS: Final = 20
"""Who can reach the server can cause errors; they must not fill the disk."""


class FirstErrors(logging.Filter):
    """Lets the first few records through."""

    def __init__(self) -> None:
        super().__init__()
        self._left = MOST_ERRORS

    def filter(self, record: logging.LogRecord) -> bool:
        """Count a record; tell whether it is written."""
        self._left -= record.levelno >= logging.WARNING
        return self._left >= 0 and record.levelno >= logging.WARNING


def error_log(log: TextIO) -> logging.Logger:
    """Return a logger of the server's own that writes on `log`, and nowhere else."""
    logger = logging.Logger("pages")  # noqa: LOG001 - in no tree, so that no other handler has it
    handler = logging.StreamHandler(log)
    handler.addFilter(FirstErrors())
    logger.addHandler(handler)
    return logger


def note_errors_of(loop: asyncio.AbstractEventLoop, logger: logging.Logger) -> None:
    """Let `logger` have what `loop` would write on standard error."""

    def note(_loop: asyncio.AbstractEventLoop, told: dict[str, Any]) -> None:
        logger.error("%s", told.get("message"), exc_info=told.get("exception"))

    loop.set_exception_handler(note)
