"""Clients of a broker that share no code with `benchwatch.relay`: by paho, and by bare sockets."""

import socket
import ssl
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as mqtt
from load_kit import LONGEST_WAIT_S, wait_until
from paho.mqtt.enums import CallbackAPIVersion
from server_process_kit import HOST

CONNECT = b"\x10\x10\x00\x04MQTT\x05\x02\x00\x3c\x00\x00\x03abc"
"""A packet CONNECT of MQTT 5 (section 3.1): clean start, keep alive 60 s, client id ``abc``."""


def tls_context(identity: Path | None, authority: Path | None = None) -> ssl.SSLContext:
    """Return the settings of a client.

    Args:
        identity: folder with client.crt and client.key; None: it shows no certificate.
        authority: certificate of whom it trusts; None: that in the folder of its identity.
    """
    trusted = authority or (identity / "authority.crt" if identity else None)
    context = ssl.create_default_context(cafile=trusted)
    if identity:
        context.load_cert_chain(identity / "client.crt", identity / "client.key")
    return context


def refusal(
    port: int,
    context: ssl.SSLContext | None,
    packet: bytes = CONNECT,
    session: ssl.SSLSession | None = None,
) -> str:
    """Connect, send a packet, and return why it was refused.

    Args:
        port: of the broker.
        context: settings of TLS; None: plain text.
        packet: what is sent first.
        session: of TLS, to be resumed.

    Returns:
        The reason of OpenSSL, such as ``SSLV3_ALERT_CERTIFICATE_REVOKED``, ``closed`` where the
        broker said nothing, or the answer in hexadecimal digits where it answered.
    """
    with socket.create_connection((HOST, port), LONGEST_WAIT_S) as plain:
        try:
            used = plain
            if context:
                used = context.wrap_socket(plain, server_hostname="localhost", session=session)
            with used:
                used.sendall(packet)
                return used.recv(100).hex() or "closed"
        except ssl.SSLError as error:
            return error.reason or "closed"
        except ConnectionError:
            return "closed"


class MqttClient:
    """A client that is connected while the ``with`` block lasts.

    Attributes:
        heard: pairs of topic and payload, in the order in which they came.
        lost: how often its connection was lost; it connects again by itself.
    """

    def __init__(
        self,
        port: int,
        identity: Path | None,
        *,
        user: str | None = None,
        ident: str = "",
        will: str | None = None,
    ) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self.lost = 0
        self._reasons: dict[int | None, str] = {}
        self._changed = threading.Condition()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, ident, protocol=mqtt.MQTTv5)
        if identity:
            self._client.tls_set_context(tls_context(identity))
        if user:
            self._client.username_pw_set(user, "secret")
        if will:
            self._client.will_set(will, b"will", 1)
        self._client.on_connect = lambda *found: self._note(None, found[3])
        self._client.on_publish = lambda *found: self._note(found[2], found[3])
        self._client.on_subscribe = lambda *found: self._note(found[2], found[3][0])
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("localhost", port, keepalive=30)

    def __enter__(self) -> Self:
        self._client.loop_start()
        reason = self._reason(lambda: None)
        if reason != "Success":
            self.__exit__(None, None, None)
        assert reason == "Success"
        return self

    def __exit__(
        self, _: type[BaseException] | None, __: BaseException | None, ___: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        self._client._reset_sockets()  # else it leaves the pair that wakes its thread open

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> str:
        """Publish with QoS 1; return the broker's reason code in words."""
        return self._reason(lambda: self._client.publish(topic, payload, 1, retain).mid)

    def subscribe(self, topic: str, qos: int = 1) -> str:
        """Subscribe; return the broker's reason code in words."""
        return self._reason(lambda: self._client.subscribe(topic, qos)[1])

    def send_unchecked(self, topic: str, payload: bytes) -> None:
        """Publish, and wait for no answer."""
        self._client.publish(topic, payload, 1)

    def break_off(self) -> None:
        """Close the connection without a word, so that the broker sends the will."""
        found = self._client.socket()
        assert found is not None
        found.shutdown(socket.SHUT_RDWR)

    def wait_for(self, topic: str, payload: bytes) -> None:
        """Wait until a message has come."""
        assert wait_until(lambda: (topic, payload) in list(self.heard)), self.heard

    def _reason(self, send: Callable[[], int | None]) -> str:
        number = send()
        with self._changed:
            came = self._changed.wait_for(lambda: number in self._reasons, LONGEST_WAIT_S)
            assert came, "the broker did not answer"
            return self._reasons.pop(number)

    def _note(self, number: int | None, reason: Any) -> None:
        with self._changed:
            self._reasons[number] = str(reason)
            self._changed.notify_all()

    def _on_disconnect(self, *_: Any) -> None:
        self.lost += 1

    def _on_message(self, _: Any, __: Any, message: mqtt.MQTTMessage) -> None:
        self.heard.append((message.topic, bytes(message.payload)))
