"""Impossible options are refused by name before anything is started, with a remedy."""

from decimal import Decimal

import pytest

from benchwatch.cli import run
from benchwatch.commands.common.option_types import settle_of, tolerance_of
from benchwatch.errors import QuantityError
from benchwatch.estimate.results import SettleLimit

REFUSED = [
    (("--tolerance", "5"), "5 of the whole frequency", "--tolerance 5ppb"),
    (("--tolerance", "x"), "'x' is no fraction", "--tolerance 5ppb"),
    (("--tolerance", "0ppb"), "'0ppb' must be above zero", "--tolerance 5ppb"),
    (("--tolerance", "-5ppb"), "'-5ppb' must be above zero", "--tolerance 5ppb"),
    (("--tolerance", "50mhz"), "mega or milli", "--tolerance 5ppb"),
    (("--settle", "1ppb"), "'1ppb' does not say over which time", "--settle 1ppb/10min"),
    (("--settle", "1/10min"), "1 of the whole frequency", "--settle 1ppb/10min"),
    (("--settle", "1ppb/0s"), "'0s' is no duration", "--settle 1ppb/10min"),
    (("--nominal", "10mhz"), "'10mhz': is that mega or milli?", "Write MHz or mHz"),
    (("--nominal", "ten"), "'ten' is no frequency", "Write 10MHz"),
    (("--gate", "0s"), "'0s' is no duration", "such as 1s"),
    (("--interval", "soon"), "'soon' is no duration", "Write"),
    (("--for", "-1s"), "'-1s' is no duration", "such as 1s"),
    (("--count", "none"), "'none'", "integer"),
    (("--driver", "nonsense"), "'nonsense'", "There are: "),
    (("--backend", "nonsense"), "'nonsense' can't be used", "leave --backend out"),
    (("--nominal", "ten=10MHz"), "no counter has that name", "There are: "),
    (("--interval", "1e10s"), "'1e10s' is too long: at most 100 years", "Write"),
    (("--for", "1e7h"), "'1e7h' is too long: at most 100 years", "Write"),
    (("--gate", "1e400s"), "'1e400s' is too long: at most 100 years", "Write"),
    (("--settle", "1ppb/1ms"), "settled means little over less than 1 s", "--settle 1ppb/10min"),
    (("--settle", "1ppb/1e300s"), "'1e300s' is too long", "--settle 1ppb/10min"),
    (("--fault", "nonsense"), "'nonsense'", "Write it like cut@30s"),
]


@pytest.mark.parametrize(("option", "text", "instead"), REFUSED)
def test_a_wrong_option_is_refused_by_name_before_anything_starts(
    option, text, instead, capsys, monkeypatch
):
    """Exit 2; the sentence has the option, its text and the valid form; nothing is opened."""
    monkeypatch.setattr("benchwatch_simulators.bench.simulated_bench.open_bench", never)

    assert run(["watch", "--sim", "station", "--no-journal", "--json", *option]) == 2
    said = capsys.readouterr().err
    sentence = said.splitlines()[-1]
    assert option[0] in sentence
    assert text in sentence
    assert instead in sentence


def never(*_: object, **__: object) -> None:
    """Fail: nothing may be started."""
    raise AssertionError("it was started")


def test_a_wrong_address_of_pages_is_refused_before_anything_starts(capsys, monkeypatch):
    """So is --web-address."""
    monkeypatch.setattr("benchwatch_simulators.bench.simulated_bench.open_bench", never)

    assert run(["watch", "--sim", "station", "--no-journal", "--web-address", "nowhere"]) == 2
    assert "--web-address: 'nowhere' is no address" in capsys.readouterr().err


def test_hertz_without_a_nominal_name_the_option(capsys):
    """The missing nominal is reported with the option, before the counter is opened."""
    words = ["watch", "TCPIP0::127.0.0.1::9::SOCKET", "--no-journal", "--json"]

    assert run([*words, "--tolerance", "50 mHz"]) == 2
    sentence = capsys.readouterr().err
    assert sentence.startswith("benchwatch: --tolerance: '50 mHz' is in hertz, and no nominal")
    assert sentence.count("\n") == 1


def test_replay_refuses_a_tolerance_in_the_same_words(capsys):
    """Before the file is opened, which does not exist."""
    assert run(["replay", "nothing.csv", "--tolerance", "5"]) == 2
    assert "--tolerance 5ppb" in capsys.readouterr().err


def test_limits_in_hertz_are_divided_by_the_nominal():
    """50 mHz of 10 MHz are 5e-9; of 0.4 Hz they are an eighth, and refused by name."""
    assert tolerance_of("50 mHz", Decimal(10_000_000)) == 5e-9
    assert settle_of("50 mHz/10min", Decimal(10_000_000)) == SettleLimit(5e-9, 600.0)
    with pytest.raises(QuantityError, match=r"^--tolerance: '50 mHz' is 0\.125 of the whole"):
        tolerance_of("50 mHz", Decimal("0.4"))
