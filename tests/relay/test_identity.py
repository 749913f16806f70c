"""The folder with which a station, a keeper or a desk says who it is."""

import shutil
import ssl
import sys
import time
from pathlib import Path

import pytest
from certificate_kit import DAY, MadeAuthority, made_authority, write_identity

from benchwatch.errors import FileError
from benchwatch.relay.identity import Identity


@pytest.fixture(scope="module")
def authority() -> MadeAuthority:
    """Return an authority that is valid now."""
    return made_authority()


def test_an_identity_has_a_name_an_end_and_settings_of_a_connection(
    authority: MadeAuthority, tmp_path: Path
) -> None:
    """The name is the certificate's; only its authority is trusted, and the host is checked."""
    found = Identity.load(write_identity(tmp_path / "here", authority, "tide-007"))
    context = found.ssl_context()

    assert found.name == "tide-007"
    assert abs(found.expires_utc_s - (time.time() + 365 * 86_400)) < 120
    assert found.cautions == ()
    assert context.verify_mode is ssl.CERT_REQUIRED
    assert context.check_hostname
    assert context.minimum_version is ssl.TLSVersion.TLSv1_2
    assert [one["subject"] for one in context.get_ca_certs()] == [
        ((("commonName", "another authority"),),)
    ]


@pytest.mark.parametrize("missing", ["authority.crt", "client.crt", "client.key"])
def test_a_missing_file_is_named(authority: MadeAuthority, tmp_path: Path, missing: str) -> None:
    """Each of the three files, with what it should hold."""
    folder = write_identity(tmp_path / "here", authority, "tide-007")
    (folder / missing).unlink()
    with pytest.raises(FileError, match=rf"there is no .*here.{missing}, which should hold the"):
        Identity.load(folder)


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    """Rather than the first of its files."""
    with pytest.raises(FileError, match=r"there is no folder .*nowhere: give one that relay init"):
        Identity.load(tmp_path / "nowhere")


def test_a_key_of_another_certificate_is_refused(authority: MadeAuthority, tmp_path: Path) -> None:
    """The sentence names the key."""
    folder = write_identity(tmp_path / "here", authority, "tide-007")
    other = write_identity(tmp_path / "there", authority, "tide-008")
    shutil.copy(other / "client.key", folder / "client.key")
    with pytest.raises(FileError, match=r"client\.key is not the key of the certificate beside it"):
        Identity.load(folder)


def test_a_certificate_counts_within_its_limits_only(
    authority: MadeAuthority, tmp_path: Path
) -> None:
    """Before and after them the sentence also says what the computer's clock says."""
    expired = write_identity(tmp_path / "a", authority, "tide-007", begins=-9 * DAY, ends=-DAY)
    early = write_identity(tmp_path / "b", authority, "tide-007", begins=DAY)
    with pytest.raises(FileError, match=r"expired 2.* UTC, and this computer's clock says 2"):
        Identity.load(expired)
    with pytest.raises(FileError, match=r"valid only from 2.* on, and this computer's clock says"):
        Identity.load(early)
    with pytest.raises(FileError, match="this computer's clock says 1970-01-01"):
        Identity.load(early, utc_s=60.0)


def test_an_authority_counts_within_its_limits_only(tmp_path: Path) -> None:
    """Also where the certificate itself would still be valid."""
    old = made_authority(begins=-9 * DAY, ends=-DAY)
    folder = write_identity(tmp_path / "here", old, "tide-007")
    with pytest.raises(FileError, match=r"authority\.crt expired"):
        Identity.load(folder)


def test_a_certificate_that_ends_soon_is_a_caution(
    authority: MadeAuthority, tmp_path: Path
) -> None:
    """It works until then."""
    folder = write_identity(tmp_path / "tide-007", authority, "tide-007", ends=20 * DAY)
    (caution,) = Identity.load(folder).cautions
    assert caution.startswith("the certificate of tide-007 ends 2")


@pytest.mark.skipif(sys.platform == "win32", reason="rights of files are POSIX's")
def test_a_key_that_everybody_can_read_is_a_caution(
    authority: MadeAuthority, tmp_path: Path
) -> None:
    """A key that a group may read is not, as a service may have it so."""
    folder = write_identity(tmp_path / "tide-007", authority, "tide-007")
    (folder / "client.key").chmod(0o640)
    of_group = Identity.load(folder)
    (folder / "client.key").chmod(0o644)
    of_all = Identity.load(folder)

    assert of_group.cautions == ()
    assert len(of_all.cautions) == 1
    assert "every user of this computer can read the key" in of_all.cautions[0]


def test_a_certificate_of_another_authority_is_a_caution(
    authority: MadeAuthority, tmp_path: Path
) -> None:
    """Folders of two authorities may have been mixed up."""
    folder = write_identity(tmp_path / "tide-007", authority, "tide-007")
    other = write_identity(tmp_path / "other", made_authority("a third one"), "tide-007")
    shutil.copy(other / "authority.crt", folder / "authority.crt")
    (caution,) = Identity.load(folder).cautions
    assert "is of another authority than the one beside it" in caution


def test_a_key_with_a_password_is_refused_and_nobody_is_asked(
    authority: MadeAuthority, tmp_path: Path
) -> None:
    """OpenSSL would wait for it at the terminal."""
    folder = write_identity(tmp_path / "here", authority, "tide-007", password=b"secret")
    with pytest.raises(FileError, match=r"client\.key has a password"):
        Identity.load(folder)


@pytest.mark.parametrize("name", ["../x", "tide/007", "+", "#", " ", "Tide", "a" * 64, "x\x1b[2J"])
def test_a_name_that_no_station_has_is_refused(
    authority: MadeAuthority, tmp_path: Path, name: str
) -> None:
    """A name is a level of the topics; it is shown without what a terminal would obey."""
    folder = write_identity(tmp_path / "here", authority, name)
    with pytest.raises(FileError, match="which is no name of a station") as raised:
        Identity.load(folder)
    assert "\x1b" not in str(raised.value)


@pytest.mark.parametrize("file", ["authority.crt", "client.crt", "client.key"])
@pytest.mark.parametrize(
    "content", [b"", b"-----BEGIN CERTIFICATE-----\nAAAA\n", b"\xff\0" * 50, b"x" * 300_000]
)
def test_other_content_is_refused_in_a_sentence(
    authority: MadeAuthority, tmp_path: Path, file: str, content: bytes
) -> None:
    """Whatever the file holds."""
    folder = write_identity(tmp_path / "here", authority, "tide-007")
    (folder / file).write_bytes(content)
    with pytest.raises(FileError, match=file.replace(".", r"\.") + " (holds no|is too long)"):
        Identity.load(folder)


def test_a_stations_certificate_is_no_authority(authority: MadeAuthority, tmp_path: Path) -> None:
    """Files may be copied under wrong names."""
    folder = write_identity(tmp_path / "here", authority, "tide-007")
    shutil.copy(folder / "client.crt", folder / "authority.crt")
    with pytest.raises(FileError, match="holds a certificate that is no authority's"):
        Identity.load(folder)
