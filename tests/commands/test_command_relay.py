"""``benchwatch relay``: what is made, what is refused, and what is said."""

import errno
import json
import os
import shutil
import stat
import sys
import tempfile
from pathlib import Path

import pytest
from relay_folder_kit import MadeRelay, run_relay

from benchwatch.commands.relay import mosquitto_words
from benchwatch.errors import FileError, UsageError
from benchwatch.relay.setup.relay_folder import open_relay_folder
from benchwatch.system.file_locks import lock_file

HOST = ("--host", "broker.example")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> MadeRelay:
    """Return the files of ``relay init``; not to be changed."""
    return MadeRelay(tmp_path_factory.mktemp("made") / "relay")


@pytest.fixture
def copied(made: MadeRelay, tmp_path: Path) -> Path:
    """Return a copy of them."""
    shutil.copytree(made.folder, tmp_path / "relay")
    return tmp_path / "relay"


def files_of(folder: Path) -> dict[str, bytes]:
    """Return all files of a folder with their content."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def listed(folder: Path) -> list[tuple[str, str]]:
    """Return name and state of each certificate, as a program reads them."""
    lines = run_relay("show", folder, "--json").stdout.splitlines()
    return [(line["name"], line["state"]) for line in map(json.loads, lines)]


def test_init_makes_what_each_part_needs(made: MadeRelay) -> None:
    """And nothing else: no part gets the key of another."""
    found = set(files_of(made.folder))
    identity = ("authority.crt", "client.crt", "client.key")
    expected = {
        "authority/authority.crt", "authority/authority.key", "authority/revoked.crl",
        *(f"broker/{name}" for name in (
            "authority.crt", "server.crt", "server.key", "revoked.crl", "access.acl",
            "mosquitto.conf",
        )),
        *(f"{part}/{name}" for name in identity
          for part in ("keeper", "desk", "stations/tide-001", "stations/tide-002")),
    }  # fmt: skip
    issued = {name for name in found if name.startswith("authority/issued/")}

    assert found - issued == expected
    assert len(issued) == 5


@pytest.mark.skipif(sys.platform == "win32", reason="rights of files are POSIX's")
def test_private_keys_are_for_their_owner_only(made: MadeRelay) -> None:
    """Whatever rights the shell gives to new files; the folders too."""
    keys = list(made.folder.rglob("*.key"))

    assert len(keys) == 6
    assert {stat.S_IMODE(key.stat().st_mode) for key in keys} == {0o600}
    assert {stat.S_IMODE(key.parent.stat().st_mode) for key in keys} == {0o700}


def test_forty_stations_are_numbered(tmp_path: Path) -> None:
    """By three digits, with the word asked for; what to do is said in a few lines."""
    done = run_relay("init", tmp_path / "relay", *HOST, "--stations", "40")
    names = sorted(path.name for path in (tmp_path / "relay" / "stations").iterdir())

    run_relay("init", tmp_path / "named", *HOST, "--stations", "2", "--prefix", "tide")
    named = sorted(path.name for path in (tmp_path / "named" / "stations").iterdir())

    assert names == [f"station-{number:03}" for number in range(1, 41)]
    assert named == ["tide-001", "tide-002"]
    assert "an identity for each of 40 stations: station-001 to station-040" in done.stderr
    assert "reached as broker.example, port 8883" in done.stderr
    assert "keep this folder offline" in done.stderr
    assert len(done.stderr.splitlines()) <= 10


def test_init_writes_over_nothing_and_says_what_is_there(copied: Path) -> None:
    """All stays as it is, also when a file is in the way."""
    before = files_of(copied)
    with pytest.raises(UsageError, match="stays as it is: authority, broker, desk, keeper, stat"):
        run_relay("init", copied, *HOST, "--stations", "2")
    with pytest.raises(UsageError, match="is a file, and stays as it is"):
        run_relay("init", copied / "broker" / "mosquitto.conf", *HOST, "--stations", "2")
    with pytest.raises(UsageError, match="there is already something in"):
        run_relay("init", copied, "--loopback")

    assert files_of(copied) == before


def test_an_init_that_is_refused_leaves_nothing_behind(tmp_path: Path) -> None:
    """Neither the folder nor a part of it; an empty one may be used."""
    with pytest.raises(UsageError):
        run_relay("init", tmp_path / "relay", *HOST, "--station", "a", "--station", "+")
    assert list(tmp_path.iterdir()) == []

    (tmp_path / "relay").mkdir()
    run_relay("init", tmp_path / "relay", *HOST, "--station", "a")
    assert [path.name for path in tmp_path.iterdir()] == ["relay"]


@pytest.mark.parametrize(
    "name",
    ["keeper", "desk", "broker", "+", "#", "..", ".", "", "a/b", "/etc", "a\\b", "A", "ä", "-a",
     "a b", "a\n", "a\0", "x" * 64, "../../x"],
)  # fmt: skip
def test_names_that_no_station_can_have_are_refused(
    copied: Path, tmp_path: Path, name: str
) -> None:
    """By init and by add, before anything is written."""
    before = files_of(copied)
    with pytest.raises(UsageError, match=r"no station may be called|is no name for a station"):
        run_relay("init", tmp_path / "other", *HOST, "--station", name)
    with pytest.raises(UsageError, match=r"no station may be called|is no name for a station"):
        run_relay("add", copied, "--", name)

    assert files_of(copied) == before
    assert not (tmp_path / "other").exists()


@pytest.mark.parametrize(
    "host", ["", "a b", "broker:8883", "http://broker", "-a", "a..b", "*", "fe80::1%eth0", "a\n",
             "x" * 300, "\x1b[2J"],
)  # fmt: skip
def test_what_is_no_host_is_refused(tmp_path: Path, host: str) -> None:
    """A certificate holds names and addresses only, and no terminal obeys what is said."""
    with pytest.raises(UsageError, match="neither the name nor the address") as raised:
        run_relay("init", tmp_path / "relay", "--host", host, "--station", "a")
    assert "\x1b" not in str(raised.value)


def test_what_is_missing_is_asked_for(tmp_path: Path) -> None:
    """A host, stations, each once, a whole path; or none of them for one computer."""
    folder = tmp_path / "relay"
    for words, said in (
        (("--stations", "2"), "say with --host how stations reach the broker"),
        (HOST, "say which stations there are"),
        ((*HOST, "--station", "a", "--station", "a"), "the name a stands there twice"),
        ((*HOST, "--station", "a", "--prefix", "b"), "--prefix says how numbered stations"),
        ((*HOST, "--stations", "2", "--prefix", "a/b"), "is no name for a station"),
        ((*HOST, "--station", "a", "--broker-folder", "b"), "needs a whole path"),
        ((*HOST, "--loopback"), "it goes without --host"),
    ):
        with pytest.raises(UsageError, match=said):
            run_relay("init", folder, *words)
    assert not folder.exists()


def test_without_the_library_a_sentence_names_the_extra(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A broker for this computer alone needs none; nothing is left behind."""
    monkeypatch.setitem(sys.modules, "cryptography", None)
    with pytest.raises(UsageError, match=r"library that is not installed.*\[relay\]"):
        run_relay("init", tmp_path / "relay", *HOST, "--station", "a")
    run_relay("init", tmp_path / "plain", "--loopback")

    assert [path.name for path in tmp_path.iterdir()] == ["plain"]


def test_the_configuration_names_where_the_files_will_lie(tmp_path: Path) -> None:
    """In the folder itself, or where the broker's computer has them."""
    run_relay("init", tmp_path / "a", *HOST, "--station", "a", "--port", "8884")
    run_relay(
        "init", tmp_path / "b", *HOST, "--station", "a", "--broker-folder", "/etc/mosquitto/bw"
    )
    here = (tmp_path / "a" / "broker" / "mosquitto.conf").read_text("utf-8")
    there = (tmp_path / "b" / "broker" / "mosquitto.conf").read_text("utf-8")

    assert "\nlistener 8884\n" in here
    assert f"\nkeyfile {tmp_path}/a/broker/server.key\n" in here
    assert "\ncrlfile /etc/mosquitto/bw/revoked.crl\n" in there


def test_add_makes_a_further_station_once(copied: Path) -> None:
    """The second time it says what is there; the others stay."""
    before = files_of(copied)
    done = run_relay("add", copied, "tide-003", "tide-004")
    after = files_of(copied)
    with pytest.raises(UsageError, match="there is already a station tide-003"):
        run_relay("add", copied, "tide-003")

    assert "The broker needs no change" in done.stderr
    assert {name: after[name] for name in before} == before
    assert "stations/tide-004/client.key" in after
    assert files_of(copied) == after


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("add", "tide-003", "Tide"), "no name for a station"),
        (("add", "tide-003", "tide-001"), "already a station tide-001"),
        (("add", "tide-003", "tide-003"), "tide-003 stands there twice"),
        (("renew", "tide-001", "tide-9"), "'tide-9' has no certificate"),
        (("renew", "tide-001", "tide-001"), "tide-001 stands there twice"),
        (("revoke", "tide-001", "tide-9"), "'tide-9' has no certificate"),
        (("revoke", "tide-001", "broker"), "broker's certificate can't be revoked"),
        (("revoke", "tide-001", "tide-001"), "tide-001 stands there twice"),
    ],
)
def test_of_several_names_nothing_is_done_unless_all_is(
    copied: Path, words: tuple[str, ...], said: str
) -> None:
    """What is refused can be typed again, mended, as a whole."""
    before = files_of(copied)
    command, *names = words
    with pytest.raises(UsageError, match=said):
        run_relay(command, copied, *names)

    assert files_of(copied) == before


def test_a_folder_without_an_authority_is_called_what_it_is(tmp_path: Path) -> None:
    """None at all, or one for a broker of this computer alone."""
    run_relay("init", tmp_path / "plain", "--loopback")

    for folder, said in (
        ("plain", "is of relay init --loopback, which makes no certificates"),
        ("none", "there is no folder"),
        (".", "holds no authority"),
    ):
        with pytest.raises(FileError, match=said):
            run_relay("show", tmp_path / folder)


def test_the_broker_is_typed_so_that_it_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Debian's mosquitto is in a folder that only root's commands are looked for in."""
    (tmp_path / "mosquitto").write_text("", "ascii")
    (tmp_path / "mosquitto").chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert mosquitto_words() == "mosquitto"

    monkeypatch.setenv("PATH", str(tmp_path / "none"))
    assert mosquitto_words(tmp_path / "mosquitto") == str(tmp_path / "mosquitto")
    assert mosquitto_words(tmp_path / "none") == "mosquitto"


def test_several_names_are_revoked_and_renewed_at_once(copied: Path) -> None:
    """One list has them all, and those that were revoked before."""
    run_relay("revoke", copied, "desk")
    done = run_relay("revoke", copied, "tide-001", "tide-002")
    revoked = {name for name, state in listed(copied) if state == "revoked"}
    run_relay("renew", copied, "tide-001", "tide-002")

    assert revoked == {"desk", "tide-001", "tide-002"}
    assert "1 certificate of tide-002 revoked" in done.stderr
    assert "new connections of these names" in done.stderr
    assert {name for name, state in listed(copied) if state == "valid"} >= {"tide-001", "tide-002"}


def test_revoke_and_renew_of_a_station(copied: Path) -> None:
    """All its certificates are revoked, also one from before; the new one counts."""
    run_relay("renew", copied, "tide-001")
    done = run_relay("revoke", copied, "tide-001")
    with pytest.raises(UsageError, match="all certificates of tide-001 are revoked already"):
        run_relay("revoke", copied, "tide-001")
    run_relay("renew", copied, "tide-001")

    assert "2 certificates of tide-001 revoked" in done.stderr
    assert "systemctl reload mosquitto, or signal HUP" in done.stderr
    assert "One that is open goes on" in done.stderr
    assert [state for name, state in listed(copied) if name == "tide-001"].count("revoked") == 2
    assert ("tide-001", "valid") in listed(copied)
    assert ("tide-002", "valid") in listed(copied)
    assert sorted(path.name for path in (copied / "old").iterdir()) == ["tide-001-1", "tide-001-2"]


def test_renew_keeps_the_hosts_of_the_broker_or_takes_others(copied: Path) -> None:
    """Its configuration stays; the key before moves away."""
    before = files_of(copied / "broker")
    run_relay("renew", copied, "broker")
    kept = run_relay("show", copied).stdout
    run_relay("renew", copied, "broker", "--host", "192.0.2.7")
    changed = files_of(copied / "broker")

    assert kept.count("localhost 127.0.0.1") == 2
    assert "192.0.2.7" in run_relay("show", copied).stdout
    assert {name for name in before if before[name] != changed[name]} == {
        "server.crt", "server.key",
    }  # fmt: skip
    assert (copied / "old" / "broker-1" / "server.key").read_bytes() == before["server.key"]


@pytest.mark.parametrize("name", ["tide-001", "broker"])
def test_a_renewal_that_is_refused_leaves_what_is_there(copied: Path, name: str) -> None:
    """An authority that has expired signs nothing, and nothing is moved away for it."""
    before = files_of(copied)
    with open_relay_folder(copied) as opened, pytest.raises(UsageError, match="has expired"):
        opened.renew(name, (), opened.authority.ends)

    assert files_of(copied) == before


def test_a_renewal_that_was_broken_off_can_be_done_again(
    copied: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a full disk: the key before is in old/, and the second try makes the new one."""
    before = files_of(copied / "stations" / "tide-001")
    monkeypatch.setattr(tempfile, "mkdtemp", _no_space)
    with pytest.raises(FileError, match="can't be made"):
        run_relay("renew", copied, "tide-001")
    monkeypatch.undo()
    run_relay("renew", copied, "tide-001")

    assert files_of(copied / "old" / "tide-001-1") == before
    assert set(files_of(copied / "stations" / "tide-001")) == set(before)


def _no_space(**_settings: object) -> str:
    raise OSError(errno.ENOSPC, "No space left on device")


def test_what_can_not_be_revoked_or_renewed_is_said(copied: Path) -> None:
    """The broker's certificate, for nobody looks; a name that is not there; hosts of a station."""
    with pytest.raises(UsageError, match="broker's certificate can't be revoked: stations read no"):
        run_relay("revoke", copied, "broker")
    for command in ("revoke", "renew"):
        with pytest.raises(UsageError, match="'tide-009' has no certificate of"):
            run_relay(command, copied, "tide-009")
        with pytest.raises(UsageError, match="has no certificate of"):
            run_relay(command, copied, "../keeper")
    with pytest.raises(UsageError, match="--host is for the broker alone"):
        run_relay("renew", copied, "tide-001", *HOST)


def test_show_lists_names_ends_and_states(copied: Path) -> None:
    """In a table for people, stations last; when the authority ends stands below."""
    run_relay("revoke", copied, "tide-002")
    shown = run_relay("show", copied)
    rows = shown.stdout.splitlines()

    assert [row.split()[0] for row in rows[1:]] == [
        "broker", "desk", "keeper", "tide-001", "tide-002",
    ]  # fmt: skip
    assert rows[5].split()[2] == "revoked"
    assert "the authority itself ends 20" in shown.stderr


def test_programs_read_what_was_done(tmp_path: Path) -> None:
    """A line a certificate of the names that were typed, of init all; or where the broker is."""
    folder = tmp_path / "relay"

    def lines(*words: str) -> list[dict[str, object]]:
        done = run_relay(words[0], folder, *words[1:], "--json")
        return [json.loads(line) for line in done.stdout.splitlines()]

    made = lines("init", *HOST, "--station", "a")
    added = lines("add", "b", "c")
    renewed = lines("renew", "b")
    revoked = lines("revoke", "b")
    plain = run_relay("init", tmp_path / "plain", "--loopback", "--json").stdout

    assert [one["name"] for one in made] == ["broker", "desk", "keeper", "a"]
    assert made[0]["hosts"] == ["broker.example"]
    assert [one["name"] for one in added] == ["b", "c"]
    assert [(one["name"], one["state"]) for one in renewed] == [("b", "valid")] * 2
    assert [(one["name"], one["state"]) for one in revoked] == [("b", "revoked")] * 2
    assert json.loads(plain) == {
        "kind": "broker", "folder": str(tmp_path / "plain"), "port": 1883,
    }  # fmt: skip


def test_an_authority_that_is_elsewhere_is_asked_for(copied: Path) -> None:
    """Its folder is to be kept offline, so that is the usual case."""
    shutil.move(copied / "authority", copied.parent / "offline")
    for words in (("add", copied, "tide-003"), ("revoke", copied, "tide-001"), ("show", copied)):
        with pytest.raises(FileError, match=r"holds no authority.*kept elsewhere, bring it back"):
            run_relay(*words)


@pytest.mark.parametrize("name", ["authority.key", "authority.crt", "revoked.crl"])
def test_a_damaged_file_of_the_authority_is_a_sentence(copied: Path, name: str) -> None:
    """And nothing is written."""
    (copied / "authority" / name).write_bytes(b"-----BEGIN\0nothing")
    before = files_of(copied)
    with pytest.raises(FileError, match=name.replace(".", r"\.")):
        run_relay("add", copied, "tide-003")
    assert files_of(copied) == before


def test_a_revocation_list_of_another_authority_is_refused(
    copied: Path, made: MadeRelay, tmp_path: Path
) -> None:
    """Else the certificates that were revoked would count again."""
    other = MadeRelay(tmp_path / "other")
    shutil.copy(other.folder / "broker" / "revoked.crl", copied / "authority" / "revoked.crl")
    with pytest.raises(FileError, match="was not made by this authority"):
        run_relay("revoke", copied, "tide-001")


@pytest.mark.skipif(sys.platform == "win32", reason="folders are locked otherwise there")
def test_two_at_once_do_not_forget_each_others_revocations(copied: Path) -> None:
    """The second is told to come again."""
    handle = os.open(copied / "authority", os.O_RDONLY)
    try:
        lock_file(handle)
        with pytest.raises(UsageError, match="another command is at work"):
            run_relay("revoke", copied, "tide-001")
    finally:
        os.close(handle)
