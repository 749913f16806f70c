"""The player: a loudspeaker if there is one, else the terminal's bell, with one notice."""

import importlib
import re
import sys
from types import ModuleType, SimpleNamespace

import numpy as np
import pytest
import screen_kit as kit
from sound_kit import STEADY, of_offset

from benchwatch.counter import LinkStatus
from benchwatch.sound.loudspeaker import NoDevice, open_device
from benchwatch.sound.sound_cue import SoundCue
from benchwatch.sound.sound_player import FASTEST_BELL_HZ, VOLUME_LEVELS, Bell, SoundPlayer
from benchwatch.system.installation import extra_words

RATE_HZ = 48_000


class FakeDevice:
    """A loudspeaker that keeps the samples played."""

    def __init__(self):
        self.closed = False
        self.played = np.zeros(0)

    def open(self, fill, ended):
        """Take the two callbacks, as `open_device` does."""
        self.fill, self.ended = fill, ended
        return self

    def turn(self, blocks=20, frames=512):
        """Play some blocks and return their samples."""
        made = np.concatenate([self.fill(frames, RATE_HZ) for _ in range(blocks)])
        self.played = np.concatenate([self.played, made])
        return made

    def close(self):
        """Close, which ends the stream as the real library does."""
        self.closed = True
        self.ended()


@pytest.fixture
def device():
    """Return a fake loudspeaker."""
    return FakeDevice()


@pytest.fixture
def player(device):
    """Return a started player on the device; a bell fails the test."""
    made = SoundPlayer(lambda: pytest.fail("the bell rang"), device.open)
    made.start()
    yield made
    made.stop()
    assert device.closed


def silent_player(rings):
    """Return a started player that finds no device."""

    def refuse(_fill, _ended):
        raise NoDevice("no sound device, none")

    made = SoundPlayer(lambda: rings.append(1), refuse)
    made.start()
    return made


def test_the_newest_cue_is_played(player, device):
    """An offset far off is pulses, one inside the tolerance a held note, a lost link silence."""
    player.update(of_offset(5e-9), 0.0)
    pulsed = device.turn(40)
    player.update(of_offset(1e-10), 1.0)
    device.turn()
    held = device.turn()
    player.update(of_offset(1e-10, link=LinkStatus("lost", 1.0)), 2.0)
    device.turn()
    lost = device.turn()

    assert np.mean(np.abs(pulsed) < 1e-6) > 0.2
    assert np.mean(np.abs(held) < 1e-6) < 0.01
    assert not lost.any()


def test_mute_and_volume(player, device):
    """Mute is silence until pressed again; each level doubles the amplitude, within limits."""
    player.update(of_offset(1e-10), 0.0)
    device.turn()
    usual = np.abs(device.turn()).max()
    notices = [player.mute()]
    device.turn()
    muted = device.turn()
    notices += [player.mute(), player.louder(1)]
    device.turn()
    louder = np.abs(device.turn()).max()
    notices += [player.louder(99), player.louder(-99)]

    assert not muted.any()
    assert louder == pytest.approx(2 * usual, rel=0.01)
    assert notices == [
        "sound off",
        "sound on, volume 4 of 6",
        "sound on, volume 5 of 6",
        f"sound on, volume {VOLUME_LEVELS} of {VOLUME_LEVELS}",
        f"sound on, volume 1 of {VOLUME_LEVELS}",
    ]


def test_after_the_device_is_unplugged_the_bell_rings(device):
    """The screen is notified once, and the bell continues."""
    rings = []
    player = SoundPlayer(lambda: rings.append(1), device.open)
    player.start()
    before = player.notice()
    device.ended()
    player.update(of_offset(5e-9), 0.0)

    assert before == ""
    assert player.notice() == "the bell rings instead: the sound device has gone"
    assert player.notice() == ""
    assert rings == [1]


def test_closing_is_no_loss(player, device):
    """The end of the stream after `stop` is not reported as a loss."""
    player.stop()

    assert player.notice() == ""


def test_without_a_device_there_is_one_notice():
    """One sentence with the reason and the bell instead."""
    player = silent_player([])

    assert player.notice() == "the bell rings instead: no sound device, none"
    assert player.notice() == ""
    assert player.louder(1) == "sound on: the bell, which has no volume"


def test_the_bell_rings_at_most_three_times_a_second():
    """Ten updates a second for ten seconds just outside the tolerance give at most 30 rings."""
    rings = []
    bell = Bell(lambda: rings.append(1))
    for look in range(100):
        bell.update(SoundCue("high", 8.0), look / 10, aloud=True)

    assert 20 <= len(rings) <= 10 * FASTEST_BELL_HZ


def test_the_bell_rings_once_on_landing():
    """Reaching the target gives one ring, then silence; leaving and returning gives one more."""
    rings = []
    bell = Bell(lambda: rings.append(1))
    counts = []
    for begin_s, sound in [
        (0, SoundCue("low", 1.0)),
        (1, STEADY),
        (9, SoundCue("low", 1.0)),
        (10, STEADY),
    ]:
        for look in range(8):
            bell.update(sound, begin_s + look / 10, aloud=True)
        counts.append(len(rings))

    assert counts == [1, 2, 3, 4]


def test_the_bell_is_silent_when_muted_stale_or_undecided():
    """Also for a landing without an offset off target before."""
    rings = []
    player = silent_player(rings)
    player.update(of_offset(1e-10), 0.0)
    player.update(of_offset(3e-9, u=2e-9), 1.0)
    player.update(of_offset(5e-9, link=LinkStatus("silent", 1.0)), 2.0)
    player.mute()
    player.update(of_offset(5e-9), 3.0)

    assert rings == []


def test_without_the_library_a_sentence_names_what_to_install(monkeypatch):
    """The optional library is needed only here."""
    monkeypatch.setitem(sys.modules, "sounddevice", None)

    with pytest.raises(NoDevice, match=re.escape(f"no sound library, {extra_words('sound')}")):
        open_device(lambda frames, _rate: np.zeros(frames, np.float32), lambda: None)


def test_the_real_library_plays_or_gives_a_sentence():
    """On this computer: either a stream opens, or the screen has one sentence to show."""
    player = SoundPlayer(lambda: None)
    player.start()
    notices = player.notice()
    player.stop()

    assert notices == "" or notices.startswith("the bell rings instead: ")


class FakeLibrary(ModuleType):
    """The functions of the sound library that the program uses."""

    class PortAudioError(Exception):
        """The library's error."""

    def __init__(self, error=""):
        super().__init__("sounddevice")
        self.error = error
        self.asked = {}

    def query_devices(self, kind):
        """Describe the default output."""
        if self.error:
            raise self.PortAudioError(self.error)
        return {"default_samplerate": 44100.0}

    def OutputStream(self, **asked):  # noqa: N802 - the library's name
        """Open a stream and ask it for one block at once."""
        self.asked = asked
        self.block = np.ones((256, 1), np.float32)
        asked["callback"](self.block, 256, None, None)
        return SimpleNamespace(start=lambda: None, close=lambda: None)


def test_the_library_is_given_blocks(monkeypatch):
    """One channel at the device's own rate, filled by the program's generator."""
    library = FakeLibrary()
    monkeypatch.setattr(importlib, "import_module", lambda _name: library)
    asked = []

    def fill(frames, rate_hz):
        asked.append((frames, rate_hz))
        return np.full(frames, 0.5, np.float32)

    open_device(fill, lambda: None)

    assert asked == [(256, 44100)]
    assert (library.block == 0.5).all()
    assert library.asked["channels"] == 1


def test_an_error_of_the_library_is_a_harmless_sentence(monkeypatch):
    """The library's words for a missing output device, without control characters."""
    library = FakeLibrary("Error querying\n device -1\x1b[2J")
    monkeypatch.setattr(importlib, "import_module", lambda _name: library)

    with pytest.raises(NoDevice, match=r"^no sound device, Error querying device -1") as caught:
        open_device(lambda frames, _rate: np.zeros(frames, np.float32), lambda: None)

    assert str(caught.value).isprintable()


def test_the_snapshot_of_the_screen_kit_sounds_high():
    """The snapshot that the screen's tests draw as high."""
    rings = []
    player = silent_player(rings)
    player.update(kit.snapshot(), 0.0)

    assert rings == [1]
