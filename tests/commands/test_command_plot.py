"""``plot``: charts of visits and units as files, whole or not at all."""

import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from command_kit import Command, command_in
from program_kit import COMMAND
from report_kit import UNIT, MadeVisit, ageing_visits, empty_visit, good_visit

from benchwatch.report.charts.svg import SIZES_MM
from benchwatch.system.installation import extra_words

SVG = "{http://www.w3.org/2000/svg}"
PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
"""ISO/IEC 15948:2004, 5.2."""
PLOTS = ("visit", "warm-up", "trim", "landing", "budget", "stability", "history")


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> MadeVisit:
    """Return a visit that went well."""
    return good_visit(tmp_path_factory.mktemp("good") / "kept")


@pytest.fixture
def command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Return what runs a command in this process."""
    monkeypatch.chdir(tmp_path)
    return command_in(capsys, monkeypatch, tmp_path)


def words_of(what: str, made: MadeVisit) -> tuple[str, ...]:
    """Return the words of the command line that plot this of a made visit."""
    journal = str(made.journal)
    match what:
        case "stability":
            return ("plot", "stability", "--visit", made.number, "--journal", journal)
        case "history":
            return ("plot", "history", UNIT, "--journal", journal)
        case _:
            return ("plot", what, made.number, "--journal", journal)


@pytest.mark.parametrize("what", PLOTS)
def test_each_chart_is_a_file_of_svg(what: str, good: MadeVisit, command: Command) -> None:
    """The file is XML of the wide size, and the narration names it."""
    done = command(*words_of(what, good), "--out", "made.svg")

    root = ET.parse("made.svg").getroot()
    assert (done.code, done.out) == (0, "")
    assert root.attrib["width"] == f"{SIZES_MM['wide'][0]:g}mm"
    assert done.err.splitlines()[-1] == "benchwatch: made.svg is written"
    assert [path.name for path in Path().iterdir()] == ["made.svg"]


@pytest.mark.parametrize("what", PLOTS)
def test_the_same_on_standard_output(what: str, good: MadeVisit, command: Command) -> None:
    """``--out -`` prints what the file would hold, and nothing else."""
    command(*words_of(what, good), "--out", "made.svg")
    done = command(*words_of(what, good), "--out", "-")

    assert done.out == Path("made.svg").read_text(encoding="utf-8")


def test_a_png_is_drawn(good: MadeVisit, command: Command) -> None:
    """At 300 dots per inch the width of 170 mm is 2008 dots, by arithmetic."""
    pytest.importorskip("typst")
    done = command(*words_of("visit", good), "--out", "made.PNG")

    content = Path("made.PNG").read_bytes()
    assert done.code == 0
    assert content[:8] == PNG_SIGNATURE
    assert int.from_bytes(content[16:20]) == pytest.approx(170 / 25.4 * 300, abs=2)


def test_without_typst_a_png_is_refused_with_the_way_to_it(
    good: MadeVisit, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sentence names the extra; no file is begun, and .svg is still written."""
    from benchwatch.report.forms import typst_compiler

    typst_compiler._compiler.cache_clear()
    monkeypatch.setitem(sys.modules, "typst", None)
    done = command(*words_of("visit", good), "--out", "made.png")
    other = command(*words_of("visit", good), "--out", "made.svg")

    assert done.code == 2
    assert done.err == (
        "benchwatch: a PNG picture needs a library that is not installed (typst): "
        f"{extra_words('report')}. A picture as .svg needs none.\n"
    )
    assert other.code == 0
    assert [path.name for path in Path().iterdir()] == ["made.svg"]


@pytest.mark.parametrize(
    ("out", "wrong"),
    [
        ("made.pdf", "made.pdf ends in .pdf: a picture is written as .svg, or as .png."),
        ("made", "made has no ending: a picture is written as .svg, or as .png."),
        ("no/such/made.svg", "there is no folder no/such: make it, or choose another."),
    ],
)
def test_what_cant_be_written_is_refused_before_anything_is_read(
    out: str, wrong: str, command: Command
) -> None:
    """Ending and folder are looked at first: even without a visit the sentence is of them."""
    done = command("plot", "visit", "99", "--out", out)

    assert done.code == 2
    assert done.err == f"benchwatch: {wrong}\n"


def test_a_folder_of_this_name_is_no_file(good: MadeVisit, command: Command) -> None:
    """It can't be replaced, the sentence says so, and nothing is left beside it."""
    Path("made.svg").mkdir()
    done = command(*words_of("visit", good), "--out", "made.svg")

    assert done.code == 5
    assert "can't be written" in done.err
    assert [path.name for path in Path().iterdir()] == ["made.svg"]


def test_a_file_that_is_there_is_written_anew_and_that_is_said(
    good: MadeVisit, command: Command
) -> None:
    """The old content is gone only once the new one is whole."""
    Path("made.svg").write_text("old", encoding="utf-8")
    done = command(*words_of("visit", good), "--out", "made.svg")

    assert done.err == "benchwatch: made.svg is written anew\n"
    assert Path("made.svg").read_text(encoding="utf-8").startswith("<svg")


def test_a_chart_of_nothing_leaves_the_file_as_it_was(command: Command, tmp_path: Path) -> None:
    """An empty visit has neither readings nor records: exit code 4, and no file is touched."""
    made = empty_visit(tmp_path / "kept")
    Path("made.svg").write_text("old", encoding="utf-8")
    for what in ("visit", "warm-up", "trim", "landing", "budget", "history"):
        done = command(*words_of(what, made), "--out", "made.svg")

        assert done.code == 4
        assert "Traceback" not in done.err
    assert Path("made.svg").read_text(encoding="utf-8") == "old"


def test_a_forecast_is_drawn_where_it_is_asked_for(command: Command, tmp_path: Path) -> None:
    """Five visits give one; without the option none is drawn."""
    made = ageing_visits(tmp_path / "kept")
    plain = command(*words_of("history", made), "--out", "-").out
    ahead = command(*words_of("history", made), "--forecast", "--out", "-").out

    assert "% of forecasts" not in plain
    assert "95 % of forecasts" in ahead


def test_one_visit_gives_no_forecast_and_says_why(good: MadeVisit, command: Command) -> None:
    """The history is drawn all the same."""
    done = command(*words_of("history", good), "--forecast", "--out", "made.svg")

    assert done.code == 0
    assert "no forecast: it takes two visits" in done.err


@pytest.mark.parametrize(
    ("words", "wrong"),
    [
        (("visit", "99"), "there is no visit 99"),
        (("history", "nobody"), "there is no unit nobody"),
        (("stability", "--visit", "99"), "there is no visit 99"),
    ],
)
def test_what_is_not_there_is_one_sentence(
    words: tuple[str, ...], wrong: str, good: MadeVisit, command: Command
) -> None:
    """Visit or unit: the sentence says what lists them."""
    done = command("plot", *words, "--journal", str(good.journal), "--out", "made.svg")

    assert done.code == 2
    assert wrong in done.err
    assert "benchwatch" in done.err
    assert not Path("made.svg").exists()


def test_a_visit_of_a_simulated_bench(command: Command, tmp_path: Path) -> None:
    """It is named by ``--sim``, or by ``sim/`` before its number."""
    made = good_visit(tmp_path / "kept", simulated="station")
    common = ("--journal", str(made.journal), "--out", "-")
    by_option = command("plot", "visit", made.number, "--sim", *common)
    by_name = command("plot", "visit", f"sim/{made.number}", *common)

    assert by_option.code == 0
    assert by_option.out == by_name.out


def test_the_budget_of_a_record_can_be_chosen(good: MadeVisit, command: Command) -> None:
    """As found or as left, else the newest; one that the visit has not is a sentence."""
    newest, left, found = (
        command(*words_of("budget", good), *more, "--out", "-").out
        for more in ((), ("--record", "as left"), ("--record", "as found"))
    )
    none = command(*words_of("budget", good), "--record", "measured", "--out", "-")

    assert newest == left
    assert "What u is made of, as found" in found
    assert none.code == 4
    assert "has no record measured whose u is known" in none.err


def test_deviations_are_those_that_stability_prints(good: MadeVisit, command: Command) -> None:
    """The options are the same, and the picture has as many points as the table has rows."""
    common = ("--visit", good.number, "--journal", str(good.journal), "--since", "nudge")
    table = command("stability", *common, "--json").lines
    svg = command("plot", "stability", *common, "--out", "-").out

    discs = [one for one in ET.fromstring(svg).iter(f"{SVG}circle") if one.get("r") == "0.85"]
    in_legend = 1
    assert len(table) > 3
    assert len(discs) - in_legend == len(table)


def test_in_a_process_of_its_own(good: MadeVisit, tmp_path: Path) -> None:
    """Exit code 0, nothing on standard output, one sentence on standard error."""
    words = [*COMMAND, *words_of("visit", good), "--out", str(tmp_path / "made.svg")]
    done = subprocess.run(words, capture_output=True, text=True, timeout=100)

    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr == f"benchwatch: {tmp_path / 'made.svg'} is written\n"
    assert ET.parse(tmp_path / "made.svg").getroot().tag == f"{SVG}svg"
