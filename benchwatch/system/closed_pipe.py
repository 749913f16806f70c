"""Telling a pipe whose reader has gone from other errors of writing."""

import errno
import sys


def is_closed_pipe(error: OSError, platform: str = sys.platform) -> bool:
    """Return whether a write failed because nobody reads any more, as after ``| head``.

    Windows reports it as an invalid argument (documentation of `BrokenPipeError`, from memory).
    """
    return error.errno == errno.EPIPE or (platform == "win32" and error.errno == errno.EINVAL)
