"""Logs the first errors of the page server in full; standard error shows none of them."""

import asyncio
import logging
from typing import Any, Final, TextIO

MOST_ERRORS: Final = 20
"""Most records written: any client can cause errors, which must not fill the disk."""


class FirstErrors(logging.Filter):
    """Accepts the first `MOST_ERRORS` records that are warnings or worse."""

    def __init__(self) -> None:
        super().__init__()
        self._left = MOST_ERRORS

    def filter(self, record: logging.LogRecord) -> bool:
        """Count a record, and return whether it is written."""
        self._left -= record.levelno >= logging.WARNING
        return self._left >= 0 and record.levelno >= logging.WARNING


def error_log(log: TextIO) -> logging.Logger:
    """Return a logger that writes to `log` only."""
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
