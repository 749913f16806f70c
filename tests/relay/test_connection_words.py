"""Why there is no encrypted connection, in words of this program and not of its library."""

import ssl

import pytest

from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.connection_words import failure_words, tls_words

ADDRESS = BrokerAddress("broker.example", 8883, tls=True)


@pytest.mark.parametrize(
    ("code", "said"),
    [
        (9, "not valid yet by this computer's clock: set the clock"),
        (10, "has expired: make it a new one (relay renew DIR broker)"),
        (18, "of another authority than authority.crt"),
        (19, "of another authority than authority.crt"),
        (20, "of another authority than authority.crt"),
        (26, "is not one for a broker"),
        (62, "is not for the name broker.example"),
        (64, "is not for the name broker.example"),
        (23, "its certificate is not taken: words of the library"),
    ],
)
def test_what_is_wrong_with_a_brokers_certificate_is_said_with_what_to_do(
    code: int, said: str
) -> None:
    """By the number of OpenSSL's X509_STORE_CTX_get_error(3); others have the library's words."""
    error = ssl.SSLCertVerificationError(1, "[SSL: X] words of the library (_ssl.c:1006)")
    error.verify_code, error.verify_message = code, "words of the library"

    words = failure_words(ADDRESS, error)

    assert said in words
    assert "mqtts://broker.example:8883" in words
    assert ("words of the library" in words) == (code == 23)


@pytest.mark.parametrize(
    ("heard", "said"),
    [
        ("[SSL: TLSV1_ALERT_UNKNOWN_CA] tlsv1 alert unknown ca (_ssl.c:2580)",
         "refused the certificate of this program"),
        ("[SSL: WRONG_VERSION_NUMBER] wrong version number (_ssl.c:1006)",
         "does not speak TLS at this port"),
        ("[SSL: TLSV1_ALERT_PROTOCOL_VERSION] tlsv1 alert protocol version (_ssl.c:1006)",
         "it must speak 1.2 or newer"),
        ("[SSL: UNEXPECTED_EOF_WHILE_READING] EOF occurred in violation (_ssl.c:1006)",
         "ended the connection before it was encrypted: its log says why"),
        ("[SSL: BAD_THING] bad\x1b[2J thing (_ssl.c:1006)", "broker.example:8883: bad?[2J thing"),
    ],
)  # fmt: skip
def test_what_the_library_says_of_a_connection_is_put_in_words(heard: str, said: str) -> None:
    """Without its codes, and never as something that a terminal obeys."""
    words = tls_words(ADDRESS, heard)

    assert said in words
    assert "SSL:" not in words
    assert "_ssl.c" not in words
