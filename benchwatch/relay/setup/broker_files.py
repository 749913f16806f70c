"""The configuration and the access list of a broker, mosquitto 2.0.11 or newer, as text."""

from pathlib import Path
from typing import Final

from benchwatch.errors import UsageError
from benchwatch.relay.certificate_files import shown
from benchwatch.relay.station_name import DESK, KEEPER

CONFIGURATION: Final = "mosquitto.conf"
ACCESS_LIST: Final = "access.acl"
SERVER_CERTIFICATE: Final = "server.crt"
SERVER_KEY: Final = "server.key"
REVOCATION_LIST: Final = "revoked.crl"
TLS_PORT: Final = 8883
"""The port of MQTT over TLS (IANA: secure-mqtt)."""
PLAIN_PORT: Final = 1883

_LIMITS: Final = """\
# ---- limits, so that no station can take the memory of all

# A batch has at most 256 kB, and no message of a desk or a keeper more. Who sends a longer packet
# is disconnected before it is read.
max_packet_size 327680

# So many messages may be under way on a connection before the first is acknowledged: 20, as
# without this line, would hold up a line with a long way.
max_inflight_messages 100

# What waits for one client: a keeper that stands still must not fill the memory. What is dropped
# then was not answered, so the station sends it again. Messages without acknowledgement, as to the
# keeper, are counted only; the bytes are a limit for the others.
max_queued_messages 2000
max_queued_bytes 67108864

# A desk that stands still gets no lines later: they would be old. This is the usual value.
queue_qos0_messages false

# All together: twice what 2000 of the longest packets take; who would need more is disconnected.
memory_limit 1342177280

# A station that is gone is noticed after one and a half times this, in seconds, at most.
max_keepalive 60

# Sessions that a client left behind, with what waits in them, are forgotten after a day.
persistent_client_expiration 1d

# Nothing is kept on disk: a station keeps each event until it is in the central record, and says
# anew what it is when it comes back. So the broker can be killed, moved or replaced at any time.
persistence false

# ---- what is written down: who came and went, and what was refused

log_dest stderr
log_type error
log_type warning
log_type notice
connection_messages true
"""

_TLS: Final = """\
# Broker between stations, keeper and desks. Written by benchwatch relay init, for mosquitto 2.0.11
# and newer; man mosquitto.conf explains every line.

# ---- who may connect

# Port of MQTT over TLS, on all addresses of this computer. There is no other listener.
listener {port}

# Only certificates of this authority count, on both sides.
cafile {folder}/authority.crt
certfile {folder}/server.crt
keyfile {folder}/server.key

# Certificates that count no more. Without the file the broker does not start, so keep it.
crlfile {folder}/revoked.crl

# TLS 1.2 and 1.3; older ones are broken.
tls_version tlsv1.2

# Everybody shows a certificate, and its common name is the name: no passwords, and nobody can
# choose who he is. Whoever has no name is refused.
require_certificate true
use_identity_as_username true
allow_anonymous false

# What each name may read and write.
acl_file {folder}/access.acl

"""

_PLAIN: Final = """\
# Broker for trying things out on one computer. Written by benchwatch relay init --loopback, for
# mosquitto 2.0.11 and newer; man mosquitto.conf explains every line.
# Never change the address: there are no names, no rights and no encryption here.

# ---- who may connect

# Programs on this computer only: nobody else can reach the loopback interface.
listener {port} 127.0.0.1

# Any of them, without a name.
allow_anonymous true

"""

_ACCESS: Final = f"""\
# What each name may do; a name is the common name of a certificate. What is not allowed here is
# forbidden. "deny" goes before all else.

# The keeper takes batches and answers them. It says when it begins to.
user {KEEPER}
topic read bw/1/+/batch
topic write bw/1/+/ack
topic write bw/1/{KEEPER}
# It is no station: the rights of one, below, are not for it.
topic deny bw/1/{KEEPER}/+
topic deny bw/1/{KEEPER}/+/+

# A desk sees which stations are there, what they are and their live lines, and asks for them. It
# sees no batches and can't write a reading.
user {DESK}
topic read bw/1/+/here
topic read bw/1/+/+/state
topic read bw/1/+/+/line
topic write bw/1/+/look
topic deny bw/1/{DESK}/+
topic deny bw/1/{DESK}/+/+

# Each station, %u, may write below its own name only, and read what is meant for it.
pattern write bw/1/%u/batch
pattern read bw/1/%u/ack
pattern readwrite bw/1/%u/here
pattern write bw/1/%u/+/state
pattern write bw/1/%u/+/line
pattern read bw/1/%u/look
# The next line is for all alike; the broker warns of it when it starts, and it is meant so.
pattern read bw/1/{KEEPER}
"""


def secured_configuration(folder: Path, port: int = TLS_PORT) -> str:
    """Return the configuration of a broker with certificates.

    Args:
        folder: in which the broker finds its files; absolute.
        port: of its listener.

    Raises:
        UsageError: the path can't stand in it.
    """
    if not str(folder).isprintable():
        raise UsageError(
            f"the path {shown(folder)} can't stand in the broker's configuration: choose a folder "
            "without control characters in its name."
        )
    return _TLS.format(port=port, folder=folder) + _LIMITS


def loopback_configuration(port: int = PLAIN_PORT) -> str:
    """Return the configuration of a broker for this computer alone."""
    return _PLAIN.format(port=port) + _LIMITS


def access_list() -> str:
    """Return the access list: it is the same for all stations, also for later ones."""
    return _ACCESS
