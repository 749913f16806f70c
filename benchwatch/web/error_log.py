"""The log for errors of the page server: the first few in full, never on standard error."""

import asyncio
import logging
from typing import Any, Final, TextIO

MOST_ERRORS: Final = 20
"""Anyone who reaches the server can cause errors; these must not fill the disk."""


class FirstErrors(logging.Filter):
    """Lets the first few records through."""

    def __init__(self) -> None:
        super().__init__()
        self._left = MOST_ERRORS

    def filter(self, record: logging.LogRecord) -> bool:
        """Count a record, and decide whether it is written."""
        self._left -= record.levelno >= logging.WARNING
        return self._left >= 0 and record.levelno >= logging.WARNING


def error_log(log: TextIO) -> logging.Logger:
    """Return a logger that writes on `log`, and nowhere else."""
    logger = logging.Logger("pages")  # noqa: LOG001 - outside the tree of loggers, so that no other handler gets it
    handler = logging.StreamHandler(log)
    handler.addFilter(FirstErrors())
    logger.addHandler(handler)
    return logger


def note_errors_of(loop: asyncio.AbstractEventLoop, logger: logging.Logger) -> None:
    """Write to `logger` what `loop` would write on standard error."""

    def note(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        logger.error("%s", context.get("message"), exc_info=context.get("exception"))

    loop.set_exception_handler(note)
