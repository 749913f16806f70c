"""Keys from this terminal, for as long as there is one."""

import os
import select
from codecs import getincrementaldecoder
from typing import Final

from textual._xterm_parser import XTermParser  # private; the version of the library is exact
from textual.drivers.linux_driver import LinuxDriver

from benchwatch.screen.picture import Picture

LOOK_S: Final = 0.1
"""How often it is looked whether the screen has ended; also what makes a lone Esc a key."""


class TerminalDriver(LinuxDriver):
    """What the terminal library uses here, but reading ends where no key can come any more.

    The library's own way of reading turns in circles at the end of the input, and ends the
    screen over a byte that is no UTF-8.
    """

    def run_input_thread(self) -> None:
        """Hand on what is typed until the screen ends or the keyboard is gone."""
        parser = XTermParser(self._debug)
        decode = getincrementaldecoder("utf-8")("replace").decode
        while not (self.exit_event.is_set() or self._loop.is_closed()):
            if select.select([self.fileno], [], [], LOOK_S)[0]:
                try:
                    typed = os.read(self.fileno, 4096)
                except BlockingIOError:  # another program has set the terminal so
                    continue
                except OSError:
                    typed = b""
                if not typed:
                    self._keys_have_ended()
                    return
                text = decode(typed)
                for message in parser.feed(text) if text else ():  # "" would end the parser
                    self.process_message(message)
            for message in parser.tick():
                self.process_message(message)

    def _keys_have_ended(self) -> None:
        """At the end of a file the screen goes on without keys; a terminal has no end."""
        if self.input_tty and isinstance(self._file, Picture):
            self._file.lose()
