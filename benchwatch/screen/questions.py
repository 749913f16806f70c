"""The questions that the screen asks in a box, and what is done with the answers."""

from collections.abc import Callable
from typing import Final

from benchwatch.errors import QuantityError
from benchwatch.plan import SETTING_FORMS
from benchwatch.quantity import DURATION_FORMS, parse_duration, printable
from benchwatch.reading import RecordKind
from benchwatch.screen.screen_state import ScreenState
from benchwatch.screen.text.amounts import lasted
from benchwatch.screen.typed_commands import ChainCommand, SettingCommand, VisitCommand
from benchwatch.screen.watch_source import PlaybackControl

PAIR: Final = 2
"""Counters that are compared without a question."""

Ask = Callable[[str, Callable[[str | None], None]], None]
"""Asks for a line of text, and calls a function with the answer; None: it was cancelled."""


LONGEST_NUMBER = 9
"""Digits from which a number is not that of a counter."""


class Questions:
    """Asks, and changes the state of the screen by the answers.

    Args:
        state: the state of the screen.
        ask: shows the box.
        redraw: draws the screen soon.
        playback: controls of the recording that is played; None: a live watch.
    """

    def __init__(
        self,
        state: ScreenState,
        ask: Ask,
        redraw: Callable[[], None],
        playback: PlaybackControl | None,
    ) -> None:
        self._state, self._ask, self._redraw = state, ask, redraw
        self._playback = playback

    def mark(self) -> None:
        """Ask for the words of a mark."""
        self._ask("Mark on the time line: a word, or none (Esc: no mark)", self._mark)

    def number(self) -> None:
        """Ask for the number of a counter to show."""
        counters = len(self._state.choices())
        self._ask(f"Number of the counter, 1 to {counters}", self._open_number)

    def go_to(self) -> None:
        """Ask for a time of the recording."""
        self._ask(f"Time of the recording, such as {DURATION_FORMS}", self._go_to)

    def prove_chain(self) -> None:
        """Compare two counters with one nominal at once; of more, ask which are on one signal."""
        offered = self._state.frame().offered
        if len(offered) <= PAIR:
            self._state.change_chain(ChainCommand("prove"))
            self._redraw()
            return
        self._ask(
            f"Which are on one signal: {printable(', '.join(offered), 60)}? Names; none: all",
            self._prove_chain,
        )

    def settle_limit(self) -> None:
        """Ask what settled means."""
        self._ask(f"Settled means, such as {SETTING_FORMS['settle']}", self._set_settle)

    def record(self, key: str, kind: RecordKind) -> None:
        """Ask before a record is made where readings are typed: l may be a slip for 1.

        Args:
            key: id of the key that makes the record.
            kind: of the record.
        """

        def answered(answer: str | None) -> None:
            words = f"nothing was recorded {kind}"
            if _is_yes(answer):
                self._state.press(key)
            elif answer is None or _is_no(answer):
                self._state.show_message(words)
            else:
                why = f"{printable(answer, 24)} is neither y nor n"
                self._state.show_message(f"{words}, and no reading taken: {why}")
            self._redraw()

        self._ask(f"Record {kind}? (y/n)", answered)

    def change_visit(self, command: VisitCommand) -> None:
        """Change the visit; ask first before it is closed, and before a unit is made."""
        if command.change == "close visit":
            self._ask("Close the visit? It can't be opened again. (y/n)", self._close_visit)
            return
        if not self._state.change_visit(command):
            ident = printable(command.text)
            ask = f"There is no unit {ident} yet. Make it, with the limits of this watch? (y/n)"
            self._ask(ask, lambda answer: self._make_unit(answer, command.text))
        self._redraw()

    def power(self) -> None:
        """Ask whether the unit was switched off before this run; no answer leaves it open."""
        whose = self._state.power_question()
        if whose is None:
            return
        self._ask(
            f"Was {printable(whose, 24)} switched off since it was last read? y: the warm-up "
            "begins anew; n: it stayed on (later: the commands switched off, stayed on)",
            self._answer_power,
        )

    def _prove_chain(self, text: str | None) -> None:
        if text is not None:
            names = tuple(text.replace(",", " ").split())
            self._state.change_chain(ChainCommand("prove", names))
            self._redraw()

    def _mark(self, text: str | None) -> None:
        if text is not None:
            self._state.mark(text)
            self._redraw()

    def _open_number(self, text: str | None) -> None:
        """Show the counter with the typed number."""
        if not text:
            return
        counters = self._state.choices()
        typed = text.strip()
        number = int(typed) if typed.isdecimal() and len(typed) < LONGEST_NUMBER else 0
        if 1 <= number <= len(counters):
            self._state.open_counter(counters[number - 1].name)
        else:
            shown = printable(text, 24)
            self._state.show_message(f"there is no counter {shown}: type 1 to {len(counters)}")
        self._redraw()

    def _go_to(self, text: str | None) -> None:
        """Seek to the typed time of the recording."""
        if not text or self._playback is None:
            return
        try:
            to_s = parse_duration(text)
            self._playback.seek(to_s)
            now = self._playback.playing
            if to_s > now.length_s and now.length != "so far":
                self._state.show_message(
                    f"the recording ends at {lasted(now.length_s)}: that is shown"
                )
        except QuantityError as error:
            self._state.show_message(str(error))
        self._redraw()

    def _set_settle(self, text: str | None) -> None:
        if text:
            self._state.change(SettingCommand("settle", text))
            self._redraw()

    def _answer_power(self, answer: str | None) -> None:
        match (answer or "").strip().lower():
            case "y" | "yes":
                self.change_visit(VisitCommand("switched off"))
            case "n" | "no":
                self.change_visit(VisitCommand("stayed on"))
            case _:
                self._state.show_message(
                    "not answered: type switched off, or stayed on, after : when you know"
                )
                self._redraw()

    def _close_visit(self, answer: str | None) -> None:
        """Close the visit, if the operator has said yes."""
        if _is_yes(answer):
            self._state.change_visit(VisitCommand("close visit"))
        else:
            self._state.show_message("the visit stays open")
        self._redraw()

    def _make_unit(self, answer: str | None, ident: str) -> None:
        """Make the unit `ident`, if the operator has said yes."""
        if _is_yes(answer):
            self.change_visit(VisitCommand("new unit", ident))
        else:
            self._state.show_message("no unit was made; the visit stays as it was")
            self._redraw()


def _is_yes(answer: str | None) -> bool:
    """Return whether the answer to a question is yes; None: it was cancelled."""
    return answer is not None and answer.strip().lower() in {"y", "yes"}


def _is_no(answer: str) -> bool:
    """Return whether the answer to a question is no, or empty."""
    return answer.strip().lower() in {"", "n", "no"}
