"""`benchwatch config` and what its settings do: where each comes from, and which one holds."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from counter_kit import tiny_counter

from benchwatch.cli import run
from benchwatch.commands.common.screen_options import ScreenOptions
from benchwatch.commands.common.user_settings import UserSettings
from benchwatch.configuration import load_configuration
from benchwatch.plan import Plan


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch) -> Path:
    """Change to a new folder that has the usual configuration folder in it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BENCHWATCH_CONFIG", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path


def run_here(capsys, *arguments: str) -> tuple[int, str, str]:
    """Run in this process; return exit code, standard output, standard error in one line."""
    code = run(arguments)
    out, errors = capsys.readouterr()
    return code, out, " ".join(errors.split())


def configured(home: Path, text: str) -> Path:
    """Write the usual configuration file."""
    path = home / "config" / "benchwatch" / "config.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def a_bench(home: Path, *counters: tuple[str, str], more: str = "") -> None:
    """Write a bench file beside the configuration file's folder."""
    tables = [
        f'[counters.{name}]\nresource = "{resource}"\nnominal = "10 MHz"'
        for name, resource in counters
    ]
    (home / "bench.toml").write_text("\n".join([more, *tables]) + "\n")


def watched(capsys, *arguments: str) -> tuple[int, list[dict], str]:
    """Watch a reading as JSON."""
    code, out, errors = run_here(
        capsys, "watch", *arguments, "--count", "1", "--json", "--no-journal"
    )
    return code, [json.loads(line) for line in out.splitlines()], errors


def test_without_a_file_it_says_what_holds_and_how_to_begin(capsys):
    """Nothing is set; the sentence names the file and the command that writes it."""
    code, out, errors = run_here(capsys, "config")

    assert code == 0
    assert [row.split()[0] for row in out.splitlines()] == [
        "setting", "bench", "backend", "tolerance", "settle", "display_unit", "theme", "bell",
    ]  # fmt: skip
    assert "config.toml: there is none; benchwatch config init writes one" in errors


def test_init_writes_what_check_accepts_and_overwrites_only_on_request(capsys, home):
    """The file is where it is read; an edited one is kept."""
    written, _, _ = run_here(capsys, "config", "init")
    checked, _, said = run_here(capsys, "config", "check")
    again, _, errors = run_here(capsys, "config", "init")
    forced, _, _ = run_here(capsys, "config", "init", "--force")

    assert (written, checked, again, forced) == (0, 0, 2, 0)
    assert said.endswith("config.toml is fine")
    assert "--force" in errors
    assert (home / "config" / "benchwatch" / "config.toml").is_file()


def test_json_is_refused_where_nothing_is_listed(capsys, home):
    """An option that would count for nothing is not taken in silence."""
    code, _, errors = run_here(capsys, "config", "--json", "init")

    assert code == 2
    assert "--json goes with benchwatch config alone" in errors
    assert not (home / "config").exists()


def test_a_folder_that_can_not_be_made_is_a_sentence(capsys, home):
    """A file stands where the folder should be: exit code 5."""
    (home / "config").write_text("")

    code, _, errors = run_here(capsys, "config", "init")

    assert code == 5
    assert "can't be made" in errors


def test_json_has_a_line_a_setting_with_its_source(capsys, home, monkeypatch):
    """Values and sources, for programs; keys by their labels."""
    path = configured(home, 'theme = "light"\nbell = true\n[keys]\nnote = ["y", "F5"]\n')
    monkeypatch.setenv("BENCHWATCH_BELL", "no")

    code, out, _ = run_here(capsys, "config", "--json")
    first, *lines = [json.loads(line) for line in out.splitlines()]
    by_name = {line["name"]: (line["value"], line["source"]) for line in lines}

    assert code == 0
    assert first == {
        "kind": "configuration", "path": str(path), "exists": True, "by_variable": False,
    }  # fmt: skip
    assert by_name["bell"] == (False, "BENCHWATCH_BELL")
    assert by_name["theme"] == ("light", str(path))
    assert by_name["tolerance"] == (None, None)
    assert by_name["keys.note"] == (["y", "F5"], str(path))


def test_a_variable_that_is_none_is_named(capsys, monkeypatch):
    """A slip in the name of a variable would count for nothing without a word."""
    monkeypatch.setenv("BENCHWATCH_BEL", "0")

    _, _, errors = run_here(capsys, "config")

    assert "the variable BENCHWATCH_BEL is not known; did you mean BENCHWATCH_BELL?" in errors


@pytest.mark.parametrize(
    ("text", "code", "says"),
    [
        ("bel = true\n", 2, "did you mean 'bell'?"),
        ("bell\n", 5, "is no TOML"),
        ('[keys]\nnote = "q"\n', 2, "q is the key of leave"),
    ],
)
def test_a_wrong_file_is_a_sentence(capsys, home, text, code, says):
    """Also where nothing but the keys is wrong."""
    configured(home, text)

    for command in (("config",), ("config", "check")):
        found, _, errors = run_here(capsys, *command)

        assert found == code
        assert says in errors


def test_the_example_of_the_page_can_be_used(capsys, home):
    """The file in docs/configuration.md is accepted as it stands there."""
    page = (Path(__file__).parents[2] / "docs" / "configuration.md").read_text("utf-8")
    configured(home, page.split("```toml\n")[1].split("```")[0])

    code, _, errors = run_here(capsys, "config", "check")

    assert code == 0, errors


def test_the_bench_of_the_configuration_is_watched_where_nothing_is_named(capsys, home):
    """All counters without a word, one by its name; said on standard error."""
    configured(home, 'bench = "../../bench.toml"\n')
    with tiny_counter(gate_s=0.01) as one, tiny_counter(gate_s=0.01) as two:
        a_bench(home, ("ten", one.resource), ("spare", two.resource))
        code, both, errors = watched(capsys)
        _, by_name, _ = watched(capsys, "spare")
        _, other, _ = watched(capsys, f"mine={one.resource}")

    assert code == 0, errors
    assert "bench.toml, as" in errors
    assert {line.get("counter") for line in both[:-1]} == {"ten", "spare"}
    assert {line.get("counter") for line in by_name[:-1]} == {"spare"}
    assert {line.get("counter") for line in other[:-1]} == {"mine"}


def test_a_bench_of_the_configuration_that_is_not_there_is_a_sentence(capsys, home):
    """Its path is named, and a simulated bench does not need it."""
    configured(home, 'bench = "/no/such/bench.toml"\n')

    code, _, errors = watched(capsys)
    simulated, _, _ = watched(capsys, "--sim", "fast")

    assert (code, simulated) == (5, 0)
    assert "/no/such/bench.toml" in errors


def test_the_precedence_is_typed_variable_bench_configuration(capsys, home, monkeypatch):
    """One after the other is taken away, and the next one holds."""
    configured(home, 'tolerance = "4 ppb"\nbench = "../../bench.toml"\n')
    limits = []
    with tiny_counter(gate_s=0.01) as counter:
        a_bench(home, ("ten", counter.resource), more='tolerance = "3 ppb"')
        monkeypatch.setenv("BENCHWATCH_TOLERANCE", "2 ppb")
        limits.append(watched(capsys, "--tolerance", "1 ppb")[1][0]["tolerance"]["limit"])
        limits.append(watched(capsys)[1][0]["tolerance"]["limit"])
        monkeypatch.delenv("BENCHWATCH_TOLERANCE")
        limits.append(watched(capsys)[1][0]["tolerance"]["limit"])
        a_bench(home, ("ten", counter.resource))
        limits.append(watched(capsys)[1][0]["tolerance"]["limit"])
        configured(home, 'bench = "../../bench.toml"\n')
        limits.append(watched(capsys)[1][0]["tolerance"])

    assert limits == [1e-9, 2e-9, 3e-9, 4e-9, None]


def test_the_unit_comes_before_the_configuration(capsys, home):
    """What the register knows of the unit holds; the configured limit does not reach the unit."""
    configured(home, 'tolerance = "4 ppb"\nsettle = "1 ppb/10 min"\n')
    made, _, _ = run_here(
        capsys, "units", "set", "0417", "--nominal", "10MHz", "--tolerance", "7ppb"
    )
    with tiny_counter(gate_s=0.01) as counter:
        code, out, errors = run_here(
            capsys, "watch", counter.resource, "--unit", "0417", "--count", "1", "--json"
        )
        other, fresh, _ = run_here(
            capsys, "watch", counter.resource, "--unit", "0418", "--new", "--nominal", "10MHz",
            "--count", "1", "--json",
        )  # fmt: skip
    _, listed, _ = run_here(capsys, "units", "show", "0418")

    assert (made, code, other) == (0, 0, 0), errors
    assert json.loads(out.splitlines()[0])["tolerance"]["limit"] == 7e-9
    assert json.loads(fresh.splitlines()[0])["tolerance"]["limit"] == 4e-9
    assert "4 ppb" not in listed


def test_every_backend_has_its_place_in_the_order():
    """Typed, variable, bench file, configuration, the one that comes along."""
    usual = UserSettings(load_configuration({"BENCHWATCH_BACKEND": "@ivi"}))

    assert usual.backend("@sim", "@py") == "@sim"
    assert usual.backend(None, "@py") == "@ivi"
    none = UserSettings(load_configuration({}, path=None))
    assert (none.backend(None, "@ivi"), none.backend(None)) == ("@ivi", "@py")


def test_a_file_with_the_name_of_a_variable_is_a_file(tmp_path, monkeypatch):
    """Its settings come after those of a bench file, whatever it is called."""
    monkeypatch.chdir(tmp_path)
    Path("BENCHWATCH_MINE.toml").write_text('backend = "@ivi"\n', encoding="utf-8")
    settings = UserSettings(load_configuration({"BENCHWATCH_CONFIG": "BENCHWATCH_MINE.toml"}))

    assert settings.backend(None, "@py") == "@py"
    assert settings.backend(None) == "@ivi"


def test_limits_of_the_file_fill_only_what_is_missing(tmp_path):
    """A plan keeps its own limits."""
    path = tmp_path / "config.toml"
    path.write_text('tolerance = "4 ppb"\nsettle = "2 ppb/10 min"\n')
    settings = UserSettings(load_configuration({}, path=path))
    own = Plan(name="a", resource="R", driver="scpi", tolerance=1e-9)

    (plan,) = settings.with_limits([own])

    assert plan.tolerance == 1e-9
    assert plan.settle is not None
    assert (plan.settle.limit, plan.settle.horizon_s) == (2e-9, 600.0)


def test_plain_lines_have_the_unit_of_the_configuration(capsys, home, monkeypatch):
    """In lines every fraction has it, whatever its size."""
    (home / "old.csv").write_text("time_s,frequency_hz\n0,10000000.02\n1,10000000.03\n")
    _, by_size, _ = run_here(capsys, "replay", "old.csv", "--nominal", "10MHz", "--plain")
    monkeypatch.setenv("BENCHWATCH_DISPLAY_UNIT", "ppm")
    _, asked, _ = run_here(capsys, "replay", "old.csv", "--nominal", "10MHz", "--plain")

    assert "ppb" in by_size
    assert "ppm" in asked
    assert "ppb" not in asked


def test_empty_registers_name_the_simulated_bench(capsys, home):
    """First how to try it without a counter; once that was done, where it is listed."""
    _, _, nothing = run_here(capsys, "visits")
    _, _, no_units = run_here(capsys, "units")
    run_here(capsys, "watch", "--sim", "fast", "--unit", "0417", "--new", "--count", "1", "--json")
    _, _, listed = run_here(capsys, "visits")
    _, _, simulated = run_here(capsys, "visits", "--sim")

    assert "watch --sim --unit IDENT" in nothing
    assert "watch --sim --unit IDENT" in no_units
    assert "are listed with --sim" in listed
    assert "--sim" not in simulated


def test_without_other_keys_the_screen_is_not_imported_for_them():
    """The watch begins to ask its counters before the screen is loaded, which takes a while."""
    code = (
        "from benchwatch.commands.common.user_settings import check_keys, screen_settings\n"
        "import sys\n"
        "check_keys(screen_settings())\n"
        "assert not [name for name in sys.modules if name.startswith('benchwatch.screen')]\n"
    )

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stderr


def test_what_is_typed_of_the_screen_comes_before_the_configuration(home):
    """Bell and colours as typed, else as configured; unit and keys as configured."""
    path = configured(
        home, 'bell = false\ntheme = "light"\ndisplay_unit = "ppm"\n[keys]\nnote = "y"\n'
    )

    of_file = ScreenOptions().options()
    typed = ScreenOptions(bell=True, theme="dark").options()
    never = ScreenOptions(bell=True).options(bell=False)

    assert (of_file.bell, of_file.theme.word, of_file.unit) == (False, "light", "ppm")
    assert (typed.bell, typed.theme.word, never.bell) == (True, "dark", False)
    assert [key.label for key in of_file.keys["note"]] == ["y"]
    assert of_file.keys_from == str(path)


def test_a_fault_in_the_configured_bench_file_is_told_where_a_counter_is_named(capsys, home):
    """The word can only be a name in that file, so its fault is what keeps the watch from it."""
    configured(home, 'bench = "../../bench.toml"\n')
    a_bench(home, ("warm", "TCPIP0::192.168.1.20::5025::SOCKET"), more="tolerence = '5 ppb'")

    code, _, errors = run_here(capsys, "watch", "warm", "--no-journal")

    assert code == 2
    assert "did you mean 'tolerance'?" in errors
    assert "does not say how" not in errors


def test_a_mistyped_counter_of_the_configured_bench_file_lists_its_counters(capsys, home):
    """It may also be a host, so the way to ask there stands beside them."""
    configured(home, 'bench = "../../bench.toml"\n')
    a_bench(home, ("warm", "TCPIP0::192.168.1.20::5025::SOCKET"), ("cold", "/dev/ttyUSB7"))

    code, _, errors = run_here(capsys, "watch", "worm", "--no-journal")

    assert code == 2
    assert "has no counter 'worm'. There are: warm, cold." in errors
    assert "benchwatch find worm asks there" in errors
