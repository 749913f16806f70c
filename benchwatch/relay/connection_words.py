"""Why there is no connection to a broker, as sentences without a full stop."""

import re
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

_OTHER_AUTHORITY: Final = {2, 7, 18, 19, 20, 21, 24, 30}
_OTHER_PURPOSE: Final = {26}
_NOT_YET, _EXPIRED = 9, 10
_OTHER_NAME: Final = {62, 64}
"""Why OpenSSL does not take a broker's certificate, X509_STORE_CTX_get_error(3)."""

_CODES: Final = re.compile(r"^\[[^\]]*\]\s*|\s*\(_ssl\.c:\d+\)$")
"""What the text of an error of the module ssl has around the words."""

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
        return _untrusted_words(address, error)
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
    alert = heard.upper().replace(" ", "_")
    if any(name in alert for name in _REFUSED_CERTIFICATE):
        return (
            f"the broker {address} refused the certificate of this program: it is none, has "
            "expired, was revoked, or is of another authority (--relay-identity DIR)"
        )
    if "WRONG_VERSION_NUMBER" in alert:
        return f"the broker {address} does not speak TLS at this port"
    if "PROTOCOL_VERSION" in alert or "UNSUPPORTED_PROTOCOL" in alert:
        return (
            f"the broker {address} and this program have no version of TLS in common: it must "
            "speak 1.2 or newer"
        )
    if "EOF" in alert.split("_"):
        return (
            f"the broker {address} ended the connection before it was encrypted: its log says why, "
            "or it does not speak TLS at this port"
        )
    return (
        f"no encrypted connection to the broker {address}: {printable(_CODES.sub('', heard), 100)}"
    )


def _untrusted_words(address: BrokerAddress, error: ssl.SSLCertVerificationError) -> str:
    """Return why the certificate of a broker is not taken, and what to do."""
    code = getattr(error, "verify_code", 0)
    if code == _EXPIRED:
        return (
            f"the certificate of the broker {address} has expired: make it a new one (relay renew "
            "DIR broker), or set this computer's clock"
        )
    if code == _NOT_YET:
        return (
            f"the certificate of the broker {address} is not valid yet by this computer's clock: "
            "set the clock"
        )
    if code in _OTHER_NAME:
        why = (
            f"its certificate is not for the name {printable(address.host, 100)}; call it by a "
            "name that relay show lists, or make it a certificate for this one (relay renew DIR "
            "broker --host HOST)"
        )
    elif code in _OTHER_AUTHORITY:
        why = (
            "its certificate is of another authority than authority.crt of this program "
            "(--relay-identity DIR); is the address right, and the folder from the same relay init "
            "as the broker's?"
        )
    elif code in _OTHER_PURPOSE:
        why = "its certificate is not one for a broker; server.crt of relay init is"
    else:
        words = error.verify_message or str(error)
        why = f"its certificate is not taken: {printable(_CODES.sub('', words), 100)}"
    return f"the broker {address} is not the one it should be: {why}"


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
