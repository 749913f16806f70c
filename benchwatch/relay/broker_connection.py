"""One lasting connection to an MQTT 5 broker, which is made again for as long as it is wanted.

With `mqtt_client` the only importer of paho. It runs on its own thread; each attempt begins with a
new client of the library, so that nothing of an earlier connection is left in its queues.
"""

import random
import secrets
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from functools import lru_cache
from typing import Any, Final

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import printable
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.connection_words import failure_words, lost_words, refusal_words
from benchwatch.relay.identity import Identity
from benchwatch.system.optional_module import optional_module

KEEPALIVE_S: Final = 15
"""A broker that says nothing for so long is asked whether it is there, and given up where it says
nothing for as long again; a broker gives up a client after one and a half times as long."""
CONNECT_TIMEOUT_S: Final = 5.0
FIRST_WAIT_S: Final = 1.0
LONGEST_WAIT_S: Final = 30.0
"""Longest wait between two attempts; each is shortened by up to a half, by chance, so that the
many who lost a broker at the same moment don't come back at the same moment."""
STEADY_S: Final = 10.0
"""A connection that lasted so long was a good one: the next attempt comes soon."""
MOST_WAITING: Final = 2000
MOST_WAITING_BYTES: Final = 4_000_000
"""Most messages, and bytes of them, that wait to be written or acknowledged."""
PORTION_BYTES: Final = 100_000
"""Bytes of messages that are sent together, or of a larger one alone."""
LARGEST_PACKET_BYTES: Final = 300_000
"""The broker passes no larger message on to this program."""
_LOOP_S: Final = 5.0
"""Longest wait for the socket; after each the library looks whether the broker is silent."""
_END_S: Final = 0.5
"""Longest wait for the last packet of a connection to be written."""
_DISCONNECT_WITH_WILL: Final = 4
"""Reason code with which the broker publishes the will (MQTT 5.0, section 3.14.2.1)."""


class _SecureSocket(ssl.SSLSocket):
    """Is closed where the handshake fails: the library forgets it then."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except (OSError, ValueError):
            self.close()
            raise


class BrokerConnection:
    """A connection that is made again whenever it is lost; no method but `stop` blocks.

    The callbacks are called on the connection's own thread, and must be quick.

    Args:
        address: the broker.
        identity: the certificate of this program; None: none is shown.
        client_id: name of the client, to which a part is added that nobody can guess: a broker
            ends the connection of a client when another one comes with the same name.
        on_connected: called when the connection is made and its subscriptions are valid.
        on_message: called with topic and payload of each message.
        on_lost: called with the reason when a connection is lost or can't be made.
        subscriptions: topics, and the quality of service with which they are heard.
        will: topic and payload that the broker keeps there once this program is gone, in whatever
            way.
        longest_wait_s: longest wait between two attempts to connect.

    Raises:
        UsageError: the library is not installed.
    """

    def __init__(
        self,
        address: BrokerAddress,
        identity: Identity | None = None,
        *,
        client_id: str,
        on_connected: Callable[[], None],
        on_message: Callable[[str, bytes], None],
        on_lost: Callable[[str], None],
        subscriptions: Sequence[tuple[str, int]] = (),
        will: tuple[str, bytes] | None = None,
        longest_wait_s: float = LONGEST_WAIT_S,
    ) -> None:
        self._paho = optional_module("paho.mqtt.client")
        if self._paho is None:
            raise UsageError(
                "a broker is spoken to with the library paho-mqtt, which is not installed: "
                "in the source folder, pip install '.[relay]'."
            )
        self.address = address
        self.connected = False
        """Whether messages can be sent, and those of the subscriptions come."""
        self.trouble = ""
        """Why there is no connection, or what the broker refused: a sentence without full stop."""
        self._identity, self._will = identity, will
        self._longest_wait_s = longest_wait_s
        self._client_id = f"{client_id}-{secrets.token_hex(6)}"
        self._on_connected, self._on_message, self._on_lost = on_connected, on_message, on_lost
        self._subscriptions = list(subscriptions)
        self._client: Any = None
        self._why = ""
        """What was heard of the reason for which this connection ends."""
        self._greeted_s: float | None = None
        """When the broker had accepted the connection, monotonic; None: it has not yet."""
        self._lock = threading.Lock()
        self._waiting: tuple[deque[tuple[Any, int]], ...] = (deque(), deque())
        """By quality of service, what became of each and its bytes; each done in its order."""
        self._waiting_bytes = 0
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)

    def start(self) -> None:
        """Begin to connect."""
        self._thread.start()

    def stop(self, within_s: float) -> None:
        """Send what waits and end the connection; wait at most `within_s`.

        The broker then keeps the will, as after any other end.
        """
        deadline_s = time.monotonic() + within_s
        while self.connected and self._still_waiting() and time.monotonic() < deadline_s:
            time.sleep(0.005)
        self._stopped.set()
        client = self._client
        if client is not None:
            with suppress(OSError, ValueError):
                client.disconnect(_reason(_DISCONNECT_WITH_WILL if self._will else 0))
        if self._thread.is_alive() and threading.current_thread() is not self._thread:
            self._thread.join(max(deadline_s - time.monotonic(), 0.05))

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int = 0,
        retain: bool = False,
        expiry_s: int | None = None,
    ) -> bool:
        """Send a message; from any thread.

        Args:
            topic: where.
            payload: at most `LARGEST_PACKET_BYTES`, less the topic.
            qos: 1: it is sent again until the broker has it, as long as this connection lasts.
            retain: whether the broker keeps it for those who come later.
            expiry_s: the broker throws it away after so many seconds.

        Returns:
            False: there is no connection, or too much waits already. True does not say that it
            has arrived.
        """
        client = self._client
        if not self.connected or client is None or self._is_full(len(payload)):
            return False
        if qos:
            client.on_publish = self._published  # it costs as much as a message
        properties = _publish_properties(expiry_s)
        info = client.publish(topic, payload, qos, retain, properties)
        return self._await(info, qos, len(payload))

    def publish_all(self, messages: Iterable[tuple[str, bytes]]) -> bool:
        """Send messages, topic and payload of each, with quality of service 0.

        Together they cost a fraction of what each by itself would.

        Returns:
            False: some were not sent, as there is no connection, or too much waits already.
        """
        client = self._client
        for some in _portions(messages):
            size = sum(len(payload) for _, payload in some)
            if not self.connected or client is None or self._is_full(size):
                return False
            if not self._await(client.publish_all(some), 0, size):
                return False
        return True

    # ------------------------------------------------------------ what waits

    def _await(self, info: Any, qos: int, size: int) -> bool:
        """Count what was given to the library, until it is done; return whether it was taken."""
        if info.rc != self._paho.MQTT_ERR_SUCCESS:
            return False
        with self._lock:
            self._waiting[qos].append((info, size))
            self._waiting_bytes += size
        return True

    def _is_full(self, more: int) -> bool:
        with self._lock:
            self._forget_sent()
            return (
                sum(map(len, self._waiting)) >= MOST_WAITING
                or self._waiting_bytes + more > MOST_WAITING_BYTES
            )

    def _still_waiting(self) -> bool:
        with self._lock:
            self._forget_sent()
            return any(self._waiting)

    def _forget_sent(self) -> None:
        """Forget the messages that were written or acknowledged; called with the lock held."""
        for waiting in self._waiting:
            while waiting and waiting[0][0].is_published():
                self._waiting_bytes -= waiting.popleft()[1]

    # ------------------------------------------------------------ the thread

    def _run(self) -> None:
        first_wait_s = wait_s = min(FIRST_WAIT_S, self._longest_wait_s)
        while not self._stopped.is_set():
            self._why, self._greeted_s = "", None
            try:
                why = self._connect_and_serve()
            except Exception as error:  # noqa: BLE001 - a thread that ends would say nothing
                what = f"{type(error).__name__}: {printable(str(error), 100)}"
                why = f"an error of this program ended the connection ({what})"
            lasted_s = 0.0 if self._greeted_s is None else time.monotonic() - self._greeted_s
            self.connected, self._client = False, None
            with self._lock:
                self._waiting = (deque(), deque())
                self._waiting_bytes = 0
            if self._stopped.is_set():
                return
            self.trouble = why
            self._on_lost(why)
            wait_s = first_wait_s if lasted_s > STEADY_S else wait_s
            self._stopped.wait(wait_s * random.uniform(0.5, 1.0))  # noqa: S311 - no secret
            wait_s = min(2 * wait_s, self._longest_wait_s)

    def _connect_and_serve(self) -> str:
        """Make one connection and serve it to its end; return why it ended."""
        try:
            client = self._client = self._new_client()
            client.connect(
                self.address.host, self.address.port, KEEPALIVE_S, clean_start=True,
                properties=_connect_properties(),
            )  # fmt: skip
        except FileError as error:
            return str(error).rstrip(".")
        except (OSError, ValueError) as error:  # a refused certificate is one of both
            return failure_words(self.address, error)
        ended_s: float | None = None
        success = self._paho.MQTT_ERR_SUCCESS
        while (
            client.loop(0.0 if client.has_more else self._longest_loop_s()) == success
            and client.read_block() == success
        ):
            if self._stopped.is_set():
                ended_s = ended_s or time.monotonic() + _END_S
                if time.monotonic() > ended_s:
                    break
        return self._why or lost_words(
            self.address, was_greeted=self._greeted_s is not None, heard=self._heard
        )

    def _longest_loop_s(self) -> float:
        return _END_S if self._stopped.is_set() else _LOOP_S

    def _new_client(self) -> Any:
        from benchwatch.relay.mqtt_client import MqttClient  # noqa: PLC0415 - needs an extra

        client = MqttClient(self._heard_message, self._client_id)
        client.connect_timeout = CONNECT_TIMEOUT_S
        client.max_queued_messages_set(MOST_WAITING)
        if self.address.tls:
            client.tls_set_context(self._tls())
        if self._will is not None:
            client.will_set(*self._will, qos=1, retain=True)
        # With this callback the library leaves all writing to the thread that runs its loop.
        client.on_socket_register_write = lambda *_: None
        self._heard = ""
        client.on_log = self._log
        client.on_connect, client.on_subscribe = self._connect, self._subscribe
        client.on_message, client.on_disconnect = self._message, self._disconnect
        return client

    def _tls(self) -> ssl.SSLContext:
        """Return the settings of the next connection; they may have been renewed on the disk."""
        if self._identity is None:
            context = ssl.create_default_context()
        else:
            context = self._identity.ssl_context()
        context.sslsocket_class = _SecureSocket
        return context

    # ------------------------------------------------------------ called by the library

    def _log(self, _client: Any, _user: Any, level: int, text: str) -> None:
        """Keep the reason for which a connection fails, which is nowhere else."""
        if level == self._paho.MQTT_LOG_ERR:
            self._heard = text

    def _connect(self, client: Any, _user: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._why = refusal_words(self.address, str(reason))
            client.disconnect()
            return
        client.on_log = None  # it is told of each packet
        self._greeted_s = time.monotonic()
        if self._subscriptions:
            client.subscribe(self._subscriptions)
        else:
            self._ready()

    def _subscribe(self, client: Any, _user: Any, _id: int, reasons: Any, _properties: Any) -> None:
        refused = [str(reason) for reason in reasons if reason.is_failure]
        if refused:
            self._why = refusal_words(self.address, refused[0], "to hear what it must")
            client.disconnect()
            return
        self._ready()

    def _ready(self) -> None:
        self.connected, self.trouble = True, ""
        self._on_connected()

    def _heard_message(self, topic: str, payload: bytes) -> None:
        self._on_message(topic, payload)

    def _message(self, _client: Any, _user: Any, message: Any) -> None:
        with suppress(UnicodeDecodeError):  # a topic that is not UTF-8 is none of ours
            self._on_message(message.topic, bytes(message.payload))

    def _published(self, _client: Any, _user: Any, _id: int, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self.trouble = refusal_words(self.address, str(reason), "to send what it must")

    def _disconnect(
        self, _client: Any, _user: Any, flags: Any, reason: Any, _properties: Any
    ) -> None:
        self.connected = False
        if flags.is_disconnect_packet_from_server and not self._why:
            self._why = (
                f"the broker {self.address} ended the connection: "
                f"{printable(str(reason), 100).lower()}"
            )


def _portions(messages: Iterable[tuple[str, bytes]]) -> Iterator[list[tuple[str, bytes]]]:
    """Yield messages in portions of about `PORTION_BYTES`."""
    some: list[tuple[str, bytes]] = []
    size = 0
    for message in messages:
        some.append(message)
        size += len(message[1])
        if size >= PORTION_BYTES:
            yield some
            some, size = [], 0
    if some:
        yield some


def _properties(kind: str) -> Any:
    properties: Any = optional_module("paho.mqtt.properties")
    packets: Any = optional_module("paho.mqtt.packettypes")
    return properties.Properties(getattr(packets.PacketTypes, kind))


@lru_cache(maxsize=32)
def _publish_properties(expiry_s: int | None) -> Any:
    if expiry_s is None:
        return None
    properties = _properties("PUBLISH")
    properties.MessageExpiryInterval = expiry_s
    return properties


def _connect_properties() -> Any:
    properties = _properties("CONNECT")
    properties.SessionExpiryInterval = 0
    properties.MaximumPacketSize = LARGEST_PACKET_BYTES
    return properties


def _reason(code: int) -> Any:
    codes: Any = optional_module("paho.mqtt.reasoncodes")
    packets: Any = optional_module("paho.mqtt.packettypes")
    return codes.ReasonCode(packets.PacketTypes.DISCONNECT, identifier=code)
