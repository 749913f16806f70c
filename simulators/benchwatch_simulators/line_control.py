"""What the line languages share that control simulated benches and simulated stations.

A line is a verb, for some verbs a value, and a name. The answer is one line: ``ok``, a value, or
``error: `` and a sentence.
"""

from abc import ABC, abstractmethod
from collections.abc import Collection, Iterable, Mapping

from benchwatch.errors import UsageError
from benchwatch.quantity import printable


class LineControl(ABC):
    """Executes lines; each language says what its verbs do.

    Args:
        forms: the form of each verb's line, by verb; ``time``, ``names`` and ``help`` are among
            them, and answered here.
        with_value: the verbs that need a value.
    """

    def __init__(self, forms: Mapping[str, str], with_value: Collection[str]) -> None:
        self._forms, self._with_value = forms, with_value

    def execute(self, message: str) -> str | None:
        """Execute one line; return the answer, None for an empty line."""
        words = message.split()
        if not words:
            return None
        try:
            return self._run(words[0].lower(), words[1:])
        except UsageError as error:
            return f"error: {error}"

    def overrun(self) -> None:  # noqa: B027 - doing nothing is what every language does
        """Do nothing: a line that is too long has no answer."""

    @property
    @abstractmethod
    def _now_s(self) -> float:
        """Seconds since what is controlled was started."""

    @property
    @abstractmethod
    def _names(self) -> Iterable[str]:
        """The names that a line may have."""

    @abstractmethod
    def _act(self, verb: str, value: str, words: list[str]) -> str:
        """Do what a line says, and return the answer.

        Args:
            verb: the verb.
            value: its value; empty for a verb without one.
            words: the words after it.

        Raises:
            UsageError: the line can't be executed.
        """

    def _joined(self, _verb: str, words: list[str]) -> list[str]:
        """Return the words after a verb, in which the value is one word."""
        return words

    def _run(self, verb: str, words: list[str]) -> str:
        forms = self._forms
        if verb not in forms:
            raise UsageError(f"unknown '{printable(verb)}'. Known: {'; '.join(forms.values())}")
        if verb == "time":
            return f"{self._now_s:.6f}"
        if verb == "names":
            return " ".join(self._names)
        if verb == "help":
            return "; ".join(forms.values())
        value = ""
        if verb in self._with_value:
            if not words:
                raise UsageError(f"expected: {forms[verb]}")
            value, *words = self._joined(verb, words)
        return self._act(verb, value, words)
