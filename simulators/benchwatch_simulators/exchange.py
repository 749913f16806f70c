"""The message exchange protocol of IEEE 488.2 chapter 6.3, for buses that have turns.

On a raw socket a response is simply sent. Buses on which a controller asks to be talked to
can break the turn-taking, and the instrument must notice (clauses from memory).
"""

from benchwatch_simulators.scpi import ScpiInstrument
from benchwatch_simulators.scpi_errors import ScpiError


class Exchange:
    """Turns of one controller with one instrument."""

    def __init__(self, instrument: ScpiInstrument) -> None:
        self._instrument = instrument
        self._response: str | None = None

    @property
    def has_response(self) -> bool:
        """True while a response waits to be read (MAV)."""
        return self._response is not None

    def send(self, message: str) -> None:
        """Take a program message; a response nobody read is lost: -410 (6.3.2.3)."""
        if self._response is not None:
            self._response = None
            self._instrument.fail(ScpiError(-410))
        self._response = self._instrument.execute(message)

    def receive(self) -> str | None:
        """Hand out the response; None and -420 when nothing was asked (6.3.2.2)."""
        response, self._response = self._response, None
        if response is None:
            self._instrument.fail(ScpiError(-420))
        return response

    def clear(self) -> None:
        """Device clear: forget the response (5.8)."""
        self._response = None
