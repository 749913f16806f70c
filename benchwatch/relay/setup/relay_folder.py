"""The folder from which broker, keeper, desk and stations get their files, and what is done in it.

authority/      its key, its certificate, its revocation list, and every certificate it issued
broker/         what the broker reads
keeper/ desk/   an identity each
stations/NAME/  an identity each
old/            what was renewed
"""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import printable
from benchwatch.relay.certificate_files import (
    read_certificates,
    read_private_key,
    shown,
)
from benchwatch.relay.identity import AUTHORITY_FILE, CERTIFICATE_FILE, KEY_FILE
from benchwatch.relay.setup.authority import (
    Authority,
    Signed,
    certificate_pem,
    key_pem,
    new_authority,
    utc_now,
)
from benchwatch.relay.setup.broker_files import (
    ACCESS_LIST,
    CONFIGURATION,
    REVOCATION_LIST,
    SERVER_CERTIFICATE,
    SERVER_KEY,
    access_list,
    loopback_configuration,
    secured_configuration,
)
from benchwatch.relay.setup.issued_certificates import (
    ISSUED,
    Issued,
    read_issued,
    read_revocation_list,
)
from benchwatch.relay.setup.new_files import PRIVATE, new_folder, refuse_what_is_there, rewrite
from benchwatch.relay.setup.new_files import write_new as _write
from benchwatch.relay.station_name import DESK, KEEPER, check_station_name
from benchwatch.system.file_locks import lock_file, open_folder_to_lock

if TYPE_CHECKING:
    from cryptography.x509 import CertificateRevocationList

BROKER: Final = "broker"
"""Common name of the broker's certificate; no station's certificate counts as a broker's."""
AUTHORITY_KEY: Final = "authority.key"


def make_relay_folder(
    folder: Path,
    hosts: Sequence[str],
    stations: Sequence[str],
    port: int,
    broker_folder: Path | None = None,
) -> None:
    """Make an authority and the files of all parts.

    Args:
        folder: is made; an empty one may be there.
        hosts: names and addresses under which the broker is reached, checked by `check_host`.
        stations: their names.
        port: of the broker.
        broker_folder: where the broker will find its files; None: in `folder`.

    Raises:
        UsageError: there is something in the folder, or a name can't be a station's.
        FileError: it can't be written.
    """
    names = [_check_new(name) for name in stations]
    _check_differ(names)
    found_at = broker_folder or (folder / BROKER).absolute()
    configuration = secured_configuration(found_at, port).encode()
    now = utc_now()
    authority = new_authority(now)
    with new_folder(folder) as made:
        relay = RelayFolder(made, authority, [], None)
        _write(made / "authority" / AUTHORITY_KEY, key_pem(authority.key), PRIVATE)
        _write(made / "authority" / AUTHORITY_FILE, certificate_pem(authority.certificate))
        relay.write_broker(relay.sign(BROKER, hosts, now))
        _write(made / BROKER / CONFIGURATION, configuration)
        _write(made / BROKER / ACCESS_LIST, access_list().encode())
        for name in (KEEPER, DESK, *names):
            relay.write_identity(name, relay.sign(name, (name,), now))
        relay.write_revocation_list([], now)


def make_loopback_folder(folder: Path, port: int) -> None:
    """Write the configuration of a broker for this computer alone, into ``broker``.

    Raises:
        UsageError: there is something in the folder.
        FileError: it can't be written.
    """
    with new_folder(folder) as made:
        _write(made / BROKER / CONFIGURATION, loopback_configuration(port).encode())


class RelayFolder:
    """A folder that `make_relay_folder` made, with its authority."""

    def __init__(
        self,
        folder: Path,
        authority: Authority,
        issued: list[Issued],
        revocation_list: "CertificateRevocationList | None",
    ) -> None:
        self.folder, self.authority, self.issued = folder, authority, issued
        self._revocation_list = revocation_list

    def place_of(self, name: str) -> Path:
        """Return the folder of a part, by its name."""
        if name in {BROKER, KEEPER, DESK}:
            return self.folder / name
        return self.folder / "stations" / name

    def of(self, name: str) -> list[Issued]:
        """Return all certificates of a name, oldest first.

        Raises:
            UsageError: there are none.
        """
        found = [one for one in self.issued if one.name == name]
        if not found:
            raise UsageError(
                f"'{printable(name)}' has no certificate of {shown(self.folder)}: relay show "
                "lists the names."
            )
        return found

    def check_new(self, names: Sequence[str]) -> None:
        """Say whether all of the names can be those of further stations.

        Raises:
            UsageError: one can't, one is there already, or stands there twice.
        """
        _check_differ(names)
        for name in names:
            _check_new(name)
            if any(one.name == name for one in self.issued):
                raise UsageError(
                    f"there is already a station {name}, in {shown(self.place_of(name))}. "
                    "relay renew makes a new certificate for it."
                )
            refuse_what_is_there(self.place_of(name))

    def add(self, name: str, now: datetime) -> Path:
        """Make the identity of a further station; return its folder.

        Raises:
            UsageError: the name can't be a station's, or there is one of this name.
            FileError: it can't be written.
        """
        self.check_new([name])
        place = self.place_of(name)
        self.write_identity(name, self.sign(name, (name,), now))
        return place

    def check_renewable(self, names: Sequence[str]) -> None:
        """Say whether all of the names have a certificate that can be renewed.

        Raises:
            UsageError: one has none, or stands there twice.
        """
        _check_differ(names)
        for name in names:
            refuse_what_is_there(self._old_place(name))

    def renew(self, name: str, hosts: Sequence[str], now: datetime) -> Path:
        """Make a new key and certificate for a name that has one; return its folder.

        What was there moves to ``old``; it counts until it ends or is revoked.

        Args:
            name: of a station, or ``keeper``, ``desk`` or ``broker``.
            hosts: of the broker; empty: those that its certificate has.
            now: with a zone.

        Raises:
            UsageError: there is none of this name, or the authority has expired.
            FileError: it can't be written.
        """
        self.check_renewable([name])
        place, old = self.place_of(name), self._old_place(name)
        if name == BROKER:
            signed = self.sign(BROKER, hosts or self.of(name)[-1].hosts, now)
            for file in (SERVER_CERTIFICATE, SERVER_KEY):
                _move(place / file, old / file)
            self.write_broker(signed)
        else:
            signed = self.sign(name, (name,), now)
            _move(place, old)
            self.write_identity(name, signed)
        return place

    def _old_place(self, name: str) -> Path:
        """Return where the files of a name move when it is renewed; raises as `of`."""
        return self.folder / "old" / f"{name}-{len(self.of(name))}"

    def revoke(self, names: Sequence[str], now: datetime) -> list[Issued]:
        """Let no certificate of some names count any more; return those that did until now.

        Raises:
            UsageError: a name has none, all are revoked, or it is the broker's; nothing is done.
            FileError: the list can't be written.
        """
        _check_differ(names)
        counted: list[Issued] = []
        for name in names:
            if name == BROKER:
                raise UsageError(
                    "the broker's certificate can't be revoked: stations read no revocation list. "
                    "If its key was stolen, make a new authority with relay init in another folder."
                )
            found = [one for one in self.of(name) if one.revoked is None]
            if not found:
                raise UsageError(f"all certificates of {name} are revoked already.")
            counted += found
        revoked = [(one.serial, one.revoked) for one in self.issued if one.revoked is not None]
        self.write_revocation_list([*revoked, *((one.serial, now) for one in counted)], now)
        return counted

    def write_broker(self, signed: Signed) -> None:
        """Write the certificate and the key of the broker."""
        place = self.place_of(BROKER)
        _write(place / SERVER_KEY, key_pem(signed.key), PRIVATE)
        _write(place / SERVER_CERTIFICATE, certificate_pem(signed.certificate))
        if not (place / AUTHORITY_FILE).exists():
            _write(place / AUTHORITY_FILE, certificate_pem(self.authority.certificate))

    def write_identity(self, name: str, signed: Signed) -> None:
        """Write the folder of a station, the keeper or the desk.

        Raises:
            UsageError: there is something in it.
            FileError: it can't be written.
        """
        with new_folder(self.place_of(name)) as made:
            _write(made / AUTHORITY_FILE, certificate_pem(self.authority.certificate))
            _write(made / CERTIFICATE_FILE, certificate_pem(signed.certificate))
            _write(made / KEY_FILE, key_pem(signed.key), PRIVATE)

    def write_revocation_list(self, revoked: list[tuple[int, datetime]], now: datetime) -> None:
        """Write the list, for the authority and for the broker where its folder is here."""
        made = self.authority.revocation_list(revoked, now, self._revocation_list)
        self._revocation_list = made
        for part in ("authority", BROKER):
            if (self.folder / part).is_dir():
                rewrite(self.folder / part / REVOCATION_LIST, certificate_pem(made))

    def sign(self, name: str, hosts: Sequence[str], now: datetime) -> Signed:
        """Sign, and keep the certificate, so that it can be revoked.

        Raises:
            UsageError: the authority has expired.
            FileError: it can't be written.
        """
        if now >= self.authority.ends:
            raise UsageError(
                f"the authority in {shown(self.folder)} has expired: make a new one with "
                "relay init in another folder, and take its files to all parts."
            )
        signed = self.authority.sign(name, "server" if name == BROKER else "client", hosts, now)
        file = f"{signed.certificate.serial_number:040x}.crt"
        kept = self.folder / "authority" / ISSUED / file
        _write(kept, certificate_pem(signed.certificate))
        return signed


@contextmanager
def open_relay_folder(folder: Path) -> Iterator[RelayFolder]:
    """Open a folder that `make_relay_folder` made; no other program changes it meanwhile.

    Raises:
        UsageError: another program is at work on it.
        FileError: it is no such folder, or a file can't be read.
    """
    place = folder / "authority"
    if not folder.is_dir():
        raise FileError(f"there is no folder {shown(folder)}: give the one that relay init made.")
    if not place.exists() and not (folder / KEEPER).exists() and (folder / BROKER).exists():
        raise FileError(
            f"{shown(folder)} is of relay init --loopback, which makes no certificates: programs "
            "on this computer need none. For other computers: relay init in another folder."
        )
    if not (place / AUTHORITY_FILE).exists():
        raise FileError(
            f"{shown(folder)} holds no authority: give the folder that relay init made. If "
            "authority/ is kept elsewhere, bring it back while this runs."
        )
    with _locked(place):
        certificate = read_certificates(place / AUTHORITY_FILE, "the authority's certificate")[0]
        key = read_private_key(place / AUTHORITY_KEY, "the authority's key")
        if key.public_key() != certificate.public_key():
            raise FileError(
                f"{shown(place / AUTHORITY_KEY)} is not the key of the certificate beside it."
            )
        last = read_revocation_list(place / REVOCATION_LIST)
        if not last.is_signature_valid(key.public_key()):
            raise FileError(
                f"{shown(place / REVOCATION_LIST)} was not made by this authority: bring back "
                "the one that relay init or relay revoke wrote."
            )
        yield RelayFolder(folder, Authority(certificate, key), read_issued(place, last), last)


def _check_new(name: str) -> str:
    """Return a name that a new station may have.

    Raises:
        UsageError: it may not.
    """
    if name == BROKER:
        raise UsageError(f"no station may be called {BROKER} here: its files lie under that name.")
    return check_station_name(name)


def _check_differ(names: Sequence[str]) -> None:
    """Refuse a name that stands there twice.

    Raises:
        UsageError: one does.
    """
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise UsageError(
            f"the name {printable(twice, 70)} stands there twice: each is of one computer."
        )


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    handle = open_folder_to_lock(folder)
    try:
        if handle is not None:
            lock_file(handle)
        yield
    except BlockingIOError as error:
        raise UsageError(
            f"another command is at work on {shown(folder)}: do this again when it has ended."
        ) from error
    finally:
        if handle is not None:
            os.close(handle)


def _move(source: Path, target: Path) -> None:
    """Move a file or folder, if it is there."""
    try:
        if source.exists():
            target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            source.rename(target)
    except OSError as error:
        raise FileError(
            f"{shown(source)} can't be moved to {shown(target)}: {error.strerror}."
        ) from error
