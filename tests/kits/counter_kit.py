"""A tiny counter on a raw socket that shares no code with the product and notes all it hears.

It knows what any SCPI counter knows (SCPI-1999 volume 1, IEEE 488.2 common queries) and
counts its own readings: reading n is 10 MHz + n tenths of a millihertz, so each one tells
which it is.
"""

import contextlib
import socket
import sys
import threading
import time
from collections.abc import Iterator


class TinyCounter:
    """Serves clients until closed; `heard` has every line, in order."""

    def __init__(self, gate_s: float = 0.0) -> None:
        self.heard: list[str] = []
        self.answered = 0
        self.replies: dict[str, bytes | None] = {}
        """Replies that differ from the usual ones; None: no answer."""
        self._knows = {
            "*ESE?": b"0\n",
            "*IDN?": b"MADE FOR A TEST,TINY COUNTER,0,1.0\n",
            "FREQ:APER?": b"%.6E\n" % (gate_s or 1e-6),
            "INIT:CONT?": b"0\n",
            "ROSC:SOUR?": b"EXT\n",
            "SYST:ERR?": b'0,"No error"\n',
        }
        self.close_after: int | None = None
        """Hang up instead of giving reading number so-and-so."""
        self.invalid_every = 0
        """Every so-and-so many answers one is 9.91E37, no number (SCPI-1999 volume 1, 7.2.1.5)."""
        self._asked = 0
        self.gate_s = gate_s
        """Seconds from reading to reading; may change while it is read."""
        self._gate_ends_s = 0.0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._clients: list[socket.socket] = []
        self.port = self._listener.getsockname()[1]
        self.resource = f"TCPIP0::127.0.0.1::{self.port}::SOCKET"
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        """Stop listening and hang up."""
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for client in self._clients:
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)

    @property
    def settings(self) -> list[str]:
        """All that was heard and is no query: each of these could have changed something."""
        return [
            part.strip()
            for line in self.heard
            for part in line.split(";")
            if "?" not in part and part.strip()
        ]

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._clients.append(client)
                threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        with contextlib.suppress(OSError), client, client.makefile("rb") as lines:
            for raw in lines:
                line = raw.decode("latin-1").strip()
                self.heard.append(line)
                reply = self._reply(line.upper())
                if reply is None:
                    continue
                if reply == b"":
                    client.shutdown(socket.SHUT_RDWR)
                    return
                client.sendall(reply)

    def _wait_for_gate(self) -> None:
        """Gates end on a grid, one after the other; whoever asks late finds one just ended."""
        gate_s = self.gate_s
        if not gate_s:
            return
        now_s = time.monotonic()
        self._gate_ends_s = max(self._gate_ends_s + gate_s, now_s - gate_s)
        time.sleep(max(0.0, self._gate_ends_s - now_s))

    def _reply(self, line: str) -> bytes | None:
        """Return what to send; None: nothing; empty: hang up."""
        if line in self.replies:
            return self.replies[line]
        if line.startswith(("READ?", ":READ?")):
            self._wait_for_gate()
            if self.answered == self.close_after:
                self.close_after = None
                return b""
            self._asked += 1
            if self.invalid_every and self._asked % self.invalid_every == 0:
                return b"9.91E37\n"
            self.answered += 1
            return b"%.11E\n" % value_of(self.answered)
        return self._knows.get(line.removeprefix(":").removeprefix("SENS:"))


def value_of(number: int) -> float:
    """Return the frequency that reading `number` has, in hertz."""
    return 1e7 + number * 1e-4


@contextlib.contextmanager
def tiny_counter(gate_s: float = 0.0) -> Iterator[TinyCounter]:
    """Serve a tiny counter for a while."""
    counter = TinyCounter(gate_s)
    try:
        yield counter
    finally:
        counter.close()


if __name__ == "__main__":
    print(TinyCounter(float(sys.argv[1])).resource, flush=True)
    sys.stdin.read()
