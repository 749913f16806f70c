"""A program that copies what a talking counter says into a named pipe, as loggers do."""

import contextlib
import os
import socket
import threading
import time
from pathlib import Path

RETRY_S = 0.02


class PipeWriter:
    """Copies bytes from a TCP port into a named pipe; goes when the counter goes, and comes back.

    The pipe is closed with the connection, in the middle of a line if need be, and opened again
    when the counter can be reached and somebody reads.
    """

    def __init__(self, port: int, path: Path) -> None:
        os.mkfifo(path)
        self._port = port
        self._path = path
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Write no more, and take the pipe away."""
        self._stopping.set()
        self._thread.join(5)
        self._path.unlink()

    def _run(self) -> None:
        while not self._stopping.is_set():
            with contextlib.suppress(OSError):
                self._copy()
            time.sleep(RETRY_S)

    def _copy(self) -> None:
        pipe = os.open(self._path, os.O_WRONLY | os.O_NONBLOCK)  # OSError while nobody reads
        try:
            os.set_blocking(pipe, True)
            with socket.create_connection(("127.0.0.1", self._port)) as counter:
                counter.settimeout(RETRY_S)
                while not self._stopping.is_set():
                    with contextlib.suppress(TimeoutError):
                        data = counter.recv(65536)
                        if not data:
                            return
                        os.write(pipe, data)
        finally:
            os.close(pipe)
