"""The declaration of the laboratory file: reader, draft and schema are made from its keys."""

from typing import Final

from benchwatch.config_tables import SWITCH, ConfigKey, ConfigTable, list_of, one_of, text
from benchwatch.estimate.uncertainty.decision_rule import DECISION_RULES, USUAL_RULE

LONGEST_SENTENCE: Final = 600
NO_ACCREDITATION: Final = "This report is not issued under an accreditation."

_LINE: Final = text().then(str.strip)
_SENTENCE: Final = text(longest=LONGEST_SENTENCE).then(str.strip)
_SENTENCES: Final = list_of(_SENTENCE, "sentences")

LABORATORY_FILE: Final = ConfigTable(
    explanation="who issues reports, by which decision rule, and the sentences that are its own",
    entries={
        "name": ConfigKey(
            kind=_LINE, example='"Workshop of the gauge station"', explanation="the laboratory",
            default="",
        ),
        "address": ConfigKey(
            kind=list_of(_LINE, "lines"), example='["Harbour wall 3", "Northern pier"]',
            explanation="its address, line by line", default=(),
        ),
        "place": ConfigKey(
            kind=_LINE, example='"at the laboratory, room 2"',
            explanation="where the work is done, where that is not the address", default="",
        ),
        "phone": ConfigKey(
            kind=_LINE, example='"+00 555 0417"', explanation="its telephone", default=""
        ),
        "email": ConfigKey(
            kind=_LINE, example='"workshop@gauge.example"', explanation="where questions go to",
            default="",
        ),
        "person": ConfigKey(
            kind=_LINE, example='"A. Keeper, head of the workshop"',
            explanation="who authorises reports; the program never signs", default="",
        ),
        "method": ConfigKey(
            kind=_SENTENCES, example='["Our procedure 12: offset of an oscillator."]',
            explanation="the method, sentence by sentence", default=(),
        ),
        "deviations": ConfigKey(
            kind=_SENTENCES, example='["None."]',
            explanation="what is done otherwise than the method says", default=(),
        ),
        "traceability": ConfigKey(
            kind=_SENTENCES, example='["The reference is compared every year with the standard."]',
            explanation="how the reference is traceable, and by which papers", default=(),
        ),
        "accreditation": ConfigKey(
            kind=_SENTENCE, example=f'"{NO_ACCREDITATION}"',
            explanation="what stands here of an accreditation; this one if left out",
            default=NO_ACCREDITATION,
        ),
        "opinions": ConfigKey(
            kind=_SENTENCES, example='["Let it run all year: it ages less than when switched."]',
            explanation="opinions and interpretations, marked as such", default=(),
        ),
        "remarks": ConfigKey(
            kind=_SENTENCES, example='["Keep this report with the unit."]',
            explanation="remarks on every report", default=(),
        ),
        "decision_rule": ConfigKey(
            kind=one_of(*DECISION_RULES), example=f'"{USUAL_RULE}"',
            explanation="simple, guarded (by U) or three-answers", default=USUAL_RULE,
        ),
        "forecasts": ConfigKey(
            kind=SWITCH, example="true",
            explanation="whether a report may show a forecast where one is asked for",
            default=True,
        ),
    },
)  # fmt: skip
