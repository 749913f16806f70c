"""Who gets no connection to a real mosquitto with the files of ``relay init``."""

import os
import shutil
import signal
import socket
import ssl
from collections.abc import Iterator
from pathlib import Path

import pytest
from certificate_kit import DAY, made_authority, write_identity
from load_kit import LONGEST_WAIT_S, wait_until
from mqtt_client_kit import CONNECT, MqttClient, refusal, tls_context
from relay_folder_kit import MadeRelay, run_relay
from server_kit import Broker

from benchwatch.relay.identity import Identity

ACCEPTED = "200e0000"
"""How CONNACK with the reason code 0 begins; MQTT 5, section 3.2."""
VERSIONS = [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> MadeRelay:
    """Return the files of ``relay init``."""
    return MadeRelay(tmp_path_factory.mktemp("made") / "relay")


@pytest.fixture(scope="module")
def running(made: MadeRelay, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    """Run a mosquitto with them."""
    with made.broker(tmp_path_factory.mktemp("broker")) as started:
        yield started


def only(context: ssl.SSLContext, version: ssl.TLSVersion) -> ssl.SSLContext:
    """Return the settings with one version of TLS."""
    context.minimum_version = context.maximum_version = version
    return context


@pytest.mark.parametrize("version", VERSIONS)
def test_a_certificate_of_the_authority_is_accepted(
    made: MadeRelay, running: Broker, version: ssl.TLSVersion
) -> None:
    """By each version of TLS that is not broken; also as the program itself connects."""
    by_hand = refusal(running.port, only(tls_context(made.station("tide-001")), version))
    by_product = Identity.load(made.station("tide-001")).ssl_context()

    assert by_hand.startswith(ACCEPTED)
    assert refusal(running.port, only(by_product, version)).startswith(ACCEPTED)


def refused(made: MadeRelay, running: Broker, identity: Path | None) -> list[str]:
    """Return why an identity is refused by TLS 1.2, and by TLS 1.3.

    In the latter a client may see only that the connection was closed: it speaks before it is
    judged.
    """
    trusted = made.keeper / "authority.crt"
    return [
        refusal(running.port, only(tls_context(identity, trusted), version)) for version in VERSIONS
    ]


def test_without_a_certificate_nobody_is_accepted(made: MadeRelay, running: Broker) -> None:
    """Nor with the name and the password of another protocol in the first packet."""
    with_name = b"\x10\x20\x00\x04MQTT\x05\xc2\x00\x3c\x00\x00\x03abc\x00\x06keeper\x00\x06secret"
    context = only(tls_context(None, made.keeper / "authority.crt"), ssl.TLSVersion.TLSv1_2)

    assert not any(found.startswith("20") for found in refused(made, running, None))
    assert not refusal(running.port, context, with_name).startswith("20")


def test_another_authoritys_certificate_is_refused(
    made: MadeRelay, running: Broker, tmp_path: Path
) -> None:
    """Also one that has the same name as ours."""
    subject = made.authority.certificate.subject.rfc4514_string().removeprefix("CN=")
    for number, name in enumerate(("another authority", subject)):
        folder = write_identity(tmp_path / str(number), made_authority(name), "tide-001")
        assert not any(found.startswith("20") for found in refused(made, running, folder))


def test_an_expired_certificate_is_refused(
    made: MadeRelay, running: Broker, tmp_path: Path
) -> None:
    """And one that begins later; the same authority's certificate of today is accepted."""
    own = made.authority
    expired = write_identity(tmp_path / "a", own, "tide-001", begins=-9 * DAY, ends=-DAY)
    early = write_identity(tmp_path / "b", own, "tide-001", begins=DAY)
    valid = write_identity(tmp_path / "c", own, "tide-001")
    by_1_2, by_1_3 = refused(made, running, expired)

    assert by_1_2 == "SSLV3_ALERT_CERTIFICATE_EXPIRED"
    assert not by_1_3.startswith("20")
    assert not any(found.startswith("20") for found in refused(made, running, early))
    assert all(found.startswith(ACCEPTED) for found in refused(made, running, valid))


def test_the_brokers_own_certificate_is_no_clients(
    made: MadeRelay, running: Broker, tmp_path: Path
) -> None:
    """Who takes the broker's key can't send as a station with it."""
    for name in ("crt", "key"):
        shutil.copy(made.folder / "broker" / f"server.{name}", tmp_path / f"client.{name}")
    by_1_2, by_1_3 = refused(made, running, tmp_path)

    assert by_1_2 == "SSLV3_ALERT_UNSUPPORTED_CERTIFICATE"
    assert not by_1_3.startswith("20")


def test_plain_text_on_the_port_of_tls_is_refused(running: Broker) -> None:
    """Nothing but a closed connection comes back, or an alert of TLS (RFC 8446, section 6: 21)."""
    found = refusal(running.port, None, CONNECT)
    assert found == "closed" or found.startswith("15")


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion:DeprecationWarning")
def test_tls_1_1_is_refused(made: MadeRelay, running: Broker) -> None:
    """Also when the client allows all its old ciphers; it is the broker that refuses."""
    context = tls_context(made.station("tide-001"))
    context.set_ciphers("DEFAULT:@SECLEVEL=0")
    found = refusal(running.port, only(context, ssl.TLSVersion.TLSv1_1))
    assert found == "TLSV1_ALERT_PROTOCOL_VERSION"


def test_a_client_that_does_not_know_the_authority_refuses_the_broker(
    made: MadeRelay, running: Broker, tmp_path: Path
) -> None:
    """Neither another authority nor those of the computer vouch for the broker."""
    folder = write_identity(tmp_path / "other", made_authority(), "tide-001")
    usual = ssl.create_default_context()

    assert refusal(running.port, Identity.load(folder).ssl_context()) == "CERTIFICATE_VERIFY_FAILED"
    assert refusal(running.port, usual) == "CERTIFICATE_VERIFY_FAILED"


def test_a_station_can_not_stand_for_the_broker(tmp_path: Path) -> None:
    """A mosquitto with a station's certificate and key is refused by all who would connect."""
    stolen = MadeRelay(tmp_path / "relay")
    for name in ("crt", "key"):
        shutil.copy(
            stolen.station("tide-001") / f"client.{name}",
            stolen.folder / "broker" / f"server.{name}",
        )
    with stolen.broker(tmp_path) as posing:
        found = refusal(posing.port, Identity.load(stolen.station("tide-002")).ssl_context())
    assert found == "CERTIFICATE_VERIFY_FAILED"


def test_a_broker_of_another_name_is_refused(tmp_path: Path) -> None:
    """The certificate must hold the name by which it is reached."""
    made = MadeRelay(tmp_path / "relay", hosts=("elsewhere.example",))
    with made.broker(tmp_path) as running:
        context = Identity.load(made.station("tide-001")).ssl_context()
        assert refusal(running.port, context) == "CERTIFICATE_VERIFY_FAILED"


def test_a_revoked_certificate_is_refused_once_the_broker_is_told(tmp_path: Path) -> None:
    """Signal HUP tells it; an open connection and the other stations go on.

    A resumed session of TLS does not get around it, and a renewed certificate is accepted.
    """
    made = MadeRelay(tmp_path / "relay")
    context = only(tls_context(made.station("tide-001")), ssl.TLSVersion.TLSv1_2)
    with made.broker(tmp_path) as running, MqttClient(running.port, made.station("tide-001")) as on:
        run_relay("revoke", made.folder, "tide-001")
        before = refusal(running.port, context)
        os.kill(running.process, signal.SIGHUP)
        told = wait_until(lambda: "REVOKED" in refusal(running.port, context))
        others = refusal(running.port, tls_context(made.station("tide-002")))
        run_relay("revoke", made.folder, "tide-002")
        os.kill(running.process, signal.SIGHUP)
        second = tls_context(made.station("tide-002"))
        told_again = wait_until(lambda: not refusal(running.port, second).startswith(ACCEPTED))
        run_relay("renew", made.folder, "tide-001")
        renewed = refusal(running.port, tls_context(made.station("tide-001")))

        assert before.startswith(ACCEPTED)
        assert told
        assert others.startswith(ACCEPTED)
        assert told_again
        assert "REVOKED" in refusal(running.port, context)
        assert renewed.startswith(ACCEPTED)
        assert on.publish("bw/1/tide-001/batch", b"still there") in {
            "Success", "No matching subscribers"
        }  # fmt: skip
        assert on.lost == 0


def test_a_session_of_tls_from_before_is_refused_too(tmp_path: Path) -> None:
    """Resuming it would leave out the look at the certificate."""
    made = MadeRelay(tmp_path / "relay")
    context = only(tls_context(made.station("tide-001")), ssl.TLSVersion.TLSv1_2)
    with made.broker(tmp_path) as running:
        session = session_of(running.port, context)
        again = refusal(running.port, context, session=session)
        run_relay("revoke", made.folder, "tide-001")
        os.kill(running.process, signal.SIGHUP)
        assert wait_until(lambda: not refusal(running.port, context).startswith(ACCEPTED))

        assert again.startswith(ACCEPTED)
        assert not refusal(running.port, context, session=session).startswith("20")


def session_of(port: int, context: ssl.SSLContext) -> ssl.SSLSession:
    """Return a session of TLS that can be resumed."""
    with (
        socket.create_connection(("127.0.0.1", port), LONGEST_WAIT_S) as plain,
        context.wrap_socket(plain, server_hostname="localhost") as used,
    ):
        used.sendall(CONNECT)
        assert used.recv(100).hex().startswith(ACCEPTED)
        assert used.session is not None
        return used.session


def test_a_new_certificate_of_the_broker_needs_no_restart(tmp_path: Path) -> None:
    """After signal HUP new connections see it, and the open ones go on."""
    made = MadeRelay(tmp_path / "relay")
    context = tls_context(made.keeper)
    with made.broker(tmp_path) as running, MqttClient(running.port, made.keeper) as keeper:
        before = serial_of(running.port, context)
        run_relay("renew", made.folder, "broker")
        os.kill(running.process, signal.SIGHUP)

        assert wait_until(lambda: serial_of(running.port, context) != before)
        assert keeper.publish("bw/1/keeper", b"x") in {"Success", "No matching subscribers"}
        assert keeper.lost == 0


def serial_of(port: int, context: ssl.SSLContext) -> str:
    """Return the serial number of the broker's certificate."""
    with (
        socket.create_connection(("127.0.0.1", port), LONGEST_WAIT_S) as plain,
        context.wrap_socket(plain, server_hostname="localhost") as used,
    ):
        return str((used.getpeercert() or {})["serialNumber"])
