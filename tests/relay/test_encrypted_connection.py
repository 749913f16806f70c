"""Connections with certificates: who gets in, and the sentence that the others read."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from certificate_kit import made_authority, write_identity
from load_kit import wait_until
from relay_folder_kit import MadeRelay, run_relay
from server_kit import Broker, broker

from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.broker_connection import BrokerConnection
from benchwatch.relay.identity import Identity
from benchwatch.relay.topics import batch_topic


@pytest.fixture(name="made", scope="module")
def _made(tmp_path_factory: pytest.TempPathFactory) -> MadeRelay:
    made = MadeRelay(tmp_path_factory.mktemp("made") / "relay")
    run_relay("revoke", made.folder, "tide-002")
    return made


@pytest.fixture(name="server", scope="module")
def _server(made: MadeRelay, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    with made.broker(tmp_path_factory.mktemp("broker")) as server:
        yield server


@contextmanager
def connecting(port: int, identity: Identity | None, host: str = "localhost") -> Iterator[Any]:
    """Start a connection; yield it and the reasons for which it failed."""
    reasons: list[str] = []
    connection = BrokerConnection(
        BrokerAddress(host, port, tls=True),
        identity,
        client_id="tide",
        on_connected=lambda: None,
        on_message=lambda _topic, _payload: None,
        on_lost=reasons.append,
    )
    connection.start()
    try:
        yield connection, reasons
    finally:
        connection.stop(1.0)


def test_a_station_gets_in_and_may_send_its_own(made: MadeRelay, server: Broker) -> None:
    """With its certificate it may write its own topic; another one's makes a sentence."""
    with connecting(server.port, Identity.load(made.station("tide-001"))) as (connection, reasons):
        assert wait_until(lambda: connection.connected), reasons
        assert connection.publish(batch_topic("tide-001"), b"1", qos=1)
        assert connection.publish(batch_topic("tide-003"), b"1", qos=1)
        assert wait_until(lambda: "does not allow this program to send" in connection.trouble)


def test_no_certificate(made: MadeRelay, server: Broker) -> None:
    """A program that does not trust the broker's authority does not go on."""
    with connecting(server.port, None) as (_, reasons):
        assert wait_until(lambda: reasons)
    assert "is not the one it should be" in reasons[0]


def test_a_revoked_certificate(made: MadeRelay, server: Broker) -> None:
    """A certificate that was revoked is refused, and the sentence says that this may be so."""
    with connecting(server.port, Identity.load(made.station("tide-002"))) as (connection, reasons):
        assert wait_until(lambda: reasons)
        assert not connection.connected
    assert "refused the certificate of this program" in reasons[0]


def test_a_certificate_of_another_authority(
    made: MadeRelay, server: Broker, tmp_path: Path
) -> None:
    """A certificate that somebody else signed is refused, though its name is right."""
    folder = write_identity(tmp_path / "other", made_authority(), "tide-001")
    shutil.copy(made.station("tide-001") / "authority.crt", folder)
    with connecting(server.port, Identity.load(folder)) as (connection, reasons):
        assert wait_until(lambda: reasons)
        assert not connection.connected
    assert "refused the certificate of this program" in reasons[0]


def test_a_broker_of_another_authority(server: Broker, tmp_path: Path) -> None:
    """A broker that this program's authority did not sign is not spoken to."""
    folder = write_identity(tmp_path / "other", made_authority(), "tide-001")
    with connecting(server.port, Identity.load(folder)) as (_, reasons):
        assert wait_until(lambda: reasons)
    assert "is not the one it should be" in reasons[0]
    assert "of another authority than authority.crt" in reasons[0]


def test_a_broker_of_another_name(tmp_path: Path) -> None:
    """A broker whose certificate is for another name is not spoken to."""
    made = MadeRelay(tmp_path / "relay", hosts=("broker.example",))
    identity = Identity.load(made.station("tide-001"))
    with made.broker(tmp_path) as server, connecting(server.port, identity) as (_, reasons):
        assert wait_until(lambda: reasons)
    assert "is not the one it should be" in reasons[0]
    assert "is not for the name localhost; call it by a name that relay show lists" in reasons[0]


def test_a_port_without_encryption(made: MadeRelay, tmp_path: Path) -> None:
    """A broker that speaks plain MQTT at this port makes a sentence."""
    identity = Identity.load(made.station("tide-001"))
    with broker(tmp_path) as server, connecting(server.port, identity) as (_, reasons):
        assert wait_until(lambda: reasons)
    assert "TLS" in reasons[0] or "no encrypted connection" in reasons[0]
