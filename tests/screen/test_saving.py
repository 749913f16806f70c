"""``save``: every view as a file for print, by a name that is typed or made, never over a file."""

import asyncio
import os
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import screen_kit as kit
from chain_kit import FakeChain
from textual.pilot import Pilot

from benchwatch.measured_visit.measured_visit import MeasuredVisit
from benchwatch.reading import TOOL_WORDS
from benchwatch.report.charts.chart import Stretch
from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions, reports_folder
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.print_charts import offsets_print_chart, warm_up_print_chart
from benchwatch.screen.saving import MOST_ROWS, ViewToSave, default_stem, picture_of
from benchwatch.screen.typed_commands import SaveCommand, suggestions
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.snapshot import LoggedEvent, Trace, VisitNow

pytestmark = pytest.mark.long

SVG = "{http://www.w3.org/2000/svg}"
AT_S = 1_935_000_754.0
WITH_CHART = {"trim", "fill", "warm_up", "stability"}


def job(folder: Path, view: str = "trim", typed: str = "", **changes: object) -> ViewToSave:
    """Return a view of a filled snapshot, to be saved."""
    made = ViewToSave(
        view=VIEWS.named(view),
        frame=kit.frame(kit.full_snapshot(), view),
        width=80,
        height=24,
        at_utc_s=AT_S,
        folder=folder / "reports",
        typed=typed,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def words_of(svg: str) -> str:
    """Return all words of a drawing, a line a text."""
    found = ET.fromstring(svg).iter(f"{SVG}text")
    return "\n".join((one.text or "").replace("\u00a0", " ") for one in found)


async def saved_by(pilot: Pilot[None], app: BenchwatchApp, typed: str) -> str:
    """Type a command, wait until the file is written, and return the sentence on the screen."""
    await pilot.press(":")
    for character in typed:
        await pilot.press("space" if character == " " else character)
    await pilot.press("enter")
    await app.workers.wait_for_complete()
    await pilot.pause()
    return app.screen_state.frame().message


@pytest.mark.parametrize("view", [view.name for view in VIEWS.views])
async def test_every_view_is_saved_from_the_screen(view: str, tmp_path: Path) -> None:
    """Typed on the command line, ``save`` writes a picture and says its whole path."""
    watch = kit.FakeWatch(kit.full_snapshot(), kit.full_snapshot(counter="spare"))
    watch.chain = FakeChain()
    folder = tmp_path / "reports"
    options = DisplayOptions(theme=Theme(), state=None, view=view, reports=folder)
    app = BenchwatchApp(watch, options=options, every_s=None)
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        sentence = await saved_by(pilot, app, "save")

        (path,) = folder.iterdir()
        assert app.screen_state.view.name == view
        assert sentence == f"saved: {path}"
        assert ET.parse(path).getroot().tag == f"{SVG}svg"


@pytest.mark.parametrize("view", sorted(WITH_CHART))
def test_a_view_with_a_chart_saves_it_as_lines(view: str, tmp_path: Path) -> None:
    """The picture has axes with units, and none of the screen's characters for drawing."""
    svg = picture_of(job(tmp_path, view))

    assert "averaging time in s" in svg if view == "stability" else "offset in ppb" in svg
    assert VIEWS.named(view).title in ET.fromstring(svg).findtext(f"{SVG}title", "")
    assert not re.search("[\u2580-\u259f\u2800-\u28ff]", svg)


def test_views_with_a_chart_are_those_that_declare_one() -> None:
    """Trim, its other form, warm-up and stability."""
    assert {view.name for view in VIEWS.views if view.print_chart is not None} == WITH_CHART


def test_a_view_without_a_chart_saves_its_rows(tmp_path: Path) -> None:
    """The notes come out in full, whatever the height of the screen; keys and tabs do not."""
    shown = kit.full_snapshot(logged_events=kit.logged_events(count=60))
    frame = kit.frame(shown, "notes", scroll=3)
    words = words_of(picture_of(job(tmp_path, "notes", frame=frame)))

    assert all(f"mark {n}" in words for n in range(60))
    assert "lid back on [b]soon[/b]" in words
    assert "quit" not in words


def test_a_list_without_end_is_cut(tmp_path: Path) -> None:
    """Of ten thousand notes a page of bounded length is drawn."""
    shown = kit.full_snapshot(logged_events=kit.logged_events(count=10_000))
    svg = picture_of(job(tmp_path, "notes", frame=kit.frame(shown, "notes")))

    assert svg.count("<text") <= MOST_ROWS + 1


def test_the_trim_shows_turn_tool_tolerance_and_what_the_strip_chart_shows(tmp_path: Path) -> None:
    """One turn, the tool from its put-on to its lift, in the time of the strip chart."""
    off = LoggedEvent(
        utc_s=1_935_000_000.0 + 745.0, elapsed_s=745.0, kind="tool", text=TOOL_WORDS[False]
    )
    shown = kit.full_snapshot(logged_events=(*kit.logged_events(), off))
    chart = offsets_print_chart(kit.frame(shown))

    assert chart is not None
    kinds = [type(part).__name__ for part in chart.parts]
    assert kinds.count("Moment") == 1
    assert kinds.count("Stretch") == 1
    assert kinds.count("Band") == 1
    assert chart.x.high == pytest.approx(120.0, abs=1.0)


def test_a_tool_put_on_before_the_strip_chart_begins_is_on_in_all_of_it() -> None:
    """Its put-on is in the log, 200 s ago; the chart shows the last 120 s."""
    put_on = LoggedEvent(utc_s=0.0, elapsed_s=kit.NOW_S - 200.0, kind="tool", text=TOOL_WORDS[True])
    chart = offsets_print_chart(kit.frame(kit.full_snapshot(logged_events=(put_on,))))

    assert chart is not None
    (tool,) = [part for part in chart.parts if isinstance(part, Stretch)]
    assert (tool.begin, tool.end) == (0.0, pytest.approx(chart.x.high))


@pytest.mark.parametrize("log_time", [False, True])
def test_the_warm_up_has_its_fitted_curve_and_time_axis(log_time: bool, tmp_path: Path) -> None:
    """The curve is dotted, and time is as the view has it."""
    frame = kit.frame(kit.full_snapshot(), "warm_up", preferences=Preferences(log_time=log_time))
    chart = warm_up_print_chart(frame)

    assert chart is not None
    assert chart.x.log is log_time
    assert [part.style for part in chart.parts if type(part).__name__ == "Curve"] == ["dotted"]


def test_without_dates_time_counts_from_the_begin_of_the_run(tmp_path: Path) -> None:
    """A recording without dates has no local time to show."""
    shown = kit.full_snapshot(reading=kit.reading(2e-9, utc_s=float("nan")))
    for view in ("trim", "warm_up"):
        svg = picture_of(job(tmp_path, view, frame=kit.frame(shown, view)))

        assert "local time" not in svg


@pytest.mark.parametrize("view", sorted(WITH_CHART))
def test_a_chart_without_data_gives_the_rows(view: str, tmp_path: Path) -> None:
    """Before the first reading the words of the screen are saved."""
    frame = kit.frame(kit.snapshot(stability=None), view, trace=Trace())

    assert "10 MHz" in words_of(picture_of(job(tmp_path, view, frame=frame)))


def test_an_existing_file_is_never_written_over(tmp_path: Path) -> None:
    """The typed name is refused with a sentence, and the file stays as it was."""
    folder = tmp_path / "reports"
    folder.mkdir()
    (folder / "mine.svg").write_text("kept", encoding="utf-8")
    sentence = job(tmp_path, typed="mine.svg").save()

    assert sentence == f"{folder / 'mine.svg'} exists, and stays as it is. Choose another name."
    assert (folder / "mine.svg").read_text(encoding="utf-8") == "kept"
    assert [path.name for path in folder.iterdir()] == ["mine.svg"]


def test_a_made_name_is_free(tmp_path: Path) -> None:
    """Saved twice within a second, the second one gets a number."""
    sentences = [job(tmp_path).save() for _ in range(2)]

    first, second = (Path(one.removeprefix("saved: ")) for one in sentences)
    assert second.name == f"{first.stem}-2.svg"
    assert first.exists()
    assert second.exists()


@pytest.mark.parametrize(
    ("typed", "wrong"),
    [
        ("mine.pdf", "ends in .pdf: a picture is written as .svg, or as .png"),
        ("mine", "has no ending"),
        ("no/such/folder/mine.svg", "can't be written"),
        ("a\0b.svg", "can't be written"),
        ("x" * 300 + ".svg", "can't be written"),
    ],
)
def test_what_cant_be_written_is_one_sentence(typed: str, wrong: str, tmp_path: Path) -> None:
    """Ending, folder and names that no file can have; nothing is left behind."""
    sentence = job(tmp_path, typed=typed).save()

    assert wrong in sentence
    assert "\n" not in sentence
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cant_be_made_is_one_sentence(tmp_path: Path) -> None:
    """The sentence names the folder, and what to type."""
    tmp_path.chmod(0o500)
    sentence = job(tmp_path).save()

    assert "can't be made" in sentence


def test_a_place_that_is_a_file_is_one_sentence(tmp_path: Path) -> None:
    """Where the folder's name is taken by a file, it says so."""
    (tmp_path / "reports").write_text("a file", encoding="utf-8")

    assert "can't be made" in job(tmp_path).save()


def test_typed_paths(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A whole path and one from the home folder are taken as they are."""
    monkeypatch.setenv("HOME", str(tmp_path))
    for typed in (str(tmp_path / "one.svg"), "~/two.svg"):
        assert job(tmp_path / "elsewhere", typed=typed).save().startswith("saved: ")

    assert sorted(path.name for path in tmp_path.iterdir()) == ["one.svg", "two.svg"]


def test_an_operator_at_another_computer_is_told_where_the_file_is(tmp_path: Path) -> None:
    """The page in a browser does not say that the file is on the tablet."""
    assert job(tmp_path, elsewhere=True).save().startswith("saved on the bench's computer: /")


@pytest.mark.parametrize("typed", ["../mine.svg", "/tmp/mine.svg", "~/mine.svg", "~mine.svg", ".."])
def test_from_a_page_no_folder_can_be_typed(typed: str, tmp_path: Path) -> None:
    """Whoever has the address of the page writes into the folder of reports and nowhere else."""
    sentence = job(tmp_path, typed=typed, elsewhere=True).save()

    assert sentence.startswith("from a page a picture goes into ") or "no ending" in sentence
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


def test_from_a_page_a_name_can_be_typed(tmp_path: Path) -> None:
    """It goes beside those with a made name."""
    job(tmp_path, typed="mine.svg", elsewhere=True).save()

    assert (tmp_path / "reports" / "mine.svg").is_file()


def test_a_png_is_drawn_by_typst(tmp_path: Path) -> None:
    """It begins with the signature of PNG (ISO/IEC 15948, 5.2)."""
    pytest.importorskip("typst")
    job(tmp_path, typed="mine.png").save()

    assert (tmp_path / "reports" / "mine.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_names_hold_nothing_that_a_file_system_refuses(tmp_path: Path) -> None:
    """Separators, dots in front, control characters and markup become hyphens; letters stay."""
    visit = VisitNow(unit="../04/17 <b>\x1b[0m παλίρροια")
    name = default_stem(kit.frame(kit.snapshot(visit=visit)), VIEWS.named("warm_up"), AT_S)

    assert re.fullmatch(r"04-17--b---0m-παλίρροια-warm-up-\d{4}-\d\d-\d\d-\d{6}", name)


def test_reports_are_beside_the_journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a journal they are in the present folder."""
    monkeypatch.chdir(tmp_path)

    assert reports_folder(tmp_path / "kept" / "journal.db") == tmp_path / "kept" / "reports"
    assert reports_folder(None) == tmp_path


@pytest.mark.parametrize(
    ("typed", "path"), [("save", ""), ("sav", ""), ("save ~/Trim.PNG", "~/Trim.PNG")]
)
def test_the_command_is_found_by_its_name(typed: str, path: str) -> None:
    """Also where nothing may be changed at the counter, as in a replay."""
    found = suggestions(typed, VIEWS, VIEWS.named("trim"), ())

    assert SaveCommand(path) in [one.command for one in found]


async def test_the_screen_goes_on_while_a_file_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that takes long holds up no key: the view changes before it is written."""
    goes_on = asyncio.Event()
    loop = asyncio.get_running_loop()

    def slow(self: ViewToSave) -> str:
        asyncio.run_coroutine_threadsafe(goes_on.wait(), loop).result(60)
        return "saved late"

    monkeypatch.setattr(ViewToSave, "save", slow)
    options = DisplayOptions(theme=Theme(), state=None, view="trim", reports=tmp_path)
    app = BenchwatchApp(kit.FakeWatch(), options=options, every_s=None)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press(":", *"save", "enter", "2")
        shown = app.screen_state.view.name
        goes_on.set()
        await app.workers.wait_for_complete()
        await pilot.pause()

        assert shown == "warm_up"
        assert app.screen_state.frame().message == "saved late"


def test_nothing_measured_is_no_chart() -> None:
    """An empty visit has nothing to draw."""
    assert offsets_print_chart(kit.frame(trace=Trace())) is None
    assert MeasuredVisit().offsets.readings == 0
