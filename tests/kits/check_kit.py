"""Made states of the checks at other dial settings, for pictures of the screen."""

from typing import Literal

from benchwatch.estimate.dial_check import CheckVerdict
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.pipeline.dial_check_words import CAUTIONS, back_words, dial_words
from benchwatch.snapshot import CheckRow, ChecksNow

Stage = Literal["listed", "dial", "reading", "back"]


def dial_check(
    setting_hz: float, difference: float, verdict: CheckVerdict = "follows", readings: int = 24
) -> DialCheck:
    """Return a finished check with a limit of 1.25 ppb."""
    return DialCheck(
        setting_hz=setting_hz, nominal_hz=1e7, utc_s=1_935_656_420.5, verdict=verdict,
        foretold=2.31e-9, foretold_u=1.4e-10, read=2.31e-9 + difference, read_u=3.1e-11,
        readings=readings, difference=difference, u=1.43e-10, dof=60.0, expanded=2.9e-10,
        limit=1.25e-9,
    )  # fmt: skip


def checks_now(stage: Stage) -> ChecksNow:
    """Return a walk through four settings at some stage."""
    follows, misses = dial_check(1e6, 3e-11), dial_check(12.5e6, 1.998e-8, "does not follow")
    unsure = dial_check(1e8, 1.1e-9, "can't tell", 9)
    one = CheckRow(setting_hz=1e6, check=follows, words="follows")
    two = CheckRow(setting_hz=12.5e6, check=misses, words="does not follow")
    three, four = CheckRow(setting_hz=1e8), CheckRow(setting_hz=1.4e8)
    match stage:
        case "dial":
            return ChecksNow(
                rows=(one, two, CheckRow(setting_hz=1e8, is_open=True), four),
                phase="dial", setting_hz=1e8, cautions=CAUTIONS,
                instruction=dial_words(1e8, place=3, of=4, said=False),
            )  # fmt: skip
        case "reading":
            row = CheckRow(setting_hz=1e8, check=unsure, is_open=True, words="can't tell (31 more)")
            return ChecksNow(
                rows=(one, two, row, four), phase="reading", setting_hz=1e8, dialled_hz=1e8,
                cautions=CAUTIONS, instruction="9 readings at 100 MHz; about 31 more would tell. "
                "Enter goes on without them.",
            )  # fmt: skip
        case "back":
            return ChecksNow(
                rows=(one, two, three, four), phase="back", dialled_hz=12.5e6, cautions=CAUTIONS,
                instruction=back_words(12.5e6, 1e7),
            )  # fmt: skip
    rows = (CheckRow(setting_hz=1e6), CheckRow(setting_hz=12.5e6), three, four)
    return ChecksNow(rows=rows)
