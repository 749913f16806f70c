"""Small made stations at a real broker: they say that they are there and send lines when asked.

They speak by the library of MQTT alone, and share no code with the relay.
"""

import json
import threading
from typing import Any, Self

import line_kit
import paho.mqtt.client as mqtt
from load_kit import LONGEST_WAIT_S, wait_until

HOST = "127.0.0.1"


class MadeStation:
    """A station with counters whose lines a test sends one by one.

    Args:
        port: of the broker.
        name: of the station.
        counters: their names.
    """

    def __init__(self, port: int, name: str, *counters: str, **state: Any) -> None:
        self.name, self.counters, self.port = name, counters or ("main",), port
        self.state = state
        self.looks: list[dict[str, Any]] = []
        """What desks asked for since it is connected."""
        self.number, self.run = 0, line_kit.RUN
        self._is_up = threading.Event()
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self.client.on_connect = self._connected
        self.client.on_message = self._message
        self.client.reconnect_delay_set(1, 1)
        self.client.will_set(self._topic("here"), json.dumps({"v": 1, "here": False}), 1, True)

    def __enter__(self) -> Self:
        """Connect."""
        self.client.connect(HOST, self.port)
        self.client.loop_start()
        assert self._is_up.wait(LONGEST_WAIT_S)
        return self

    def __exit__(self, *_error: object) -> None:
        """Vanish, so that the broker publishes the will."""
        self.vanish()

    def vanish(self) -> None:
        """Cut the connection without a word."""
        self.client.loop_stop()
        socket = self.client.socket()
        if socket is not None:
            socket.close()

    def say(self, topic: str, payload: bytes | dict[str, Any], *, retain: bool = False) -> None:
        """Publish something under the station's topics and wait until the broker has it."""
        data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        self.client.publish(self._topic(topic), data, 1, retain).wait_for_publish(LONGEST_WAIT_S)

    def say_state(self, counter: str = "main", **changes: Any) -> None:
        """Publish the state of a counter."""
        values = line_kit.state_values(counter=counter, run=self.run, **{**self.state, **changes})
        self.say(f"{counter}/state", values, retain=True)

    def send(self, elapsed_s: float, text: str = "10000000.000", **changes: Any) -> None:
        """Send the line of a reading with the next number."""
        counter = changes.pop("counter", self.counters[0])
        self.number += 1
        values = line_kit.reading_values(self.number, elapsed_s, text, run=self.run) | changes
        self.say(f"{counter}/line", values | {"counter": counter})

    def wait_for_look(self, **values: Any) -> None:
        """Wait until a desk has asked since the station is connected, for these values."""
        found = wait_until(lambda: any(values.items() <= look.items() for look in self.looks))
        assert found, self.looks

    def _topic(self, end: str) -> str:
        return f"bw/1/{self.name}/{end}"

    def _connected(self, client: mqtt.Client, *_more: object) -> None:
        self.looks = []
        client.subscribe(self._topic("look"))
        client.publish(
            self._topic("here"), json.dumps({"v": 1, "here": True, "at": 1.9e9}), 1, True
        )
        for counter in self.counters:
            values = line_kit.state_values(counter=counter, run=self.run, **self.state)
            client.publish(self._topic(f"{counter}/state"), json.dumps(values), 1, True)
        self._is_up.set()

    def _message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        self.looks.append(json.loads(message.payload))
