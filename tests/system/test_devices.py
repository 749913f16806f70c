"""Serial ports and USB instruments by the names and with the advice of each system."""

import sys
import types
from pathlib import Path

import pytest
import serial

from benchwatch.bus import listing
from benchwatch.bus.exception_mapping import opening_failed
from benchwatch.bus.listing import ListedResource, serial_ports
from benchwatch.commands import doctor
from benchwatch.system import devices
from benchwatch.system.devices import access_advice, serial_device, serial_resource, usb_advice


@pytest.mark.parametrize(
    ("platform", "device", "resource"),
    [
        ("win32", "COM3", "ASRL3::INSTR"),
        ("win32", "COM12", "ASRL12::INSTR"),
        ("linux", "/dev/ttyUSB0", "ASRL/dev/ttyUSB0::INSTR"),
        ("darwin", "/dev/cu.usbserial-1410", "ASRL/dev/cu.usbserial-1410::INSTR"),
    ],
)
def test_a_port_has_a_resource_string_and_back(platform: str, device: str, resource: str) -> None:
    """The system's name of a port and the resource string belong together."""
    assert serial_resource(device, platform) == resource
    assert serial_device(resource, platform) == device


def test_a_port_of_windows_is_listed_and_checked_by_its_name(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The list gives the resource string, the check of this computer the name that people know."""
    import serial.tools.list_ports

    found = types.SimpleNamespace(device="COM3", description="USB serial port (COM3)")
    monkeypatch.setattr(serial.tools.list_ports, "comports", lambda: [found])
    monkeypatch.setattr(listing, "serial_resource", lambda name: serial_resource(name, "win32"))
    monkeypatch.setattr(doctor, "serial_device", lambda name: serial_device(name, "win32"))
    monkeypatch.setattr(doctor, "may_open", lambda name: devices.may_open(name, "win32"))

    listed = serial_ports()
    (check,) = doctor.check_serial(listed)

    assert listed == [ListedResource("ASRL3::INSTR", "USB serial port (COM3)")]
    assert (check.good, check.says) == (True, "COM3 (USB serial port (COM3))")


def test_advice_is_that_of_the_system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Groups are joined by the tool of Linux or of macOS; Windows has no groups of devices."""
    groups = types.ModuleType("grp")
    groups.getgrgid = lambda _: types.SimpleNamespace(gr_name="dialout")  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "grp", groups)
    port = tmp_path / "port"
    port.touch(mode=0o660)

    linux, macos = access_advice(port, "linux"), access_advice(port, "darwin")
    port.chmod(0o600)
    closed = access_advice(port, "linux"), access_advice(port, "darwin")
    monkeypatch.setitem(sys.modules, "grp", None)
    windows = access_advice(port, "win32")

    assert "usermod -aG dialout" in linux
    assert "dseditgroup" in macos
    assert "dialout" in macos
    assert "udev" in closed[0]
    assert "udev" not in closed[1]
    assert "program that has it open" in windows


def test_a_port_without_rights_is_named_with_advice(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The check of this computer fails, and says what to do."""
    monkeypatch.setattr(doctor, "may_open", lambda _: False)

    (check,) = doctor.check_serial([ListedResource(f"ASRL{tmp_path}/port::INSTR")])

    assert check.good is False
    assert check.says == f"you may not open {tmp_path}/port"
    assert check.advice == "look at its permissions"


def test_usb_needs_rights_or_a_driver(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rule on Linux, a driver on Windows, and there the check of this computer says so."""
    assert "udev" in usb_advice("linux")
    assert "WinUSB" in usb_advice("win32")
    assert "udev" not in usb_advice("darwin")

    monkeypatch.setattr(doctor.sys, "platform", "win32")
    monkeypatch.setattr(doctor, "usb_advice", lambda: usb_advice("win32"))
    (check,) = doctor.check_usb()

    assert check.good is None
    assert "WinUSB" in check.advice


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        ("PermissionError(13, 'Access is denied.', None, 5)", "another program has it open"),
        ("FileNotFoundError(2, 'The system cannot find the file.', None, 2)", "no such device"),
    ],
)
def test_an_error_that_is_told_in_words_only_is_understood(told: str, sentence: str) -> None:
    """PySerial 3.5 on Windows (serialwin32.py, `open`) gives no number of the error."""
    error = serial.SerialException(f"could not open port 'COM3': {told}")

    said = str(opening_failed(error, "ASRL3::INSTR"))

    assert "can't open ASRL3::INSTR" in said
    assert sentence in said


def test_other_errors_of_a_port_keep_their_own_words() -> None:
    """What is not known stands in the sentence as it is."""
    error = serial.SerialException("Cannot configure port, something went wrong")

    assert "something went wrong" in str(opening_failed(error, "ASRL3::INSTR"))
