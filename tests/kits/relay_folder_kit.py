"""Files of a broker as ``relay init`` writes them, and a mosquitto that uses them."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from certificate_kit import MadeAuthority
from click.testing import CliRunner, Result
from server_kit import Broker, broker

from benchwatch.commands.relay import relay

PORT_WRITTEN = 8883  # the usual one of MQTT over TLS, by IANA: secure-mqtt


def run_relay(*words: str | Path) -> Result:
    """Run ``benchwatch relay``; an error is raised."""
    return CliRunner().invoke(
        relay, [str(word) for word in words], catch_exceptions=False, standalone_mode=False
    )


class MadeRelay:
    """A folder of ``relay init`` with the stations tide-001, tide-002 and so on.

    Args:
        folder: is made.
        hosts: names and addresses of the broker.
        stations: how many.

    Attributes:
        folder: all of it.
        keeper: identity of the keeper.
        desk: identity of desks.
    """

    def __init__(
        self, folder: Path, hosts: tuple[str, ...] = ("localhost", "127.0.0.1"), stations: int = 2
    ) -> None:
        reached = [word for host in hosts for word in ("--host", host)]
        run_relay("init", folder, *reached, "--stations", str(stations), "--prefix", "tide")
        self.folder = folder
        self.keeper, self.desk = folder / "keeper", folder / "desk"

    def station(self, name: str) -> Path:
        """Return the folder of a station's identity."""
        return self.folder / "stations" / name

    @property
    def authority(self) -> MadeAuthority:
        """Its authority, with which a test signs what ``relay`` would not."""
        return MadeAuthority.read(self.folder / "authority")

    @contextmanager
    def broker(self, folder: Path) -> Iterator[Broker]:
        """Run a mosquitto with its configuration, on another port.

        Args:
            folder: of the log.
        """
        written = (self.folder / "broker" / "mosquitto.conf").read_text("utf-8")
        config = written.replace(f"listener {PORT_WRITTEN}", "listener {port}")
        assert config != written
        with broker(folder, config=config) as running:
            yield running
