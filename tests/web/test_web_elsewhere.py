"""Benches elsewhere on a page in a browser: a desk, and a station that sends."""

from contextlib import closing
from pathlib import Path

from load_kit import wait_until
from made_station_kit import MadeStation
from mqtt_client_kit import MqttClient
from plain_page_kit import PlainPage, Served
from server_kit import broker


def test_a_desk_is_shown_on_a_page_with_a_station_that_comes_later(tmp_path: Path) -> None:
    """Rows of the bench; a number opens the views of a counter."""
    with (
        broker(tmp_path) as server,
        MadeStation(server.port, "tide-001") as first,
        closing(Served(tmp_path, f"MQTT::127.0.0.1::{server.port}", sim=None)) as served,
    ):
        first.wait_for_look()
        with (
            closing(PlainPage(served)) as page,
            MadeStation(server.port, "tide-002", "five", "ten") as second,
        ):
            second.wait_for_look(counter="five")
            page.send("stdin", "0")
            page.until("tide-002/ten")
            page.until("tide-002/five")
            page.send("stdin", "3")
            page.until("1 Trim")
            second.send(1.0, counter="ten")
            page.until("10 MHz")


def test_a_station_shown_on_a_page_sends(tmp_path: Path) -> None:
    """Its state is at the broker, and the page shows the bench as ever."""
    relay = ("--station", "here", "--journal", str(tmp_path / "journal.sqlite"), "--relay")
    with broker(tmp_path) as server, MqttClient(server.port, None) as heard:
        heard.subscribe("bw/1/here/+/state")
        address = f"mqtt://127.0.0.1:{server.port}"
        with (
            closing(Served(tmp_path, *relay, address)) as served,
            closing(PlainPage(served)) as page,
        ):
            page.until("10 MHz")
            assert wait_until(lambda: bool(heard.heard))

    assert heard.heard[0][0] == "bw/1/here/main/state"
