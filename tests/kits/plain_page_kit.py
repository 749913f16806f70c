"""A `watch --web`, and a client for it: HTTP and a web socket on plain sockets.

RFC 9112 (HTTP) and RFC 6455 (web socket).
"""

import base64
import contextlib
import json
import os
import re
import socket
import struct
import subprocess
import sys
import time
from pathlib import Path

from load_kit import LONGEST_WAIT_S
from program_kit import PROGRAM
from terminal_kit import Cells


class Served:
    """A `watch --web` in a process of its own: of a simulated bench, or of the counters typed."""

    def __init__(self, home, *options, before="", sim="quiet"):
        environment = {**os.environ, "XDG_STATE_HOME": str(home), "XDG_DATA_HOME": str(home)}
        self.err = Path(home) / "stderr.txt"
        with self.err.open("wb") as err:
            self.child = subprocess.Popen(
                [sys.executable, "-c", before + PROGRAM, "watch", "--web-port", "0",
                 *(() if sim is None else ("--sim", sim)), *options],
                stdout=subprocess.PIPE,
                stderr=err,
                env=environment,
            )  # fmt: skip
        assert self.child.stdout is not None
        self.url = self.child.stdout.readline().decode().strip()
        self.host, port, self.path = re.fullmatch(r"http://(.+):(\d+)(/.*)", self.url).groups()
        self.port = int(port)

    @property
    def narration(self):
        """Its standard error so far."""
        return self.err.read_text(encoding="utf-8")

    def close(self):
        """Terminate it; return the exit code."""
        self.child.terminate()
        try:
            return self.child.wait(LONGEST_WAIT_S)
        finally:
            self.child.kill()
            self.child.communicate()

    def connect(self):
        """Open a connection."""
        return socket.create_connection((self.host, self.port), LONGEST_WAIT_S)

    def get(self, path, host=None, headers=()):
        """Get `path`; return the status line and the headers, in lower case, as one text."""
        with self.connect() as client:
            named = f"{self.host}:{self.port}" if host is None else host
            lines = [f"GET {path} HTTP/1.1", f"Host: {named}", *headers]
            client.sendall("\r\n".join([*lines, "", ""]).encode("latin-1"))
            answer = b""
            with contextlib.suppress(ConnectionError):
                while b"\r\n\r\n" not in answer and (more := client.recv(65536)):
                    answer += more
        return answer.partition(b"\r\n\r\n")[0].decode("latin-1").lower()


class PlainPage:
    """A page without a browser: keeps the cells of its terminal, and sends messages."""

    def __init__(self, served, width=80, height=24):
        self.cells = Cells(width, height)
        self._socket = served.connect()
        key = base64.b64encode(os.urandom(16)).decode()
        self._socket.sendall(
            (
                f"GET {served.path}ws?width={width}&height={height} HTTP/1.1\r\n"
                f"Host: {served.host}:{served.port}\r\nUpgrade: websocket\r\n"
                f"Connection: Upgrade\r\nSec-WebSocket-Key: {key}\r\n"
                "Sec-WebSocket-Version: 13\r\n\r\n"
            ).encode()
        )
        self._came = b""
        while b"\r\n\r\n" not in self._came:
            self._more()
        header, _, self._came = self._came.partition(b"\r\n\r\n")
        assert header.startswith(b"HTTP/1.1 101"), header

    def send(self, *message):
        """Send one message, masked as a client must (RFC 6455, 5.3)."""
        data = json.dumps(message).encode()
        mask = os.urandom(4)
        length = (
            struct.pack("!B", 128 + len(data))
            if len(data) < 126
            else struct.pack("!BH", 128 + 126, len(data))
        )
        masked = bytes(byte ^ mask[at % 4] for at, byte in enumerate(data))
        self._socket.sendall(b"\x81" + length + mask + masked)

    def until(self, text):
        """Read until `text` is on the page; return the seconds that took."""
        began_s = time.monotonic()
        while not any(text in row for row in self.cells.rows()):
            assert time.monotonic() - began_s < LONGEST_WAIT_S, "\n".join(self.cells.rows())
            kind, data = self._frame()
            if kind == 2:
                self.cells.write(data)
            assert kind != 8, "it was closed"
        return time.monotonic() - began_s

    def pong(self, word):
        """Send the page's ping message; return the seconds until its answer."""
        began_s = time.monotonic()
        self.send("ping", word)
        while True:
            kind, data = self._frame()
            if kind == 2:
                self.cells.write(data)
            elif kind == 1 and json.loads(data) == ["pong", word]:
                return time.monotonic() - began_s

    def close(self):
        """Close the connection without a closing handshake."""
        self._socket.close()

    def _frame(self):
        """Return the kind and the data of the next frame."""
        kind, length = self._take(1)[0] & 15, self._take(1)[0] & 127
        if length == 126:
            (length,) = struct.unpack("!H", self._take(2))
        elif length == 127:
            (length,) = struct.unpack("!Q", self._take(8))
        return kind, self._take(length)

    def _take(self, count):
        while len(self._came) < count:
            self._more()
        data, self._came = self._came[:count], self._came[count:]
        return data

    def _more(self):
        more = self._socket.recv(65536)
        assert more, "the server hung up"
        self._came += more
