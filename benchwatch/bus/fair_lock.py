"""A lock that is granted in the order of the requests.

An ordinary lock may be acquired again and again by the thread that has just released it, and
another counter behind a shared controller would never be read.
"""

import threading
from collections import deque
from typing import Self


class FairLock:
    """A lock for ``with`` statements; not reentrant."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._queue: deque[threading.Event] = deque()

    def __enter__(self) -> Self:
        mine = threading.Event()
        with self._lock:
            self._queue.append(mine)
            if self._queue[0] is mine:
                mine.set()
        mine.wait()
        return self

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._queue.popleft()
            if self._queue:
                self._queue[0].set()
