"""A reader that has gone ends a command quietly, by whatever error the system reports it."""

import errno
import io

import pytest

from benchwatch import cli
from benchwatch.errors import FileError
from benchwatch.system.closed_pipe import is_closed_pipe


class RefusingBytes(io.RawIOBase):
    """A stream of bytes that refuses every write with one error, until it is told to accept."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number

    def writable(self) -> bool:
        """Return True."""
        return True

    def write(self, data: object) -> int:
        """Refuse, or discard."""
        if self.number:
            raise OSError(self.number, "refused")
        return len(bytes(data))  # type: ignore[call-overload] # any buffer


@pytest.mark.parametrize(
    ("number", "platform", "closed"),
    [
        (errno.EPIPE, "linux", True),
        (errno.EPIPE, "win32", True),
        (errno.EINVAL, "win32", True),
        (errno.EINVAL, "linux", False),
        (errno.ENOSPC, "win32", False),
    ],
)
def test_a_closed_pipe_is_told_from_a_full_disk(
    number: int, platform: str, closed: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A closed pipe is passed on to end the command; anything else is a sentence."""
    monkeypatch.setattr(cli, "is_closed_pipe", lambda error: is_closed_pipe(error, platform))
    refusing = RefusingBytes(number)
    stream = cli.DataOutput(io.BufferedWriter(refusing), encoding="utf-8")
    stream.write("1.0\n")

    with pytest.raises(BrokenPipeError if closed else FileError):
        stream.flush()
    refusing.number = 0
    stream.close()
