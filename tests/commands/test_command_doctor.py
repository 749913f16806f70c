"""`benchwatch doctor`: each fault is a sentence with a remedy."""

import json
import os
from pathlib import Path

import pytest

from benchwatch.bus.listing import Backend, ListedResource
from benchwatch.cli import run
from benchwatch.commands import doctor
from benchwatch.commands.doctor import SystemCheck
from benchwatch.driver_registry import drivers
from benchwatch.system.installation import install_words

AS_ROOT = os.geteuid() == 0


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch) -> Path:
    """Set data and state folders of the test's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path


def test_all_is_well_here(capsys, monkeypatch):
    """Every finding is JSON with a verdict; the exit code is 0 if none is bad."""
    monkeypatch.setattr(doctor, "serial_ports", list)
    code = run(["doctor", "--json"])
    *checks, end = [json.loads(line) for line in capsys.readouterr().out.splitlines()]

    assert [check for check in checks if check["good"] is False] == []
    assert (code, end) == (0, {"kind": "end", "good": True})
    names = {check["name"] for check in checks}
    assert {"python", "packages", "visa @py", "serial ports", "drivers", "journal"} <= names


def test_one_fault_is_exit_1_and_has_a_remedy(capsys, monkeypatch, home):
    """For people: the word NO, and the remedy below it."""
    monkeypatch.setattr(doctor, "serial_ports", list)
    folder = home / "config" / "benchwatch" / "profiles"
    folder.mkdir(parents=True)
    (folder / "broken.toml").write_text("mode = 3\n")
    code = run(["doctor"])
    out, errors = capsys.readouterr()

    lines = out.splitlines()
    bad = next(number for number, line in enumerate(lines) if " NO " in line)
    assert code == 1
    assert "broken.toml" in lines[bad]
    assert lines[bad + 1].strip() == "benchwatch drivers lists them"
    assert "1 thing to see to" in errors


def test_an_old_python_and_a_missing_package(monkeypatch):
    """Both name what to install."""
    monkeypatch.setattr(doctor, "PACKAGES", ("click", "no-such-package"))
    found = list(doctor.check_versions((3, 9, 1)))

    bad = [item for item in found if item.good is False]
    assert [item.name for item in bad] == ["python", "packages"]
    assert "3.11" in bad[0].advice
    assert bad[1].advice == install_words("no-such-package")


def test_a_bus_without_its_library_is_no_fault():
    """It is a dash with advice; no VISA library at all is a NO."""
    lame = Backend(
        name="@py",
        usable=True,
        version="0.8.1",
        buses=(("TCPIP SOCKET", ""), ("USB INSTR", "install PyUSB")),
    )
    some = list(
        doctor.check_visa([lame, Backend(name="@ivi", usable=False, trouble="none is installed")])
    )
    none = list(doctor.check_visa([Backend(name="@py", usable=False, trouble="broken")]))

    assert [item.good for item in some] == [True, None, None]
    assert "pyusb" in some[1].advice
    assert none[0].good is False


@pytest.mark.skipif(AS_ROOT, reason="root may open everything")
def test_a_port_that_may_not_be_opened_names_its_group(tmp_path):
    """The file's permissions decide; nothing is opened."""
    port = tmp_path / "ttyUSB0"
    port.touch(mode=0)
    (found,) = doctor.check_serial([ListedResource(f"ASRL{port}::INSTR", "an adapter")])

    assert found.good is False
    assert "you may not open" in found.says


def test_the_advice_for_a_port_is_its_group(tmp_path, monkeypatch):
    """Group-readable: join the group. Else: a udev rule."""
    monkeypatch.setattr(doctor.os, "access", lambda *_: False)
    port = tmp_path / "ttyUSB0"
    port.touch()
    other = {0o660: "usermod -aG", 0o600: "udev rule"}
    group = port.stat().st_gid
    for mode, words in other.items():
        port.chmod(mode)
        (found,) = doctor.check_serial([ListedResource(f"ASRL{port}::INSTR")])
        expected = words if group else "udev rule"  # joining root's group is never advised

        assert found.good is False
        assert expected in found.advice


def test_no_serial_port_is_no_fault():
    """For a computer without any."""
    assert [item.good for item in doctor.check_serial([])] == [None]


def usb_tree(root: Path, kind: str) -> tuple[Path, Path]:
    """Write one USB device as the kernel does (sysfs rules of Linux)."""
    devices, nodes = root / "devices", root / "nodes"
    for path, text in {
        "1-2/product": "Counter\x1b[31m", "1-2/busnum": "1", "1-2/devnum": "7",
        "1-2:1.0/bInterfaceClass": kind, "1-2:1.0/bInterfaceSubClass": "03",
    }.items():  # fmt: skip
        file = devices / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text + "\n")
    (nodes / "001").mkdir(parents=True)
    (nodes / "001" / "007").touch()
    return devices, nodes


def test_a_usb_instrument_is_recognised_by_its_class_and_its_node_checked(tmp_path, monkeypatch):
    """Class FE, subclass 03 is USBTMC (USBTMC 1.0, 4.2, from memory)."""
    devices, nodes = usb_tree(tmp_path, "fe")
    (allowed,) = doctor.check_usb(devices, nodes)
    monkeypatch.setattr(doctor.os, "access", lambda *_: False)
    (forbidden,) = doctor.check_usb(devices, nodes)

    assert (allowed.good, forbidden.good) == (True, False)
    assert "udev rule" in forbidden.advice
    assert "\x1b" not in allowed.says


def test_a_usb_stick_is_no_instrument(tmp_path):
    """Another class is ignored."""
    assert list(doctor.check_usb(*usb_tree(tmp_path, "08"))) == []


def test_a_journal_without_room_or_permission(tmp_path, monkeypatch):
    """Little space, or a folder that can't be written: both name --journal."""
    path = tmp_path / "data" / "journal.db"
    (fine,) = doctor.check_journal(path)
    monkeypatch.setattr(doctor, "LITTLE_SPACE_BYTES", 10**18)
    (tight,) = doctor.check_journal(path)
    monkeypatch.setattr(doctor.os, "access", lambda *_: False)
    (locked,) = doctor.check_journal(path)

    assert [fine.good, tight.good, locked.good] == [True, False, False]
    assert "GB free" in fine.says
    assert "--journal" in tight.advice
    assert "--journal" in locked.advice
    assert not path.exists()


@pytest.mark.parametrize(
    ("size", "environ", "encoding", "bad"),
    [
        ((120, 36), {"TERM": "xterm-256color", "COLORTERM": "truecolor"}, "utf-8", []),
        ((80, 24), {"TERM": "xterm"}, "UTF8", []),
        ((79, 24), {"TERM": "xterm"}, "utf-8", ["terminal"]),
        ((80, 23), {"TERM": "xterm"}, "utf-8", ["terminal"]),
        ((80, 24), {"TERM": "dumb"}, "utf-8", ["colours"]),
        ((80, 24), {}, "utf-8", ["colours"]),
        ((80, 24), {"TERM": "xterm", "NO_COLOR": "1"}, "ascii", []),
        (None, {}, "ascii", []),
    ],
)
def test_limits_of_a_terminal(size, environ, encoding, bad):
    """Size, colours, characters; no terminal, no colour asked for and ASCII are no faults."""
    found = list(doctor.check_terminal(size, environ, encoding))

    assert [item.name for item in found if item.good is False] == bad
    assert all(item.advice for item in found if item.good is False)


@pytest.mark.parametrize(("force", "off"), [("", True), ("1", False)])
def test_no_color_is_named_unless_colours_are_forced(force, off):
    """FORCE_COLOR goes before NO_COLOR, as for the screen (force-color.org)."""
    environ = {"TERM": "xterm-256color", "NO_COLOR": "1", "FORCE_COLOR": force}
    (colours,) = [
        found
        for found in doctor.check_terminal((80, 24), environ, "utf-8")
        if found.name == "colours"
    ]

    assert ("off, as NO_COLOR asks" in colours.says) is off


def test_every_bundled_driver_loads():
    """The first finding lists them; there is no other."""
    (found,) = doctor.check_profiles(drivers())

    assert isinstance(found, SystemCheck)
    assert "scpi" in found.says
