"""`benchwatch drivers`: list, show, check."""

import json

import pytest
from counter_kit import tiny_counter

from benchwatch.cli import run
from benchwatch_simulators.bench.simulated_bench import open_bench


@pytest.fixture(autouse=True)
def own(tmp_path, monkeypatch):
    """Set a new configuration folder; return its folder of own profiles."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    folder = tmp_path / "benchwatch" / "profiles"
    folder.mkdir(parents=True)
    return folder


def run_here(capsys, *arguments: str) -> tuple[int, str, str]:
    """Run in this process; return exit code, standard output, standard error."""
    code = run(["drivers", *arguments])
    out, errors = capsys.readouterr()
    return code, out, errors


# ------------------------------------------------------------- list and show


def test_the_list_shows_the_origin_of_each_driver(capsys, own):
    """The package, or the file in the user's folder."""
    code, out, errors = run_here(capsys)

    rows = {line.split()[0]: line for line in out.splitlines()[1:]}
    assert code == 0
    assert rows["scpi"].endswith("package benchwatch")
    assert rows["talk-only"].endswith("package benchwatch")
    assert str(own) in errors


def test_a_broken_profile_is_named_and_skipped(capsys, own):
    """The others are listed; the mistake is on standard error."""
    (own / "broken.toml").write_text("mode = 3")
    code, out, errors = run_here(capsys, "--json")

    rows = {row["name"]: row for row in map(json.loads, out.splitlines())}
    assert code == 0
    assert rows["broken"]["trouble"]
    assert rows["broken"]["file"] == str(own / "broken.toml")
    assert rows["scpi"]["trouble"] == ""
    assert "broken.toml" in errors


def test_show_prints_the_profile_or_the_docstring(capsys):
    """A profile to copy, or a driver's docstring."""
    _, profile, _ = run_here(capsys, "show", "talk-only")
    _, module, _ = run_here(capsys, "show", "scpi")

    assert 'mode = "stream"' in profile
    assert "SCPI-1999" in module


@pytest.mark.parametrize("name", ["talk-only", "scpi"])
def test_show_has_a_line_for_programs(capsys, name):
    """One line of JSON with the same text, and the file of a profile."""
    _, plain, _ = run_here(capsys, "show", name)
    code, out, _ = run_here(capsys, "show", name, "--json")
    told = json.loads(out)

    assert code == 0
    assert (told["kind"], told["name"]) == ("driver", name)
    assert told["text"] in plain
    assert (told["file"] is None) == (name == "scpi")


def test_show_escapes_control_characters(capsys, own):
    """Also the one control character that TOML allows."""
    path = own / "odd.toml"
    path.write_text(
        "# C1 \x9b31m red\nfamily = 'odd'\nmode = 'stream'\n"
        "[line]\npattern = '(?P<number>\\d{8})'\n"
        "[[examples]]\nline = '10000000'\nvalue = '10000000'\n"
    )
    _, shown, _ = run_here(capsys, "show", "odd")

    assert "\x9b" not in shown
    assert "# C1 ?31m red" in shown


def test_an_unknown_driver_is_a_sentence_with_the_nearest_name(capsys):
    """Exit code 2."""
    code, _, errors = run_here(capsys, "show", "scpj")

    assert code == 2
    assert "'scpi'" in errors


# ------------------------------------------------------------- check


def test_check_of_a_foreign_counter_sends_only_queries(capsys):
    """Each check is a line."""
    with tiny_counter(gate_s=0.05) as counter:
        code, out, errors = run_here(capsys, "check", counter.resource, "--readings", "4")

    words = {line.split("  ")[0].strip(): line for line in out.splitlines()}
    assert code == 0, errors
    assert "TINY COUNTER" in words["identity"]
    assert "external" in words["time base"]
    assert "4, asked by READ?" in words["readings"]
    assert "only questions were sent" in words["nothing set"]
    assert counter.settings == []


def test_check_as_json_ends_with_the_findings(capsys):
    """For programs: the readings and the time of each."""
    with tiny_counter(gate_s=0.02) as counter:
        code, out, _ = run_here(capsys, "check", counter.resource, "--readings", "3", "--json")

    *checks, end = map(json.loads, out.splitlines())
    assert code == 0
    assert {check["kind"] for check in checks} == {"check"}
    assert end["readings_hz"] == [10000000.0001, 10000000.0002, 10000000.0003]
    assert len(end["took_s"]) == 3
    assert (end["gate_s"], end["time_base"], end["error"]) == (0.02, "external", None)


def test_a_draft_is_a_driver_at_once(capsys, tmp_path):
    """The drafted profile is used for a watch, which gives the same readings."""
    path = tmp_path / "mine.toml"
    with open_bench("terse", seed=4) as bench:
        resource = bench.resources["main"]
        code, _, errors = run_here(
            capsys, "check", resource, "--driver", "terse", "--readings", "3", "--draft", str(path)
        )
        watched = run(
            ["watch", resource, "--driver", str(path), "--nominal", "10MHz", "--count", "2",
             "--json", "--no-journal"]
        )  # fmt: skip
        lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]

    assert (code, watched) == (0, 0), errors
    assert "is written" in errors
    assert "your hand" not in errors
    assert abs(lines[0]["offset"]) < 1e-6
    assert lines[-1]["readings"] == 2


def test_a_draft_overwrites_only_on_request(capsys, tmp_path):
    """It is refused before any query."""
    path = tmp_path / "mine.toml"
    path.write_text("mine")
    with tiny_counter() as counter:
        code, _, errors = run_here(capsys, "check", counter.resource, "--draft", str(path))
        kept = path.read_text()
        forced, _, _ = run_here(
            capsys, "check", counter.resource, "--draft", str(path), "--force", "--readings", "2"
        )

    assert (code, kept) == (2, "mine")
    assert "--force" in errors
    assert forced == 0
    assert "READ?" in path.read_text()


@pytest.mark.parametrize(
    ("replies", "code"),
    [
        ({"*IDN?": None}, 3),
        ({"*IDN?": b"\xff\xfe\x1b[2Jgarbage\n"}, 3),
        ({"*IDN?": b""}, 4),
        ({"READ?": b"garbage\n"}, 3),
        ({"READ?": b"+9.9E37\n"}, 4),
    ],
)
def test_check_of_faulty_counters(capsys, replies, code):
    """Mute, garbage, closed, no number, overrange: an exit code, and no escape is printed."""
    with tiny_counter() as counter:
        counter.replies |= replies
        found, out, errors = run_here(capsys, "check", counter.resource, "--readings", "2")

    assert found == code, out + errors
    assert "\x1b" not in out + errors


def test_check_of_an_absent_counter_is_exit_3(capsys):
    """A refused port gives the usual sentence."""
    code, _, errors = run_here(capsys, "check", "TCPIP0::127.0.0.1::9::SOCKET")

    assert code == 3
    assert "nothing listens" in errors
