"""Where a watch sends and as whom: from options, from the bench file, from the certificate."""

import socket
from pathlib import Path

import pytest
from certificate_kit import made_authority, write_identity
from command_kit import command_in

from benchwatch.bench import Bench, read_bench
from benchwatch.commands.benches_elsewhere.relay_options import TypedRelay, open_relay
from benchwatch.errors import BenchwatchError
from benchwatch.journal import Journal

LOOPBACK = "mqtt://127.0.0.1"


def bench(text: str) -> Bench:
    """Return a bench whose table on sending has these lines."""
    return read_bench(f"[relay]\n{text}\n", "bench.toml", utc_s=1.9e9)


def refused(typed: TypedRelay, described: Bench | None = None, *, keeps: bool = True) -> str:
    """Return the sentence by which options are refused."""
    with pytest.raises(BenchwatchError) as caught:
        typed.options(described, keeps=keeps)
    return str(caught.value)


def test_without_a_broker_nothing_is_sent() -> None:
    """One machine alone; an identity alone is a desk's."""
    assert TypedRelay().options(None, keeps=True) is None
    assert TypedRelay(identity=Path("desk")).options(None, keeps=True, looks=True) is None
    assert open_relay(None, None) is None


def test_an_identity_that_nobody_is_shown_is_refused() -> None:
    """Else a person who forgot the broker believes that the readings are sent."""
    assert "no broker is given: add --relay" in refused(TypedRelay(identity=Path("tide-007")))


def test_the_options_take_the_place_of_the_bench_file_one_by_one() -> None:
    """As all options beside a bench file do."""
    described = bench("broker = 'mqtt://127.0.0.1:1884'\nstation = 'tide-007'")
    by_file = TypedRelay().options(described, keeps=True)
    typed = TypedRelay(broker=LOOPBACK).options(described, keeps=True)
    named = TypedRelay(station="tide-008").options(described, keeps=True)

    assert by_file is not None
    assert typed is not None
    assert named is not None
    assert (str(by_file.address), by_file.station) == ("mqtt://127.0.0.1:1884", "tide-007")
    assert (str(typed.address), typed.station) == ("mqtt://127.0.0.1:1883", "tide-007")
    assert (str(named.address), named.station) == ("mqtt://127.0.0.1:1884", "tide-008")


@pytest.mark.parametrize(
    ("host", "name"),
    [
        ("bench3", "bench3"), ("Tide_07.Station.Example", "tide-07-station-example"),
        ("--a--", "a"), ("x" * 80, "x" * 63),
    ],
)  # fmt: skip
def test_without_a_certificate_the_computer_names_the_station(
    host: str, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Made fit for a topic."""
    monkeypatch.setattr(socket, "gethostname", lambda: host)
    options = TypedRelay(broker=LOOPBACK).options(None, keeps=True)

    assert options is not None
    assert options.station == name


@pytest.mark.parametrize("host", ["", "---", "漢", "keeper"])
def test_a_computer_whose_name_does_not_fit_needs_a_station(
    host: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With what to type."""
    monkeypatch.setattr(socket, "gethostname", lambda: host)

    assert "--station NAME" in refused(TypedRelay(broker=LOOPBACK))


def test_a_certificate_names_the_station(tmp_path: Path) -> None:
    """Another name beside it would be refused by the broker, and the keeper's is no station's."""
    authority = made_authority()
    own = write_identity(tmp_path / "own", authority, "tide-007")
    keeper = write_identity(tmp_path / "keeper", authority, "keeper")
    typed = TypedRelay(broker="mqtts://broker.example", identity=own)
    options = typed.options(None, keeps=True)

    assert options is not None
    assert options.station == "tide-007"
    assert options.identity is not None
    other = TypedRelay(broker="mqtts://broker.example", identity=own, station="tide-008")
    assert "that of the station tide-007, and not of 'tide-008'" in refused(other)
    assert "that of the keeper" in refused(TypedRelay(broker=LOOPBACK, identity=keeper))


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (TypedRelay(broker="mqtts://broker.example"), "--relay-identity DIR"),
        (TypedRelay(broker="mqtt://broker.example"), "--relay: the connection to broker.example"),
        (TypedRelay(broker="broker.example"), "--relay: the broker is given as mqtts://"),
        (TypedRelay(station="tide-007"), "--station names who sends: add --relay"),
        (TypedRelay(broker=LOOPBACK, station="Tide 7"), "no name for a station"),
        (TypedRelay(broker=LOOPBACK, identity=Path("/nowhere")), "there is no folder"),
    ],
)
def test_a_mistake_is_a_sentence_with_what_to_do(typed: TypedRelay, words: str) -> None:
    """Before a counter is opened or a journal made."""
    assert words in refused(typed)


def test_what_is_not_kept_can_not_be_sent(capsys: pytest.CaptureFixture[str]) -> None:
    """The journal is what is sent; a bench file's broker is only said to be left out."""
    typed = refused(TypedRelay(broker=LOOPBACK), keeps=False)
    by_file = TypedRelay().options(bench("broker = 'mqtts://broker.example'"), keeps=False)

    assert "--no-journal keeps none" in typed
    assert by_file is None
    assert "nothing is sent" in capsys.readouterr().err


def test_a_relay_is_made_of_options_and_journal(tmp_path: Path) -> None:
    """Nothing is stored beside the journal, and nothing is sent before the watch starts."""
    journal = Journal(tmp_path / "journal.db")
    options = TypedRelay(broker=LOOPBACK, station="tide-007").options(None, keeps=True)
    before = sorted(tmp_path.iterdir())
    relay = open_relay(options, journal)
    assert relay is not None
    stopped = relay.stop()
    after = sorted(tmp_path.iterdir())
    journal.close()

    assert stopped == ""
    assert after == before


def test_checking_a_bench_file_says_that_its_certificate_is_not_here(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The file may be right all the same: it is checked where it is written, too."""
    file = tmp_path / "bench.toml"
    file.write_text(
        "[relay]\nbroker = 'mqtts://broker.example'\nidentity = 'tide-007'\n"
        "[counters.main]\nresource = 'TCPIP0::127.0.0.1::5025::SOCKET'\n"
    )
    done = command_in(capsys, monkeypatch, tmp_path)("bench", "check", str(file))

    assert done.code == 0
    assert "would not send: there is no folder" in done.err
    assert "is fine" in done.err
