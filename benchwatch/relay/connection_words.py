"""Why there is no connection to a broker, as sentences without a full stop."""

import socket
import ssl
from typing import Final

from benchwatch.quantity import printable
from benchwatch.relay.broker_address import BrokerAddress

_REFUSED_CERTIFICATE: Final = (
    "CERTIFICATE_REQUIRED", "UNKNOWN_CA", "BAD_CERTIFICATE", "CERTIFICATE_REVOKED",
    "CERTIFICATE_EXPIRED", "CERTIFICATE_UNKNOWN", "HANDSHAKE_FAILURE", "UNSUPPORTED_CERTIFICATE",
    "ACCESS_DENIED",
)  # fmt: skip
"""Alerts of TLS (RFC 8446, section 6.2) by which a broker refuses a certificate, as in the text of
an error of Python's module ssl."""

_FAILURES: Final[dict[type[Exception], str]] = {
    socket.gaierror: "the name in {} is not known",
    ConnectionRefusedError: "no broker listens at {}",
    TimeoutError: "the broker {} does not answer",
    ConnectionError: "the broker {} ended the connection at once",
}
"""Sentences for the errors of the operating system; of two that fit the first."""


def failure_words(address: BrokerAddress, error: Exception) -> str:
    """Return why a connection could not be made.

    Args:
        address: the broker.
        error: what `socket` or `ssl` raised.
    """
    if isinstance(error, ssl.SSLCertVerificationError):
        return (
            f"the broker {address} is not the one it should be: "
            f"{printable(error.verify_message or str(error), 100)}; look at authority.crt "
            "(--relay-identity DIR) and at the name by which the broker is called"
        )
    if isinstance(error, ssl.SSLError):
        return tls_words(address, str(error))
    for kind, words in _FAILURES.items():
        if isinstance(error, kind):
            at_once = kind is ConnectionError and address.tls
            return words.format(address) + (
                ", perhaps for want of TLS at this port" if at_once else ""
            )
    why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return f"the broker {address} can't be reached: {printable(why, 100)}"


def tls_words(address: BrokerAddress, heard: str) -> str:
    """Return why an encrypted connection could not be made.

    Args:
        address: the broker.
        heard: text of the error, with the name of the alert.
    """
    if any(alert in heard.upper().replace(" ", "_") for alert in _REFUSED_CERTIFICATE):
        return (
            f"the broker {address} refused the certificate of this program: it is none, has "
            "expired, was revoked, or is of another authority (--relay-identity DIR)"
        )
    if "WRONG_VERSION_NUMBER" in heard.upper().replace(" ", "_"):
        return f"the broker {address} does not speak TLS at this port"
    return f"no encrypted connection to the broker {address}: {printable(heard, 100)}"


def lost_words(address: BrokerAddress, *, was_greeted: bool, heard: str) -> str:
    """Return why a connection ended that the broker did not end in order.

    Args:
        address: the broker.
        was_greeted: whether the broker had accepted it before.
        heard: what the library said last.
    """
    if was_greeted:
        return f"the connection to the broker {address} was lost"
    if address.tls:
        return tls_words(address, heard or "it ended before the broker had answered")
    return (
        f"{address} is no broker of MQTT 5, or ended the connection at once, perhaps for want of a "
        "certificate (--relay-identity DIR)"
    )


def refusal_words(address: BrokerAddress, reason: str, what: str = "") -> str:
    """Return what the broker refuses.

    Args:
        address: the broker.
        reason: the name of the reason code (MQTT 5.0, section 2.4).
        what: what it does not allow this program.
    """
    if reason in {"Not authorized", "Bad user name or password"}:
        allowed = f"allow this program {what}" if what else "know this program"
        return (
            f"the broker {address} does not {allowed}: give the certificate that it knows "
            "(--relay-identity DIR), or look at its list of access"
        )
    return f"the broker {address} refused: {printable(reason, 100).lower()}"
