"""Plays recordings in time: pause, speed, seek; through the same pipelines as a live run."""

from benchwatch.replaying.player import Player
from benchwatch.replaying.tape import Tape

__all__ = ["Player", "Tape"]
