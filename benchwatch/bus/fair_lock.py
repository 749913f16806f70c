"""A lock that is given out in the order in which it was asked for.

An ordinary lock may be taken again and again by a thread that has just let it go, and one
counter behind a shared controller would never be read.
"""

import threading
from collections import deque
from typing import Self


class FairLock:
    """Use it in a ``with`` statement, never within itself."""

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
