"""Plain addresses: what is understood, and what is answered with the strings to type.

Ports: IANA Service Name and Transport Protocol Port Number Registry, scpi-raw 5025 and hislip 4880
(from memory). GPIB addresses 0 to 30: IEEE 488.1.
"""

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.bus.plain_address import resources_of_host, understood_resource
from benchwatch.bus.resource_string import parse_address
from benchwatch.errors import UsageError

STRING = re.compile(r"[A-Z][A-Z0-9]*::?\S+::(?:SOCKET|INSTR)")


@pytest.mark.parametrize(
    ("written", "resource"),
    [
        ("192.168.1.20:5025", "TCPIP0::192.168.1.20::5025::SOCKET"),
        (" counter-2.station.example:1394 ", "TCPIP0::counter-2.station.example::1394::SOCKET"),
        ("localhost:65535", "TCPIP0::localhost::65535::SOCKET"),
        ("192.168.1.20:4880", "TCPIP0::192.168.1.20::hislip0::INSTR"),
        ("/dev/ttyUSB0", "ASRL/dev/ttyUSB0::INSTR"),
        ("/dev/ttyUSB0,19200,7E1", "ASRL/dev/ttyUSB0,19200,7E1::INSTR"),
        ("/dev/cu.usbserial-12", "ASRL/dev/cu.usbserial-12::INSTR"),
        ("/dev/serial/by-id/usb-adapter-port0", "ASRL/dev/serial/by-id/usb-adapter-port0::INSTR"),
        ("GPIB 5", "GPIB0::5::INSTR"),
        ("GPIB:5", "GPIB0::5::INSTR"),
        ("gpib0,12", "GPIB0::12::INSTR"),
        ("GPIB1 30", "GPIB1::30::INSTR"),
    ],
)
def test_what_can_mean_one_thing_is_understood(written, resource):
    """The resource string is the one that the bus reads."""
    assert understood_resource(written) == resource
    assert parse_address(resource).resource == resource


@pytest.mark.parametrize(
    ("written", "resource"),
    [
        ("COM3", "ASRL3::INSTR"),
        ("com12", "ASRL12::INSTR"),
        ("COM3,19200,7E1", "ASRL3,19200,7E1::INSTR"),
    ],
)
def test_a_port_of_windows_is_understood_there(written, resource):
    """VISA numbers the serial ports as Windows does; elsewhere the sentence says how they are."""
    assert understood_resource(written, windows=True) == resource
    with pytest.raises(UsageError, match="/dev/ttyUSB0"):
        understood_resource(written, windows=False)


@pytest.mark.parametrize(
    "written",
    [
        "TCPIP0::192.168.1.20::5025::SOCKET",
        "ASRL/dev/ttyUSB0,19200,7E1::INSTR",
        "ASRL3",
        "GPIB0::5::INSTR",
        "LANGPIB::192.168.1.30::1234::5",
        "USB0::0x1234::0x5678::417::INSTR",
        "FILE::/tmp/readings.txt",
        "/tmp/readings.txt",
        "-",
        "typed",
        "",
        "R\x1b[31m",
    ],
)
def test_what_is_no_plain_address_stays(written):
    """Resource strings, files and the rest are left to those who open them."""
    assert understood_resource(written) == written


@pytest.mark.parametrize(
    ("typed", "right"), [("COM3:9600", "COM3,9600"), ("com12:19200,7E1", "com12,19200,7E1")]
)
def test_settings_behind_a_colon_are_shown_behind_a_comma(typed, right):
    """It is no host called COM3, on either system."""
    for windows in (False, True):
        with pytest.raises(UsageError, match=f"behind a comma. Type {right}[.]"):
            understood_resource(typed, windows=windows)


def test_the_table_of_the_page_is_true():
    """What docs/counters.md says of plain addresses is what happens."""
    page = (Path(__file__).parents[2] / "docs" / "counters.md").read_text("utf-8")
    section = page.split("### Plain addresses")[1].split("\n## ")[0]
    rows = [row.split("|")[1:3] for row in section.splitlines() if row.startswith("| `")]
    pairs = [
        (typed, taken)
        for left, right in rows
        for typed, taken in zip(
            re.findall("`([^`]+)`", left), re.findall("`([^`]+)`", right), strict=False
        )
    ]

    assert len(pairs) >= len(rows) == 5
    for typed, taken in pairs:
        assert understood_resource(typed, windows=typed.startswith("COM")) == taken


@pytest.mark.parametrize("written", ["192.168.1.20", "counter.station.example", "ten"])
def test_a_host_alone_is_answered_with_every_string(written):
    """The sentence has three strings, each of which can be typed as it stands."""
    with pytest.raises(UsageError) as asked:
        understood_resource(written)

    strings = STRING.findall(str(asked.value))
    assert strings == list(resources_of_host(written))
    assert [parse_address(one).kind for one in strings] == [
        ("TCPIP", "SOCKET"), ("TCPIP", "INSTR"), ("TCPIP", "INSTR"),
    ]  # fmt: skip
    assert f"benchwatch find {written}" in str(asked.value)


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("readings.csv", "there is no file 'readings.csv'"),
        ("GPIB", "Type GPIB0::5::INSTR"),
        ("GPIB7", "Type GPIB0::7::INSTR"),
        ("GPIB 31", "from 0 to 30"),
        ("GPIB:31", "from 0 to 30"),
        ("ttyUSB0", "Type /dev/ttyUSB0."),
        ("ttyACM1,9600", "Type /dev/ttyACM1,9600."),
        ("[::1]:5025", "IPv6"),
        ("fe80::1", "IPv6"),
        ("::1", "IPv6"),
        ("5025", "behind its host"),
        ("192.168.1.300", "no IPv4 address"),
        ("192.168.1:5025", "no IPv4 address"),
        ("192.168.1.20:0", "1 to 65535"),
        ("192.168.1.20:65536", "1 to 65535"),
        ("a host:5025", "no host name"),
    ],
)
def test_what_can_not_be_meant_is_said(written, says):
    """The sentence says what to type instead."""
    with pytest.raises(UsageError, match=re.escape(says)):
        understood_resource(written)


def test_a_file_that_is_there_stays_a_file(tmp_path, monkeypatch):
    """A file in this folder may have the name of a host."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "counter").write_text("")

    assert understood_resource("counter") == "counter"
    assert not resources_of_host("counter")


@given(st.text(max_size=40))
def test_any_text_is_understood_or_answered(text):
    """Whatever is typed: the text itself, a resource string that can be read, or a sentence."""
    answer = ""
    resource = text
    try:
        resource = understood_resource(text)
    except UsageError as error:
        answer = str(error)

    assert answer.isprintable()
    assert resource == text or parse_address(resource).resource == resource
