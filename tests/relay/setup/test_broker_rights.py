"""What each name may write and hear on a real mosquitto with the files of ``relay init``."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from certificate_kit import write_identity
from load_kit import wait_until
from mqtt_client_kit import MqttClient
from relay_folder_kit import MadeRelay, run_relay
from server_kit import Broker, broker

KINDS = ("batch", "ack", "here", "look", "main/state", "main/line")
TOPICS = [
    *(f"bw/1/{name}/{kind}" for name in ("tide-001", "tide-002", "keeper", "desk")
      for kind in KINDS),
    "bw/1/keeper",
]  # fmt: skip
OF_STATION = ("batch", "here", "main/state", "main/line")
WRITES = {
    "keeper": {"bw/1/tide-001/ack", "bw/1/tide-002/ack", "bw/1/keeper", "bw/1/desk/ack"},
    "desk": {"bw/1/tide-001/look", "bw/1/tide-002/look", "bw/1/keeper/look"},
    "tide-001": {f"bw/1/tide-001/{kind}" for kind in OF_STATION},
    "tide-002": {f"bw/1/tide-002/{kind}" for kind in OF_STATION},
}
HEARS = {
    "keeper": {"bw/1/tide-001/batch", "bw/1/tide-002/batch", "bw/1/keeper"},
    "desk": {"bw/1/keeper"} | {f"bw/1/tide-00{number}/{kind}"
             for number in "12" for kind in ("here", "main/state", "main/line")},
    "tide-001": {"bw/1/tide-001/ack", "bw/1/tide-001/here", "bw/1/tide-001/look", "bw/1/keeper"},
    "tide-002": {"bw/1/tide-002/ack", "bw/1/tide-002/here", "bw/1/tide-002/look", "bw/1/keeper"},
}  # fmt: skip
"""Whoever is not named here neither writes nor hears a topic. The answers to a station called
desk, and the questions to one called keeper, reach nobody, as no station has these names."""
REFUSED = "Not authorized"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> MadeRelay:
    """Return the files of ``relay init``."""
    return MadeRelay(tmp_path_factory.mktemp("made") / "relay")


@pytest.fixture(scope="module")
def running(made: MadeRelay, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    """Run a mosquitto with them."""
    with made.broker(tmp_path_factory.mktemp("broker")) as started:
        yield started


@pytest.fixture
def clients(made: MadeRelay, running: Broker) -> Iterator[dict[str, MqttClient]]:
    """Yield a client of each name, which has subscribed to all that there is."""
    folders = {"keeper": made.keeper, "desk": made.desk} | {
        name: made.station(name) for name in ("tide-001", "tide-002")
    }
    with contextlib.ExitStack() as open_clients:
        found = {
            name: open_clients.enter_context(MqttClient(running.port, folder))
            for name, folder in folders.items()
        }
        for client in found.values():
            for topic in ("bw/1/#", "#", "+/+/+/batch", "$SYS/#", "$share/all/bw/1/#"):
                client.subscribe(topic)
        yield found


def test_each_name_writes_its_own_topics_only(clients: dict[str, MqttClient]) -> None:
    """Every name tries every topic; the broker says which it took."""
    written = {
        name: {topic for topic in TOPICS if client.publish(topic, b"x") != REFUSED}
        for name, client in clients.items()
    }
    assert written == WRITES


def test_each_name_hears_its_own_topics_only(clients: dict[str, MqttClient]) -> None:
    """Every allowed message is sent, and everybody has subscribed to everything.

    At the end each gets one more: what was sent before it, and did not come, does not come.
    """
    for name, client in clients.items():
        for topic in sorted(WRITES[name]):
            assert client.publish(topic, name.encode()) != REFUSED
    last = {
        "keeper": ("tide-001", "bw/1/tide-001/batch"), "desk": ("tide-001", "bw/1/tide-001/here"),
        "tide-001": ("keeper", "bw/1/keeper"), "tide-002": ("keeper", "bw/1/keeper"),
    }  # fmt: skip
    for name, (sender, topic) in last.items():
        clients[sender].publish(topic, b"last")
        clients[name].wait_for(topic, b"last")

    for name, client in clients.items():
        assert {topic for topic, _ in client.heard} == HEARS[name], name


def test_a_chosen_user_name_counts_for_nothing(made: MadeRelay, running: Broker) -> None:
    """The name is that of the certificate, whatever the packet CONNECT says."""
    with MqttClient(running.port, made.station("tide-002"), user="keeper") as client:
        assert client.publish("bw/1/tide-001/ack", b"x") == REFUSED
        assert client.publish("bw/1/tide-002/here", b"x") != REFUSED


def test_a_will_on_anothers_topic_is_not_taken(
    made: MadeRelay, running: Broker, clients: dict[str, MqttClient]
) -> None:
    """Nobody can say that another station is gone; its own will reaches the desk."""
    for topic in ("bw/1/tide-001/here", "bw/1/tide-002/here"):
        with MqttClient(running.port, made.station("tide-002"), will=topic) as client:
            client.break_off()
            assert wait_until(lambda broken=client: broken.lost)
    clients["desk"].wait_for("bw/1/tide-002/here", b"will")

    assert {topic for topic, payload in clients["desk"].heard if payload == b"will"} == {
        "bw/1/tide-002/here"
    }


@pytest.mark.parametrize("name", ["+", "#", "tide-001/x", "..", "tide-001+", "station"])
def test_a_certificate_with_an_odd_name_gives_no_right_over_a_station(
    made: MadeRelay, running: Broker, tmp_path: Path, name: str
) -> None:
    """The authority issues no such name; if it did, the broker would not be fooled."""
    folder = write_identity(tmp_path / "odd", made.authority, name)
    with MqttClient(running.port, folder) as client:
        client.subscribe("bw/1/#")
        for topic in TOPICS:
            assert client.publish(topic, b"x") == REFUSED


def test_a_longer_packet_than_a_batch_is_refused(made: MadeRelay, running: Broker) -> None:
    """The largest batch of 256 kB passes; who sends 400 kB is disconnected."""
    with (
        MqttClient(running.port, made.station("tide-001")) as client,
        MqttClient(running.port, made.keeper) as keeper,
    ):
        keeper.subscribe("bw/1/+/batch")
        largest = bytes(256 * 1024)
        client.publish("bw/1/tide-001/batch", largest)
        keeper.wait_for("bw/1/tide-001/batch", largest)
        client.send_unchecked("bw/1/tide-001/batch", bytes(400_000))

        assert wait_until(lambda: client.lost == 1)
        assert len(keeper.heard) == 1


def test_a_broker_for_one_computer_listens_there_only(tmp_path: Path) -> None:
    """Of ``relay init --loopback``; no certificate is needed, and no other address answers."""
    run_relay("init", tmp_path / "relay", "--loopback")
    text = (tmp_path / "relay" / "broker" / "mosquitto.conf").read_text("utf-8")
    listeners = [line for line in text.splitlines() if line.startswith("listener")]
    with broker(tmp_path, config=text.replace("listener 1883", "listener {port}")) as running:
        inside = [
            connection.laddr.ip
            for connection in psutil.Process(running.process).net_connections()
            if connection.status == psutil.CONN_LISTEN
        ]
        with MqttClient(running.port, None) as client:
            client.subscribe("bw/1/#")
            client.publish("bw/1/tide-001/batch", b"x")
            client.wait_for("bw/1/tide-001/batch", b"x")

    assert listeners == ["listener 1883 127.0.0.1"]
    assert inside == ["127.0.0.1"]
