"""`bench init` writes no file that `bench check` refuses, whatever instruments say."""

from decimal import Decimal

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchwatch.bench import read_bench
from benchwatch.bench.bench_file_draft import DraftCounter, draft
from benchwatch.bus.listing import ListedResource, ResourceLister
from benchwatch.cli import run
from benchwatch.commands.bench import usable_entries
from benchwatch.commands.common import discovery_options
from benchwatch.quantity import format_frequency, parse_frequency, round_nominal

HOSTILE = st.one_of(
    st.text(max_size=300),
    st.sampled_from(
        [
            '"\n[counters.other]\nresource = "X"',
            "\\",
            '"""',
            "\x00\x1b]0;x\x07\x7f",
            "\ud800",
            "\u202e\u2028\u0085",
            "#",
            "]]",
            "A" * 5000,
        ]
    ),
)
RESOURCES = st.one_of(
    HOSTILE,
    st.sampled_from(
        [
            "TCPIP0::192.168.1.20::5025::SOCKET",
            "192.168.1.20:5025",
            "tcpip0::192.168.1.20::5025::socket",
            "192.168.1.20",
            "ASRL/dev/ttyUSB0::INSTR",
            "/dev/ttyUSB0",
            "GPIB0::5::INSTR",
            "-",
            "typed",
        ]
    ),
)
COUNTERS = st.builds(
    DraftCounter,
    name=st.just("main"),
    resource=RESOURCES,
    driver=st.one_of(st.sampled_from(["scpi", "talk-only"]), HOSTILE),
    nominal=st.none() | st.sampled_from(["10 MHz", "5 MHz"]),
    notes=st.lists(HOSTILE, max_size=3).map(tuple),
    sure=st.booleans(),
)


@settings(max_examples=60)
@example([DraftCounter(name="main", resource="typed"), DraftCounter(name="main", resource="typed")])
@given(st.lists(COUNTERS, max_size=12))
def test_every_draft_can_be_read_and_has_what_is_sure(entries):
    """Whatever the texts: the file is read, and has exactly the counters that are sure in it."""
    named = [
        DraftCounter(
            name="main" if number == 0 else f"counter{number + 1}", resource=one.resource,
            driver=one.driver, nominal=one.nominal, notes=one.notes, sure=one.sure,
        )
        for number, one in enumerate(entries)
    ]  # fmt: skip

    usable = usable_entries(named, "@py")
    text = draft(usable, "bench.toml")
    read = read_bench(text, "bench.toml", utc_s=0.0)

    text.encode("utf-8")
    assert [plan.name for plan in read.counters] == [one.name for one in usable if one.sure]
    assert len(usable) == len(named)


@given(st.decimals(Decimal("1e-3"), Decimal("1e12"), allow_nan=False))
def test_a_nominal_of_a_draft_is_read_back(frequency):
    """The round number near a reading is written so that it is read as the same number."""
    nominal = round_nominal(frequency)

    if nominal is not None:
        assert parse_frequency(format_frequency(nominal)) == nominal


def here(capsys, *arguments: str) -> tuple[int, str]:
    """Run in this process; return exit code and standard error."""
    code = run(arguments)
    return code, capsys.readouterr().err


@pytest.fixture
def found(tmp_path, monkeypatch):
    """Return what sets the resources that are found, in a new folder."""
    monkeypatch.chdir(tmp_path)

    def set_found(*resources: str) -> None:
        listed = [ListedResource(one, "an \x1b[31madapter\n[x]") for one in resources]
        place = ResourceLister("places", True, lambda: listed)
        monkeypatch.setattr(discovery_options, "listers", lambda _backend: [place])

    return set_found


@pytest.mark.parametrize(
    "resources",
    [
        (),
        ("ASRL/dev/ttyUSB0::INSTR",),
        tuple(f"ASRL/dev/ttyUSB{number}::INSTR" for number in range(200)),
        ('GPIB0::5::INSTR"\n[counters.x]', "GPIB0::6::INSTR\x1b[31m", "\ud800", "A" * 1000),
    ],
)
def test_the_file_of_init_is_accepted_by_check(capsys, found, resources):
    """With nothing, one or many found, and with hostile names: check says that it is fine."""
    found(*resources)

    written, errors = here(capsys, "bench", "init", "--local")
    checked, said = here(capsys, "bench", "check")

    assert (written, checked) == (0, 0), errors + said
    assert "is fine; no counter is in it yet" in said


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("zähler=TCPIP0::127.0.0.1::9::SOCKET", "can't be a name in a bench file"),
        (f"{'a' * 33}=TCPIP0::127.0.0.1::9::SOCKET", "can't be a name in a bench file"),
        ("ten=NONSENSE::1", "is no resource string"),
        ("ten=192.168.1.20", "Type one of"),
    ],
)
def test_what_can_not_stand_in_the_file_is_refused_first(capsys, found, tmp_path, typed, says):
    """A name or an address that check would refuse is refused before anything is asked."""
    found()

    code, errors = here(capsys, "bench", "init", "--local", "--counter", typed)

    assert code == 2
    assert says in errors
    assert list(tmp_path.iterdir()) == []


def test_a_plain_address_is_written_as_its_resource(capsys, found, tmp_path):
    """The file has the resource string, whatever was typed."""
    found()

    code, errors = here(capsys, "bench", "init", "--local", "--counter", "ten=127.0.0.1:9")

    assert code == 0, errors
    assert 'resource = "TCPIP0::127.0.0.1::9::SOCKET"' in (tmp_path / "bench.toml").read_text()
