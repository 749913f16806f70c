"""Sound on the screen: its keys, and that each drawing updates the sound."""

import screen_kit as kit
from sound_kit import FakeSound

from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.sound.loudspeaker import NoDevice
from benchwatch.sound.sound_player import SoundPlayer


def made_app(sound):
    """Return an app of a fixed snapshot that draws only on request."""
    options = DisplayOptions(theme=Theme(), state=None)
    return BenchwatchApp(kit.FakeWatch(kit.snapshot()), sound=sound, options=options, every_s=None)


async def test_keys_act_on_the_sound_and_each_drawing_updates_it(tmp_path):
    """v, minus, plus; the sound starts and stops with the screen."""
    app = made_app(FakeSound)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("minus", "plus", "v")
        listener = app._sound
        said = app.screen_state.frame().message

    assert listener.calls == ["start", -1, 1, "mute", "stop"]
    assert said == "sound off"
    assert set(listener.offsets) == {(2.31e-9, kit.NOW_S)}


async def test_a_notice_is_shown_and_the_keys_are_in_the_footer():
    """A missing device is reported in the row of faults."""
    app = made_app(FakeSound)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        app.redraw()
        text = "\n".join(row.plain for row in app.view_widget.lines)

    assert "no sound device here" in text
    assert "v sound" in text


async def test_without_a_device_the_terminal_rings():
    """The real player without a loudspeaker: off target, the terminal gets its BEL."""

    def refuse(_fill, _ended):
        raise NoDevice("no sound device: none")

    app = made_app(lambda ring: SoundPlayer(ring, refuse))
    rings = []
    app.bell = lambda: rings.append(1)
    app._sound._bell._ring = app.bell
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()

    assert rings


async def test_without_sound_there_are_no_such_keys():
    """A screen without --sound has neither keys nor words for it."""
    options = DisplayOptions(theme=Theme(), state=None)
    app = BenchwatchApp(kit.FakeWatch(kit.snapshot()), options=options, every_s=None)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("v")

        assert "v sound" not in "\n".join(row.plain for row in app.view_widget.lines)
