"""Locks of a HiSLIP server (IVI-6.1 section 6.5, from memory): one exclusive, or shared by name."""

import threading
import time

_POLL_S = 0.05

FAILURE, EXCLUSIVE, SHARED, ERROR = 0, 1, 2, 3
"""Results of a release; a request results in 0 (refused) or 1 (granted)."""


class HislipLocks:
    """The clients that hold locks of one instrument; a client is a number."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._exclusive: int | None = None
        self._shared: set[int] = set()
        self._name = ""

    def request(self, client: int, name: str, timeout_s: float, closing: threading.Event) -> bool:
        """Request a lock, and wait for it; return whether it was granted.

        Args:
            client: number of the client.
            name: name of the shared lock; empty: the exclusive lock.
            timeout_s: longest wait.
            closing: ends the wait when set.
        """
        deadline = time.monotonic() + timeout_s
        with self._changed:
            while not self._try(client, name):
                left_s = deadline - time.monotonic()
                if left_s <= 0 or closing.is_set():
                    return False
                self._changed.wait(min(left_s, _POLL_S))
        return True

    def release(self, client: int) -> int:
        """Release the exclusive lock, else the shared one; return which, or ERROR without any."""
        with self._changed:
            self._changed.notify_all()
            if self._exclusive == client:
                self._exclusive = None
                return EXCLUSIVE
            if client in self._shared:
                self._shared.discard(client)
                return SHARED
        return ERROR

    def leave(self, client: int) -> None:
        """Release all locks of a client."""
        while self.release(client) != ERROR:
            pass

    def info(self) -> tuple[int, int]:
        """Return 1 if the exclusive lock is held, else 0; and how many clients hold any lock."""
        with self._changed:
            holders = self._shared | ({self._exclusive} if self._exclusive is not None else set())
            return int(self._exclusive is not None), len(holders)

    def wait(self, client: int, closing: threading.Event) -> None:
        """Wait while another client's lock blocks `client`, or until `closing` is set."""
        with self._changed:
            while self._is_blocked(client) and not closing.is_set():
                self._changed.wait(_POLL_S)

    def _is_blocked(self, client: int) -> bool:
        if self._exclusive is not None:
            return self._exclusive != client
        return bool(self._shared) and client not in self._shared

    def _try(self, client: int, name: str) -> bool:
        """Take the lock if it is free; return whether it was taken."""
        if name:
            free = self._exclusive in {None, client} and (not self._shared or name == self._name)
            if free:
                self._shared.add(client)
                self._name = name
            return free
        free = self._exclusive is None and self._shared <= {client}
        if free:
            self._exclusive = client
        return free
