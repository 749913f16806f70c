"""Gate, channel and time base of a counter, read and set by its profile."""

import math

from benchwatch.counter import Setup, TimeBase, plausible_gate_s
from benchwatch.errors import ReplyError, UsageError
from benchwatch.quantity import parse_reply, printable
from benchwatch_drivers.profile.profile import GateForm, Profile
from benchwatch_drivers.profile.profile_query import QUERY_TIMEOUT_S, ProfileQuery


class ProfileSettings:
    """Reads settings, and sets what the operator asked for and nothing else."""

    def __init__(self, queries: ProfileQuery, profile: Profile) -> None:
        self._queries = queries
        self._profile = profile
        self._set_gate_s: float | None = None
        """The gate that was set, on a counter that has no query for it."""
        self._touched = False

    def gate_s(self) -> float | None:
        """Return the gate in seconds; None when it is unknown."""
        form = self._profile.gate
        if form.query is None:
            return form.fixed_s if self._set_gate_s is None else self._set_gate_s
        answer = (self._queries.query_setting(form.query) or "").strip()
        if answer in form.answers:
            return form.answers[answer]
        found = form.pattern.match(answer)
        if found is None:
            return None
        digits = found.get("number", answer)
        try:
            gate_s = float(parse_reply(digits, "s") * form.unit_s)
        except ReplyError:
            return None
        return plausible_gate_s(gate_s)

    def time_base(self) -> TimeBase:
        """Query which time base is in use; unknown without a query for it."""
        form = self._profile.reference
        answer = (self._queries.query_setting(form.query) or "").strip() if form else ""
        if form and form.internal.match(answer) is not None:
            return TimeBase("internal")
        if form and form.external.match(answer) is not None:
            return TimeBase("external")
        return TimeBase()

    def set(self, setup: Setup) -> Setup:
        """Set what is asked for; return what was read back, or what was set without a query for it.

        Raises:
            UsageError: a setting can't be set, or the counter refuses.
        """
        gate_s = channel = None
        if setup.channel is not None:
            channel = self._set_channel(setup.channel)
        if setup.gate_s is not None:
            gate_s = self._set_gate(setup.gate_s)
        return Setup(gate_s=gate_s, channel=channel)

    def release(self) -> None:
        """Return the front panel to local after something was set."""
        if self._touched and self._profile.local is not None:
            self._queries.link.write(self._profile.local)

    def _set_gate(self, gate_s: float) -> float:
        form = self._profile.gate
        self._send(self._gate_command(form, gate_s), f"a gate of {gate_s:g} s")
        if form.query is None:
            self._set_gate_s = gate_s
            return gate_s
        read_back = self.gate_s()
        if read_back is None:
            raise UsageError(f"a gate of {gate_s:g} s was set, but it can't be read back.")
        return read_back

    def _gate_command(self, form: GateForm, gate_s: float) -> str:
        if form.command is not None:
            return form.command.replace("{gate}", f"{gate_s / float(form.unit_s):.9g}")
        for choice_s, command in form.choices.items():
            if math.isclose(choice_s, gate_s, rel_tol=1e-6):
                return command
        if form.choices:
            choices = ", ".join(f"{choice_s:g} s" for choice_s in sorted(form.choices))
            raise UsageError(f"this counter has no gate of {gate_s:g} s; it has {choices}.")
        raise UsageError(
            f"the gate of a {self._profile.family} can't be set from here. Set it at the front "
            "panel and leave --gate out."
        )

    def _set_channel(self, channel: int) -> int:
        if channel not in self._profile.channels:
            known = ", ".join(map(str, sorted(self._profile.channels)))
            has = f"it has {known}" if known else "choose it at the front panel"
            raise UsageError(f"channel {channel} of this counter can't be chosen from here; {has}.")
        self._send(self._profile.channels[channel], f"channel {channel}")
        return channel

    def _send(self, command: str, what: str) -> None:
        """Send the command of a setting; then query for an error, where there is a query for it."""
        self._queries.resynchronise()
        self._touched = True
        self._queries.link.write(command)
        errors = self._profile.errors
        if errors is None:
            return
        answer = self._queries.query(errors.query, QUERY_TIMEOUT_S)
        if errors.none.match(answer.strip()) is None:
            raise UsageError(
                f"the counter refuses {what}: {printable(answer)}. "
                "Ask for another, or leave it out."
            )
