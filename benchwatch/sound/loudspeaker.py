"""Opens the loudspeaker through an optional library."""

import importlib
from collections.abc import Callable
from typing import Any, Final, Protocol

from benchwatch.quantity import printable
from benchwatch.sound.tone import Samples
from benchwatch.system.installation import extra_words

LIBRARY: Final = "sounddevice"
EXTRA: Final = "sound"
"""The extra that installs it."""

Fill = Callable[[int, int], Samples]
"""(frames, samples a second) -> the next block; called on the audio library's own thread."""


class NoDevice(Exception):
    """No sound can be played; the message gives the reason and what to do."""


class Stream(Protocol):
    """A device that plays until it is closed."""

    def close(self) -> None:
        """Stop, and close the device."""


def open_device(fill: Fill, ended: Callable[[], None]) -> Stream:
    """Play the samples of `fill` on the default output device.

    Args:
        fill: returns the next block of samples.
        ended: called when the device is closed or disappears.

    Raises:
        NoDevice: the library or an output device is missing.
    """
    try:
        library: Any = importlib.import_module(LIBRARY)
    except ImportError:
        raise NoDevice(f"no sound library, {extra_words(EXTRA)}") from None
    except OSError as error:  # raised where PortAudio is missing
        raise NoDevice(f"the sound library can't be used, {_words(error)}") from error
    try:
        device = library.query_devices(kind="output")
        rate_hz = int(device["default_samplerate"])

        def callback(block: Any, frames: int, _time: object, _status: object) -> None:
            block[:, 0] = fill(frames, rate_hz)

        stream = library.OutputStream(
            samplerate=rate_hz,
            channels=1,
            dtype="float32",
            callback=callback,
            finished_callback=ended,
        )
        stream.start()
    except (library.PortAudioError, ValueError, KeyError) as error:
        raise NoDevice(f"no sound device, {_words(error)}") from error
    opened: Stream = stream
    return opened


def _words(error: Exception) -> str:
    return printable(" ".join(str(error).split()), 120).rstrip(".")
