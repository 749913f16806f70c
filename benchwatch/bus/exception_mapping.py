"""Turns every exception of PyVISA, its backends and the sockets into one of `benchwatch.errors`.

`opening_failed` is for a link that is being opened, `link_failed` for one that has worked. Both
take any exception, because the libraries also raise a plain `Exception`.
"""

import errno
import socket
from typing import Final

from benchwatch.errors import (
    BenchwatchError,
    ConnectionFailed,
    LinkLost,
    ReplyTimeout,
    UsageError,
)
from benchwatch.quantity import printable
from benchwatch.system.devices import told_errno

VISA_ERRORS: Final[dict[str, tuple[type[BenchwatchError], type[BenchwatchError]]]] = {
    "Error": (ConnectionFailed, LinkLost),
    "VisaIOError": (ConnectionFailed, LinkLost),
    "VisaIOWarning": (ConnectionFailed, LinkLost),
    "VisaTypeError": (ConnectionFailed, LinkLost),
    "UnknownHandler": (ConnectionFailed, LinkLost),
    "OSNotSupported": (UsageError, UsageError),
    "InvalidBinaryFormat": (ConnectionFailed, LinkLost),
    "InvalidSession": (ConnectionFailed, LinkLost),
    "LibraryError": (UsageError, UsageError),
}
"""Name in pyvisa.errors -> (our error while opening, our error while in use)."""

_NO_SUCH_NAME: Final = ("gaierror", "Name or service not known", "getaddrinfo failed")
_TIMED_OUT: Final = ("error_timeout", "-1073807339")
"""PyVISA-py wraps the status code in a bare Exception: its name, or VI_ERROR_TMO's value."""
_CAUSES: Final = {
    errno.ECONNREFUSED: "nothing listens on that port. Check the port number, and that the "
    "counter's network interface or the simulator is on",
    errno.EHOSTUNREACH: "the host can't be reached. Check its address and the network cable",
    errno.ENETUNREACH: "there is no way to that network. Check the address and this computer's "
    "network",
    errno.ETIMEDOUT: "the host doesn't answer. Check its address, and that it is switched on",
    errno.ENOTCONN: "the host can't be reached. Check its address and the network cable",
    errno.EACCES: "this computer does not allow it. Check your permissions",
    errno.EPERM: "this computer does not allow it. Check your permissions",
    errno.ENOENT: "there is no such device. Check the name, and that it is plugged in",
    errno.EAGAIN: "another program has it open. Close that, as two would take each other's answers",
    errno.EMFILE: "too many files are open. Close some, or raise the limit",
}
"""errno -> cause and remedy, for people."""


def opening_failed(error: Exception, resource: str) -> BenchwatchError:
    """Return the error that says why `resource` can't be opened."""
    if isinstance(error, BenchwatchError):
        return error
    name = type(error).__name__
    kind = VISA_ERRORS.get(_visa_name(error), (ConnectionFailed, LinkLost))[0]
    code = status_name(error)
    if code in {"error_invalid_resource_name", "error_nonsupported_operation"}:
        kind = UsageError
    number = _errno_of(error)
    if number in _CAUSES:
        kind, why = ConnectionFailed, _CAUSES[number]
    elif isinstance(error, socket.gaierror) or any(hint in str(error) for hint in _NO_SUCH_NAME):
        why = "there is no host of that name. Check how it is spelled"
    elif "Please install" in str(error):
        text = printable(str(error).splitlines()[0].split(". ")[0].rstrip("."), 160)
        why = (
            f"PyVISA-py lacks a library for this bus: {text}. Or install another VISA, and choose "
            "that with --backend @ivi"
        )
    elif code == "error_timeout" or any(hint in str(error) for hint in _TIMED_OUT):
        why = _CAUSES[errno.ETIMEDOUT]
    elif code == "error_resource_not_found":
        why = "nothing of that name is there. Check the resource string and the cable"
    elif code:
        why = f"the VISA library says {_plain(code)}. Check the resource string and the cable"
    else:
        why = f"{name}: {printable(str(error), 120)}. Check the resource string and the backend"
    return kind(f"can't open {printable(resource)}: {why}.")


def link_failed(error: Exception, resource: str, doing: str) -> BenchwatchError:
    """Return the error that says how the link to `resource` broke.

    Args:
        error: what was raised.
        resource: the resource string.
        doing: what was being done: ``reading``, ``sending`` or ``closing``.
    """
    if isinstance(error, BenchwatchError):
        return error
    kind = VISA_ERRORS.get(_visa_name(error), (ConnectionFailed, LinkLost))[1]
    code = status_name(error)
    if code == "error_timeout" or isinstance(error, TimeoutError):
        return ReplyTimeout(f"no reply in time while {doing}. Where: {printable(resource)}.")
    if isinstance(error, EOFError | ConnectionResetError | BrokenPipeError):
        why = "the counter closed the connection"
    elif isinstance(error, OSError) and error.errno == errno.EIO:
        why = "the line has gone: unplugged, or its adapter is off"
    elif code:
        why = f"the VISA library says {_plain(code)} while {doing}"
    elif isinstance(error, OSError) and error.strerror:
        why = f"the link broke while {doing} ({error.strerror.lower()})"
    else:
        why = f"the link broke while {doing} ({type(error).__name__}: {printable(str(error), 120)})"
    return kind(f"{why}. Check power and cable of {printable(resource)}.")


def backend_failed(error: Exception, backend: str) -> BenchwatchError:
    """Return the error that says why the VISA library `backend` can't be used."""
    return UsageError(
        f"the VISA backend '{printable(backend)}' can't be used: {printable(str(error), 200)}. "
        "Install it, or leave --backend out."
    )


def _errno_of(error: BaseException) -> int | None:
    """Return the errno of `error` or of an exception that caused it; None without one."""
    below: BaseException | None = error
    while below is not None:
        if isinstance(below, OSError) and below.errno is not None:
            return below.errno
        if (told := told_errno(below)) is not None:
            return told
        below = below.__cause__ or below.__context__
    return None


def _visa_name(error: Exception) -> str:
    """Return the name of the class in pyvisa.errors that `error` belongs to, or ''."""
    for base in type(error).__mro__:
        if base.__module__ == "pyvisa.errors":
            return base.__name__
    return ""


def status_name(error: Exception) -> str:
    """Return the name of the VISA status code in `error`, such as ``error_timeout``; or ''."""
    code = getattr(error, "error_code", None)
    if code is None:
        return ""
    from pyvisa.constants import StatusCode  # noqa: PLC0415 - PyVISA raised it: it is loaded

    try:
        return StatusCode(code).name
    except ValueError:
        return str(code)


def _plain(code: str) -> str:
    return f"'{code.removeprefix('error_').replace('_', ' ')}'"
