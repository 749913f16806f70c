"""What the keys do that control a recording, and the sound."""

import math
from collections.abc import Callable

from benchwatch.screen.watch_source import PlaybackControl, SoundOutput

SEEK_S, SEEK_SHARE = 10.0, 0.05
"""Seconds, and part of the recording, that a key goes back or ahead."""


def playback_actions(playback: PlaybackControl) -> dict[str, Callable[[], None]]:
    """Return the actions, by id, of the keys that control a recording."""

    def seek(by_s: float = 0.0, share: float = 0.0) -> None:
        now = playback.playing
        playback.seek(now.at_s + by_s + share * now.length_s)

    def to_end() -> None:
        now = playback.playing
        playback.seek(math.inf if now.length == "so far" else now.length_s)

    return {
        "pause": playback.pause,
        "back": lambda: seek(-SEEK_S),
        "ahead": lambda: seek(SEEK_S),
        "far_back": lambda: seek(share=-SEEK_SHARE),
        "far_ahead": lambda: seek(share=SEEK_SHARE),
        "to_begin": lambda: playback.seek(0.0),
        "to_end": to_end,
        "slower": lambda: playback.faster(-1),
        "faster": lambda: playback.faster(1),
    }


def sound_actions(sound: SoundOutput, say: Callable[[str], None]) -> dict[str, Callable[[], None]]:
    """Return the actions, by id, of the keys that control the sound; `say` shows a sentence."""
    return {
        "mute": lambda: say(sound.mute()),
        "louder": lambda: say(sound.louder(1)),
        "quieter": lambda: say(sound.louder(-1)),
    }
