"""The certificates that ``relay init`` makes, verified by cryptography and by OpenSSL."""

import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.verification import PolicyBuilder, Store, VerificationError
from relay_folder_kit import MadeRelay, run_relay

from benchwatch.relay.identity import Identity
from benchwatch.relay.setup.relay_folder import open_relay_folder


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> MadeRelay:
    """Return the files of ``relay init``."""
    return MadeRelay(tmp_path_factory.mktemp("made") / "relay")


def read(path: Path) -> x509.Certificate:
    """Return the certificate of a file."""
    return x509.load_pem_x509_certificate(path.read_bytes())


def test_an_independent_verifier_takes_the_brokers(made: MadeRelay) -> None:
    """For its name and its address only; a station's stands for no host."""
    builder = PolicyBuilder().store(Store([made.authority.certificate]))
    server = read(made.folder / "broker" / "server.crt")
    address = x509.IPAddress(ip_address("127.0.0.1"))

    builder.build_server_verifier(x509.DNSName("localhost")).verify(server, [])
    builder.build_server_verifier(address).verify(server, [])
    with pytest.raises(VerificationError):
        builder.build_server_verifier(x509.DNSName("elsewhere.example")).verify(server, [])
    station = read(made.station("tide-001") / "client.crt")
    with pytest.raises(VerificationError):
        builder.build_server_verifier(x509.DNSName("tide-001")).verify(station, [])


@pytest.mark.skipif(
    not hasattr(PolicyBuilder, "build_client_verifier"), reason="cryptography verifies no clients"
)
def test_an_independent_verifier_takes_the_clients(made: MadeRelay) -> None:
    """The keeper's, the desk's and the stations', under their names; the broker's is none."""
    verifier = PolicyBuilder().store(Store([made.authority.certificate])).build_client_verifier()
    folders = (made.keeper, made.desk, made.station("tide-001"), made.station("tide-002"))
    found = [verifier.verify(read(folder / "client.crt"), []).subjects for folder in folders]

    assert [names[0].value for names in found if names] == [
        "keeper", "desk", "tide-001", "tide-002",
    ]  # fmt: skip
    with pytest.raises(VerificationError):
        verifier.verify(read(made.folder / "broker" / "server.crt"), [])


@pytest.mark.skipif(shutil.which("openssl") is None, reason="there is no openssl here")
def test_openssl_takes_them_and_refuses_a_revoked_one(made: MadeRelay, tmp_path: Path) -> None:
    """By its strict rules, and by the revocation list."""
    folder = tmp_path / "relay"
    shutil.copytree(made.folder, folder)
    run_relay("revoke", folder, "tide-002")

    def verified(file: str, purpose: str) -> str:
        done = subprocess.run(
            ["openssl", "verify", "-x509_strict", "-crl_check", "-purpose", purpose,
             "-CAfile", "authority/authority.crt", "-CRLfile", "broker/revoked.crl", file],
            capture_output=True, text=True, cwd=folder,
        )  # fmt: skip
        return done.stdout + done.stderr

    assert verified("stations/tide-001/client.crt", "sslclient").endswith(": OK\n")
    assert verified("keeper/client.crt", "sslclient").endswith(": OK\n")
    assert verified("broker/server.crt", "sslserver").endswith(": OK\n")
    assert "certificate revoked" in verified("stations/tide-002/client.crt", "sslclient")
    assert "unsuitable certificate purpose" in verified("keeper/client.crt", "sslserver")


def test_keys_and_lifetimes_are_as_the_page_says(made: MadeRelay) -> None:
    """P-256; ten years and two, each from an hour ago on; an authority signs nothing below it."""
    authority, station = made.authority.certificate, read(made.station("tide-001") / "client.crt")
    now, hour = datetime.now(UTC), timedelta(hours=1)

    for certificate, days in ((authority, 3650), (station, 730)):
        assert isinstance(certificate.public_key().curve, ec.SECP256R1)  # type: ignore[union-attr]
        lasts = certificate.not_valid_after_utc - certificate.not_valid_before_utc
        assert lasts == timedelta(days=days) + hour
        assert timedelta(0) <= now - hour - certificate.not_valid_before_utc < hour
    limits = authority.extensions.get_extension_for_class(x509.BasicConstraints)
    assert limits.critical
    assert (limits.value.ca, limits.value.path_length) == (True, 0)


def test_no_certificate_ends_after_its_authority(made: MadeRelay, tmp_path: Path) -> None:
    """In the ninth year a new one counts for what is left; afterwards there is none."""
    folder = tmp_path / "relay"
    shutil.copytree(made.folder, folder)
    with open_relay_folder(folder) as opened:
        opened.add("tide-003", datetime.now(UTC) + timedelta(days=3500))
    late = read(folder / "stations" / "tide-003" / "client.crt")

    assert late.not_valid_after_utc == made.authority.certificate.not_valid_after_utc


def test_the_revocation_list_holds_as_long_as_the_authority(
    made: MadeRelay, tmp_path: Path
) -> None:
    """A broker refuses everybody with a list that is out of date; each list is newer, too."""
    folder = tmp_path / "relay"
    shutil.copytree(made.folder, folder)
    lists = []
    for name in (None, "tide-001", "tide-002"):
        if name:
            run_relay("revoke", folder, name)
        content = (folder / "broker" / "revoked.crl").read_bytes()
        assert content == (folder / "authority" / "revoked.crl").read_bytes()
        lists.append(x509.load_pem_x509_crl(content))
    times = [found.last_update_utc for found in lists]

    assert times == sorted(set(times))
    assert times[-1] < datetime.now(UTC)
    assert [len(found) for found in lists] == [0, 1, 2]
    assert {found.next_update_utc for found in lists} == {
        made.authority.certificate.not_valid_after_utc
    }


def test_every_identity_can_be_used_at_once(made: MadeRelay) -> None:
    """The program reads what it wrote, and has nothing to remark on."""
    folders = (made.keeper, made.desk, made.station("tide-001"), made.station("tide-002"))
    found = [Identity.load(folder) for folder in folders]

    assert [one.name for one in found] == ["keeper", "desk", "tide-001", "tide-002"]
    assert [one.cautions for one in found] == [()] * 4
