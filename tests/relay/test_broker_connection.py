"""The connection to a real broker: made, lost and made again, refused, and bounded."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from load_kit import wait_until
from server_kit import Broker, broker
from socket_kit import kept_port

from benchwatch.relay import broker_connection
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.broker_connection import BrokerConnection


class Heard:
    """A connection, and what it called."""

    def __init__(self, port: int, **options: Any) -> None:
        self.times = 0
        self.messages: list[tuple[str, bytes]] = []
        self.reasons: list[str] = []
        self.connection = BrokerConnection(
            BrokerAddress("127.0.0.1", port, tls=False),
            client_id="tide-007",
            on_connected=self._connected,
            on_message=lambda topic, payload: self.messages.append((topic, payload)),
            on_lost=self.reasons.append,
            **options,
        )

    def _connected(self) -> None:
        self.times += 1

    def until_connected(self, times: int = 1) -> "Heard":
        """Wait until it has been connected so many times."""
        assert wait_until(lambda: self.times >= times and self.connection.connected), self.reasons
        return self


@contextmanager
def connected(port: int, **options: Any) -> Iterator[Heard]:
    """Start a connection, and stop it at the end."""
    heard = Heard(port, **options)
    heard.connection.start()
    try:
        yield heard
    finally:
        heard.connection.stop(5.0)


@pytest.fixture(name="server", scope="module")
def _server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    with broker(tmp_path_factory.mktemp("broker")) as server:
        yield server


def test_messages_arrive(server: Broker) -> None:
    """What one sends the other hears, and what is kept is heard by those who come later."""
    with (
        connected(server.port) as sender,
        connected(server.port, subscriptions=[("a/+", 1)]) as one,
    ):
        sender.until_connected()
        one.until_connected()
        assert sender.connection.publish("a/x", b"\0\xff", qos=1, expiry_s=30)
        assert sender.connection.publish("a/kept", b"1", retain=True)
        assert wait_until(lambda: len(one.messages) == 2)
        assert one.messages == [("a/x", b"\0\xff"), ("a/kept", b"1")]
        with connected(server.port, subscriptions=[("a/#", 0)]) as later:
            assert wait_until(lambda: later.messages == [("a/kept", b"1")])


def test_the_will_is_kept_after_an_orderly_end_too(server: Broker) -> None:
    """Whoever asks later learns that the program is gone."""
    with connected(server.port, will=("w/here", b"gone")) as station:
        station.until_connected().connection.publish("w/here", b"there", qos=1, retain=True)
    with connected(server.port, subscriptions=[("w/here", 1)]) as later:
        assert wait_until(lambda: later.messages == [("w/here", b"gone")])


def test_a_stop_sends_what_waits(server: Broker) -> None:
    """Messages that were given before the stop arrive."""
    with connected(server.port, subscriptions=[("s", 1)]) as one:
        one.until_connected()
        with connected(server.port) as sender:
            sender.until_connected()
            for number in range(100):
                assert sender.connection.publish("s", str(number).encode(), qos=1)
        assert wait_until(lambda: len(one.messages) == 100)
        assert [int(payload) for _, payload in one.messages] == list(range(100))


def test_a_killed_broker_is_found_again(tmp_path: Path) -> None:
    """The connection and its subscriptions come back; while it is away nothing is taken or kept."""
    with broker(tmp_path) as server, connected(server.port, subscriptions=[("k", 1)]) as one:
        one.until_connected()
        server.kill()
        assert wait_until(lambda: one.reasons)
        assert "was lost" in one.reasons[0]
        assert not one.connection.connected
        assert not one.connection.publish("k", b"while it was away")
        assert wait_until(lambda: "no broker listens at mqtt://127.0.0.1" in one.connection.trouble)
        server.start()
        one.until_connected(2)
        assert one.connection.trouble == ""
        assert one.connection.publish("k", b"back", qos=1)
        assert wait_until(lambda: one.messages == [("k", b"back")])


def test_a_broker_that_is_away_is_tried_as_often_as_asked() -> None:
    """The one program that all others wait for must not stay away for half a minute."""
    with kept_port() as port, connected(port, longest_wait_s=0.05) as one:
        assert wait_until(lambda: len(one.reasons) >= 20)
        assert one.times == 0


def test_a_broker_that_stands_still_fills_no_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While nothing is acknowledged a bounded number of bytes waits, and then goes on."""
    monkeypatch.setattr(broker_connection, "MOST_WAITING_BYTES", 1_000_000)
    with broker(tmp_path) as server, connected(server.port, subscriptions=[("p", 0)]) as one:
        one.until_connected()
        server.pause()
        taken = 0
        while one.connection.publish("p", b"x" * 10_000, qos=1):
            taken += 1
            assert taken <= 100
        assert taken > 50
        server.resume()
        assert wait_until(lambda: len(one.messages) >= taken)
        assert one.connection.publish("p", b"more", qos=1)
        assert wait_until(lambda: one.messages[-1] == ("p", b"more"))


def test_many_threads_may_send(server: Broker) -> None:
    """Messages of several threads arrive whole, each thread's in its order."""
    with (
        connected(server.port, subscriptions=[("t/+", 1)]) as one,
        connected(server.port) as sender,
    ):
        one.until_connected()
        sender.until_connected()

        def send(name: int) -> None:
            for number in range(200):
                sender.connection.publish(f"t/{name}", str(number).encode(), qos=1)

        threads = [threading.Thread(target=send, args=(name,)) for name in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert wait_until(lambda: len(one.messages) == 800)
        for name in range(4):
            numbers = [int(payload) for topic, payload in one.messages if topic == f"t/{name}"]
            assert numbers == list(range(200))


def test_a_client_that_is_not_known(tmp_path: Path) -> None:
    """A broker that lets nobody in without a name makes a sentence of trouble."""
    config = "listener {port} 127.0.0.1\nallow_anonymous false\n"
    with broker(tmp_path, config=config) as server, connected(server.port) as one:
        assert wait_until(lambda: one.reasons)
        assert "does not know this program" in one.connection.trouble
        assert one.times == 0


def test_what_the_access_list_forbids(tmp_path: Path) -> None:
    """A topic that may not be written makes a sentence of trouble."""
    access = tmp_path / "access"
    access.write_text("topic read open\n", "ascii")
    config = f"listener {{port}} 127.0.0.1\nallow_anonymous true\nacl_file {access}\n"
    with broker(tmp_path, config=config) as server, connected(server.port) as one:
        one.until_connected().connection.publish("open", b"1", qos=1)
        assert wait_until(lambda: "to send what it must" in one.connection.trouble)


def test_a_subscription_that_is_refused() -> None:
    """A broker that refuses a topic makes a sentence of trouble: nothing would ever come."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        with connected(server.getsockname()[1], subscriptions=[("shut", 1)]) as one:
            talker, _ = server.accept()
            talker.recv(1000)
            talker.sendall(bytes.fromhex("2003000000"))  # CONNACK, section 3.2 of MQTT 5.0
            number = talker.recv(1000)[2:4]
            talker.sendall(b"\x90\x04" + number + b"\x00\x87")  # SUBACK with "not authorized"
            assert wait_until(lambda: one.reasons)
            talker.close()
        assert "does not allow this program to hear what it must" in one.reasons[0]
        assert one.times == 0


def test_what_is_no_broker() -> None:
    """A port at which something else answers, or hangs up, makes a sentence of trouble."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        with connected(server.getsockname()[1]) as one:
            talker, _ = server.accept()
            talker.sendall(b"SSH-2.0-nothing of yours\r\n")
            talker.close()
            assert wait_until(lambda: one.reasons)
        assert "is no broker of MQTT 5" in one.reasons[0]


def test_two_connections_have_different_names(server: Broker) -> None:
    """Two programs of one station do not end each other's connections."""
    with connected(server.port) as one, connected(server.port) as other:
        one.until_connected()
        other.until_connected()
        assert other.connection.publish("n", b"", qos=1)
        assert one.connection.publish("n", b"", qos=1)
        assert (one.reasons, other.reasons) == ([], [])


def test_a_large_message_is_not_received(server: Broker) -> None:
    """The broker holds back what is larger than any message of ours; the next one comes."""
    with connected(server.port, subscriptions=[("l", 1)]) as one:
        one.until_connected().connection.publish("l", b"x" * 2_000_000, qos=1)
        one.connection.publish("l", b"small", qos=1)
        assert wait_until(lambda: one.messages)
        assert one.messages == [("l", b"small")]


def test_an_error_of_a_callback_ends_no_thread(server: Broker) -> None:
    """Where a callback raises, that is said, and the connection is made again."""
    with connected(server.port, subscriptions=[("e", 0)]) as one:
        one.until_connected()
        one.connection._on_message = lambda _topic, _payload: 1 / 0
        one.connection.publish("e", b"1", qos=1)
        assert wait_until(lambda: one.reasons)
        assert "an error of this program ended the connection (ZeroDivisionError" in one.reasons[0]
        one.until_connected(2)
