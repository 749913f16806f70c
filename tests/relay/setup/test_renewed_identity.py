"""A program that runs on while its identity is revoked and renewed, with a real mosquitto."""

from pathlib import Path

from load_kit import wait_until
from relay_folder_kit import MadeRelay, run_relay
from server_process_kit import HOST

from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.broker_connection import BrokerConnection
from benchwatch.relay.identity import Identity


def test_a_renewed_identity_is_read_at_the_next_connection(tmp_path: Path) -> None:
    """Revoked, it says why it is refused; with the new files in the same folder it comes back."""
    made = MadeRelay(tmp_path / "relay")
    with made.broker(tmp_path) as running:
        connection = BrokerConnection(
            BrokerAddress(HOST, running.port, tls=True),
            Identity.load(made.station("tide-001")),
            client_id="tide-001",
            on_connected=lambda: None,
            on_message=lambda *_: None,
            on_lost=lambda _: None,
            subscriptions=(),
        )
        connection.start()
        try:
            assert wait_until(lambda: connection.connected)
            run_relay("revoke", made.folder, "tide-001")
            running.kill()
            running.start()
            refused = wait_until(lambda: "refused the certificate" in connection.trouble)
            run_relay("renew", made.folder, "tide-001")
            back = wait_until(lambda: connection.connected)
        finally:
            connection.stop(1.0)

        assert refused, connection.trouble
        assert back, connection.trouble
