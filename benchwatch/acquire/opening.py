"""How an acquisition comes by its link."""

import threading
from typing import Protocol

from benchwatch.counter import Link


class OpenLink(Protocol):
    """How a link is opened, such as `benchwatch.bus.open_link`."""

    def __call__(self, resource: str, *, cancel: threading.Event) -> Link:
        """Open `resource`; every wait of the link ends when `cancel` is set."""
