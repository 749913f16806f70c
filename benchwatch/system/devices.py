"""Serial ports and USB instruments: their names, and what to do where one may not be opened."""

import errno
import os
import stat
import sys
from pathlib import Path
from typing import Final

from benchwatch.system.optional_module import optional_module

_PREFIX, _SUFFIX = "ASRL", "::INSTR"


def serial_resource(device: str, platform: str = sys.platform) -> str:
    """Return the resource string of a serial port, such as ``/dev/ttyUSB0`` or ``COM3``.

    The number of a Windows port stands alone, as in ``ASRL3::INSTR`` (VISA specification VPP-4.3,
    4.3.1.1, from memory).
    """
    if platform == "win32" and device[:3].upper() == "COM":
        device = device[3:]
    return f"{_PREFIX}{device}{_SUFFIX}"


def serial_device(resource: str, platform: str = sys.platform) -> str:
    """Return the system's name of the serial port that a resource string names."""
    name = resource.removeprefix(_PREFIX).removesuffix(_SUFFIX)
    return f"COM{name}" if platform == "win32" and name.isdecimal() else name


_TOLD_ERRORS: Final = {"PermissionError(": errno.EAGAIN, "FileNotFoundError(": errno.ENOENT}


def told_errno(error: BaseException) -> int | None:
    """Return the error number that the library of serial ports gives in words only; or None.

    On Windows its exception has no number, and ends in that of the system, such as
    ``could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)``. A port that
    another program has open is refused so; rights as elsewhere there are none.
    """
    if type(error).__name__ != "SerialException":
        return None
    return next((number for told, number in _TOLD_ERRORS.items() if told in str(error)), None)


def may_open(device: str, platform: str = sys.platform) -> bool:
    """Return whether this user may open a device; True where only opening it would tell."""
    return platform == "win32" or os.access(device, os.R_OK | os.W_OK)


def access_advice(device: Path, platform: str = sys.platform) -> str:
    """Return what a user can do who may not open a device."""
    groups = optional_module("grp")
    if groups is None:
        return "close the program that has it open, or install its driver"
    try:
        status = device.stat()
        group = groups.getgrgid(status.st_gid).gr_name
    except (OSError, KeyError):
        return "look at its permissions"
    if not status.st_mode & stat.S_IRGRP or group in {"root", "wheel"}:
        return (
            "give it to a group of yours by a udev rule"
            if platform.startswith("linux")
            else "look at its permissions"
        )
    if platform == "darwin":
        return (
            f"join its group: sudo dseditgroup -o edit -a $USER -t user {group}, and log in again"
        )
    return f"join its group: sudo usermod -aG {group} $USER, and log in again"


def usb_advice(platform: str = sys.platform) -> str:
    """Return what lets this program open an instrument on USB.

    On Linux a rule gives the rights; on Windows the instrument's own driver keeps programs out.
    """
    if platform == "win32":
        return (
            "give it a driver that libusb can use (WinUSB), or use the USBTMC driver of a vendor's "
            "VISA and --backend @ivi"
        )
    if platform.startswith("linux"):
        rule = 'SUBSYSTEM=="usb", ATTR{idVendor}=="....", MODE="0660", GROUP="plugdev"'
        return f"add a udev rule such as {rule}, and plug it in again"
    return "close the program that has it open"
