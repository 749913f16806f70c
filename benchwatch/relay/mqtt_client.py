"""The library's client, made quick for many small messages without acknowledgement.

The library alone reads the head of each message byte by byte from the system, makes objects of
properties that nobody here reads, and writes each message by itself: for thousands of messages a
second that costs more than everything else that is done with them.
"""

from collections.abc import Callable, Iterable
from contextlib import suppress
from typing import Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

BLOCK_BYTES: Final = 65_536
"""Most bytes that are read from the system at once."""
_QOS_BITS: Final = 0x06


class MqttClient(paho.Client):
    """A client that reads in blocks; its other callbacks are the library's.

    Args:
        heard: called, in place of `on_message`, with topic and payload of each message that
            comes with quality of service 0.
        client_id: name of the client.
    """

    def __init__(self, heard: Callable[[str, bytes], None], client_id: str) -> None:
        super().__init__(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=paho.MQTTv5)
        self._heard = heard
        self._block, self._block_place = b"", 0

    @property
    def has_more(self) -> bool:
        """Whether bytes were read from the system that nobody has looked at yet."""
        return self._block_place < len(self._block)

    def read_block(self) -> MQTTErrorCode:
        """Take the messages that were read from the system already; call it after `loop`."""
        result, block = MQTTErrorCode.MQTT_ERR_SUCCESS, self._block
        while result == MQTTErrorCode.MQTT_ERR_SUCCESS and self.has_more and self._block is block:
            result = self.loop_read()
        return result

    def publish_all(self, messages: Iterable[tuple[str, bytes]]) -> paho.MQTTMessageInfo:
        """Send messages, topic and payload of each, with quality of service 0.

        Returns:
            What became of all of them together.
        """
        packets = bytearray()
        for topic, payload in messages:
            # MQTT 5.0, section 3.3: head, length, topic, no properties, payload.
            packets.append(paho.PUBLISH)
            name = topic.encode()
            self._pack_remaining_length(packets, 2 + len(name) + 1 + len(payload))
            packets += len(name).to_bytes(2, "big") + name + b"\0" + payload
        number = self._mid_generate()
        info = paho.MQTTMessageInfo(number)
        info.rc = self._packet_queue(paho.PUBLISH, packets, number, 0, info)
        return info

    # ------------------------------------------------------------ in place of the library's own

    def _sock_recv(self, bufsize: int) -> bytes:
        """Return the next bytes, at most so many; a block is read when none is left."""
        if not self.has_more:
            self._block = super()._sock_recv(max(bufsize, BLOCK_BYTES))
            self._block_place = 0
        first = self._block_place
        part = self._block[first : first + bufsize]
        self._block_place += len(part)
        return part

    def _handle_publish(self) -> MQTTErrorCode:
        packet = self._in_packet["packet"]
        if self._in_packet["command"] & _QOS_BITS:
            return super()._handle_publish()
        # MQTT 5.0, sections 3.3.2 and 1.5.5. No property says anything that is needed here.
        topic_end = 2 + int.from_bytes(packet[:2], "big")
        properties_bytes = shift = 0
        place = topic_end
        for byte in packet[topic_end : topic_end + 4]:
            properties_bytes |= (byte & 0x7F) << shift
            shift, place = shift + 7, place + 1
            if byte < 0x80:
                break
        else:
            return MQTTErrorCode.MQTT_ERR_PROTOCOL
        begin = place + properties_bytes
        if begin > len(packet):
            return MQTTErrorCode.MQTT_ERR_PROTOCOL
        with suppress(UnicodeDecodeError):  # a topic that is not UTF-8 is none of ours
            self._heard(packet[2:topic_end].decode(), bytes(packet[begin:]))
        return MQTTErrorCode.MQTT_ERR_SUCCESS
