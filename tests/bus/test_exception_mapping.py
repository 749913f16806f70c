"""Every exception of PyVISA, a backend or a socket becomes one of the program's errors."""

import errno
import socket

import pytest
from pyvisa import constants, errors, rname

from benchwatch.bus.exception_mapping import VISA_ERRORS, link_failed, opening_failed
from benchwatch.errors import (
    BenchwatchError,
    ConnectionFailed,
    LinkLost,
    ReplyTimeout,
    UsageError,
)

RESOURCE = "TCPIP0::127.0.0.1::5025::SOCKET"
STATUS_ERRORS = [code for code in constants.StatusCode if code < 0]


def foreign_classes() -> dict[str, type[BaseException]]:
    """Return every exception and warning that pyvisa.errors defines."""
    return {
        name: cls
        for name, cls in vars(errors).items()
        if isinstance(cls, type)
        and issubclass(cls, BaseException)
        and cls.__module__ == "pyvisa.errors"
    }


def test_every_error_of_pyvisa_has_its_counterpart() -> None:
    """A new error of a later PyVISA fails this test first."""
    assert set(VISA_ERRORS) == set(foreign_classes())


@pytest.mark.parametrize("code", STATUS_ERRORS, ids=lambda code: code.name)
def test_every_status_code_becomes_a_sentence(code: constants.StatusCode) -> None:
    """While opening it is no connection or no such resource; in use, a lost link."""
    opening = opening_failed(errors.VisaIOError(code), RESOURCE)
    in_use = link_failed(errors.VisaIOError(code), RESOURCE, "reading")

    assert isinstance(opening, ConnectionFailed | UsageError)
    assert isinstance(in_use, LinkLost)
    for ours in (opening, in_use):
        assert RESOURCE in str(ours)
        assert str(ours).endswith(".")
        assert str(ours).isprintable()


@pytest.mark.parametrize(
    "error",
    [
        RuntimeError("peer disconnected"),
        ValueError("unknown interface"),
        TypeError("'NoneType' object is not callable"),
        EOFError(),
        OSError("bare"),
        OSError(errno.EPIPE, "Broken pipe"),
        errors.InvalidSession(),
        errors.LibraryError("no such file"),
        rname.InvalidResourceName("bad"),
        Exception("could not connect: \x1b[31mred"),
    ],
    ids=repr,
)
def test_bare_exceptions_become_sentences_too(error: Exception) -> None:
    """The libraries below PyVISA raise errors of any class."""
    for ours in (opening_failed(error, RESOURCE), link_failed(error, RESOURCE, "reading")):
        assert isinstance(ours, BenchwatchError)
        assert str(ours).isprintable()


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (OSError(errno.ECONNREFUSED, "Connection refused"), "nothing listens on that port"),
        (OSError(errno.EHOSTUNREACH, "No route to host"), "can't be reached"),
        (socket.gaierror(-2, "Name or service not known"), "no host of that name"),
        (Exception("could not connect: [Errno -2] Name or service not known"), "no host of that"),
        (Exception("could not connect: StatusCode.error_timeout"), "doesn't answer"),
        (Exception(f"could not connect: {constants.VI_ERROR_TMO}"), "doesn't answer"),
    ],
)
def test_each_cause_of_a_failed_opening_has_its_sentence(error: Exception, expected: str) -> None:
    """Each cause has another remedy."""
    ours = opening_failed(error, RESOURCE)

    assert isinstance(ours, ConnectionFailed)
    assert expected in str(ours)


def test_a_visa_timeout_is_a_reply_timeout() -> None:
    """It does not end the connection."""
    error = errors.VisaIOError(constants.StatusCode.error_timeout)

    assert isinstance(link_failed(error, RESOURCE, "reading"), ReplyTimeout)


def test_our_own_errors_pass_unchanged() -> None:
    """The program's own sentence is not wrapped in another."""
    error = LinkLost("gone.")

    assert link_failed(error, RESOURCE, "reading") is error
    assert opening_failed(error, RESOURCE) is error
