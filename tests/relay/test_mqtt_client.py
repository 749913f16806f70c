"""Messages that are read in blocks, and sent many at once, are those that were sent."""

import random
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from load_kit import LONGEST_WAIT_S, wait_until
from server_kit import broker

from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.broker_connection import BrokerConnection

CONNACK, SUBACK = b"\x20\x03\0\0\0", b"\x90\x04\0\x01\0\0"
EXPIRY, USER_PROPERTY = b"\x02\0\0\0\x1e", b"\x26\0\x01a\0\xc8" + 200 * b"v"


def length(value: int) -> bytes:
    """Return a variable byte integer (MQTT 5.0, section 1.5.5)."""
    found = bytearray()
    while True:
        value, low = divmod(value, 128)
        found.append(low | (0x80 if value else 0))
        if not value:
            return bytes(found)


def packet(topic: bytes, payload: bytes, properties: bytes = b"") -> bytes:
    """Return a message of quality of service 0 as a broker sends it."""
    body = len(topic).to_bytes(2, "big") + topic + length(len(properties)) + properties + payload
    return b"\x30" + length(len(body)) + body


@contextmanager
def heard(parts: list[bytes]) -> Iterator[tuple[list[tuple[str, bytes]], list[str]]]:
    """Yield messages and losses of a connection whose broker sends these bytes, part by part."""
    messages: list[tuple[str, bytes]] = []
    losses: list[str] = []
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(LONGEST_WAIT_S)

        def serve() -> None:
            with listener.accept()[0] as stream, suppress(ConnectionError):
                stream.settimeout(LONGEST_WAIT_S)
                stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                stream.recv(1000)
                stream.sendall(CONNACK)
                stream.recv(1000)
                for part in (SUBACK, *parts):
                    stream.sendall(part)
                while stream.recv(1000):
                    pass

        thread = threading.Thread(target=serve)
        thread.start()
        connection = BrokerConnection(
            BrokerAddress("127.0.0.1", listener.getsockname()[1], tls=False), client_id="test",
            on_connected=lambda: None, on_message=lambda *found: messages.append(found),
            on_lost=losses.append, subscriptions=[("#", 0)],
        )  # fmt: skip
        connection.start()
        try:
            yield messages, losses
        finally:
            connection.stop(5.0)
            thread.join(LONGEST_WAIT_S)


@pytest.mark.parametrize("largest", [1, 7, 300, 100_000])
def test_messages_cut_anywhere_arrive(largest: int) -> None:
    """Whatever the system makes of the stream, and whatever properties a broker adds."""
    chance = random.Random(largest)
    sent = [
        (f"a/{place}", chance.randbytes(chance.choice([0, 1, 90, 127, 128, 2000])))
        for place in range(20 if largest == 1 else 400)
    ]
    stream = b"".join(
        packet(topic.encode(), payload, chance.choice([b"", EXPIRY, EXPIRY + USER_PROPERTY]))
        for topic, payload in sent
    )
    parts = []
    while stream:
        size = chance.randint(1, largest)
        parts.append(stream[:size])
        stream = stream[size:]

    with heard(parts) as (messages, _):
        assert wait_until(lambda: len(messages) >= len(sent))
        assert messages == sent


def test_a_topic_that_is_no_text_is_left_out() -> None:
    """It is none of ours; what follows arrives."""
    with heard([packet(b"\xff", b"1") + packet(b"b", b"2")]) as (messages, _):
        assert wait_until(lambda: messages == [("b", b"2")])


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"\0",
        b"\0\x05a",
        b"\0\x01a",
        b"\0\x01a\x05",
        b"\0\x01a\xff\xff\xff\xff\x7f",
        b"\0\x01a\x80",
    ],
)
def test_a_malformed_message_ends_the_connection(body: bytes) -> None:
    """Lengths that can't be are no reason to guess."""
    with heard([b"\x30" + length(len(body)) + body]) as (messages, losses):
        assert wait_until(lambda: losses)
        assert not messages


def test_many_messages_sent_at_once_arrive(tmp_path: Path) -> None:
    """All of them, whole and in their order, whether they fill a portion or not."""
    messages: list[tuple[str, bytes]] = []
    sent = [
        (f"a/{place}", bytes([place % 256]) * (150_000 if place % 400 == 7 else 90))
        for place in range(3000)
    ]
    ready = threading.Event()
    with broker(tmp_path, config="listener {port} 127.0.0.1\nallow_anonymous true\n"
                "max_queued_messages 0\n") as server:  # fmt: skip
        connection = BrokerConnection(
            BrokerAddress("127.0.0.1", server.port, tls=False), client_id="test",
            on_connected=ready.set, on_message=lambda *found: messages.append(found),
            on_lost=print, subscriptions=[("a/+", 0)],
        )  # fmt: skip
        assert not connection.publish_all(sent[:1])
        connection.start()
        try:
            assert ready.wait(LONGEST_WAIT_S)
            assert connection.publish_all(sent)
            assert wait_until(lambda: len(messages) >= len(sent))
        finally:
            connection.stop(5.0)
    assert messages == sent
