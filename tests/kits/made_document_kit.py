"""A made document of a report, for the forms: a usual visit, and texts that try to break out."""

import copy
from typing import Any

from benchwatch.report.charts.chart import Band, Chart, ChartAxis, ChartSize, Curve, Tick
from benchwatch.report.charts.chart_json import chart_json

HOSTILE_TEXTS = (
    "<script>alert(1)</script>",
    "</style><img src=https://example.org/x onerror=alert(2)>",
    '#read("/etc/passwd") $x^2$ *bold* _it_ @ref `raw` \\ // comment',
    '=HYPERLINK("https://example.org";"here")',
    "@SUM(A1:A9)",
    "-cmd|' /C calc'!A0",
    "{{ 7 * 7 }} {% raw %} ${x} %s %(x)s",
    "]]> <!-- --> &amp; &lt; \" '",
    "محطة قياس المد 12 ppb",
    "Σταθμός παλίρροιας, αρ. 7",
    "w" * 2048,
)
"""Text that must come out as it is, whichever language it tries to speak."""


def _table(header: list[str], rows: list[list[str]]) -> dict[str, Any]:
    return {"kind": "table", "header": header, "rows": rows}


def _text(text: str, tone: str = "text") -> dict[str, Any]:
    return {"kind": "text", "text": text, "tone": tone}


def _section(name: str, title: str, *blocks: dict[str, Any]) -> dict[str, Any]:
    return {"name": name, "title": title, "blocks": list(blocks)}


def made_chart(name: str, size: ChartSize = "half") -> dict[str, Any]:
    """Return a chart for JSON: a line between two axes."""
    return chart_json(
        Chart(
            name=name,
            title=f"Offset, {name}",
            alternative=f"The offset, {name}: it falls and stays inside the tolerance.",
            x=ChartAxis(
                label="local time, UTC",
                low=0.0,
                high=100.0,
                ticks=(Tick(0.0, "14:00"), Tick(100.0, "14:10")),
            ),
            y=ChartAxis(
                label="offset in ppb",
                low=-10.0,
                high=40.0,
                ticks=(Tick(0.0, "0"), Tick(40.0, "40")),
            ),
            parts=(
                Curve(x=(0.0, 50.0, 100.0), y=(36.0, 36.5, 0.4), label="readings"),
                Band(low=-5.0, high=5.0, label="tolerance"),
            ),
            size=size,
        )
    )


def _result(name: str, value: str, verdict: str, words: str) -> dict[str, Any]:
    return {
        "name": name,
        "entry": "21",
        "time": "2026-11-29 13:55 UTC",
        "utc": "2026-11-29T13:55:00Z",
        "readings": "48",
        "span": "48 s",
        "automatic": False,
        "amended": "",
        "counter": "main",
        "nominal_hz": "10000000",
        "offset": {
            "value": value,
            "unit": "ppb",
            "u": "0.024",
            "U": "0.049",
            "k": "2.02",
            "dof": "46",
            "coverage": "about 95 %",
        },
        "hertz": {"value": "+0.36970", "unit": "Hz", "u": "0.00024", "U": "0.00049"},
        "fraction": {"value": "3.697e-8", "u": "2.4e-11", "U": "4.9e-11"},
        "statement": f"The offset is ({value} ± 0.049) ppb, where the number after ± is U = k u.",
        "tolerance": "5 ppb",
        "verdict": verdict,
        "verdict_words": words,
        "rule": "three-answers",
        "caution": "",
        "missing": [],
        "conditions": [["time base", "external"], ["gate", "1 s"]],
        "budget": {
            "header": ["source", "kind", "u"],
            "rows": [
                ["scatter of the readings", "A", "0.010 ppb"],
                ["time base", "B", "0.022 ppb"],
            ],
        },
    }


def made_document(state: str = "issued") -> dict[str, Any]:
    """Return the document of a usual visit."""
    budget = [
        _table(
            ["source", "kind", "u"],
            [["scatter of the readings", "A", "0.010 ppb"], ["time base", "B", "0.022 ppb"]],
        )
    ]
    return {
        "format": "benchwatch report 1",
        "title": "Report on a frequency source",
        "language": "en",
        "end": "End of the report",
        "simulated": False,
        "visit": {
            "name": "bench-0/12",
            "label": "12",
            "began": "2026-11-28T22:30:00.000Z",
            "until": "2026-11-29T13:40:00.500Z",
        },
        "issue": {
            "state": state,
            "number": "1" if state == "issued" else None,
            "identification": f"0418 / visit 12 / {'issue 1' if state == 'issued' else 'draft'}",
            "date": "2026-11-29",
            "at": "2026-11-29 14:05 UTC",
            "utc": "2026-11-29T14:05:00Z",
            "replaces": None,
            "reason": "",
            "changes": [],
        },
        "laboratory": {
            "name": "Harbour bench",
            "address": ["Quay 3", "Low Water"],
            "place": "Low Water",
            "person": "R. Keeper",
            "phone": "+00 555 0100",
            "email": "bench@example.org",
            "method": ["Our procedure 12."],
            "deviations": [],
            "traceability": ["The reference is compared every year."],
            "accreditation": "This report is not issued under an accreditation.",
        },
        "customer": {
            "name": "Tide-gauge telemetry station",
            "order": "TG-77",
            "received": "2026-11-27",
            "state": "",
        },
        "unit": {
            "ident": "0418",
            "description": "oven oscillator, 10 MHz",
            "nominal": "10 MHz",
            "place": "rack 2",
        },
        "pages": [
            {
                "name": "customer",
                "title": "",
                "sections": [
                    _section(
                        "unit",
                        "Unit",
                        {
                            "kind": "facts",
                            "rows": [
                                ["unit", "0418, oven oscillator, 10 MHz"],
                                ["owner", "Tide-gauge telemetry station"],
                                ["tolerance", "±5 ppb, rule: three answers"],
                            ],
                        },
                    ),
                    _section(
                        "results",
                        "Results",
                        {
                            "kind": "result",
                            "label": "as found",
                            "value": "(+36.970 ± 0.049) ppb",
                            "also": "(+0.36970 ± 0.00049) Hz at 10 MHz",
                            "verdict": "outside the tolerance of ±5 ppb",
                            "detail": "k = 2.02, about 95 %; 13:55, 48 readings",
                        },
                        {
                            "kind": "result",
                            "label": "as left",
                            "value": "(+0.412 ± 0.049) ppb",
                            "also": "(+0.36970 ± 0.00049) Hz at 10 MHz",
                            "verdict": "inside the tolerance of ±5 ppb",
                            "detail": "k = 2.02, about 95 %; 14:03, 48 readings",
                        },
                        {"kind": "figure", "chart": "visit"},
                    ),
                    _section(
                        "cautions",
                        "Cautions",
                        _text("The covers were off: mains inside.", "warning"),
                        _text("The counter ran on its own time base.", "warning"),
                    ),
                    _section(
                        "statements",
                        "",
                        _text("This report is not issued under an accreditation.", "quiet"),
                    ),
                ],
            },
            {
                "name": "bench",
                "title": "Bench pages",
                "sections": [
                    _section("warm-up", "Warm-up", {"kind": "figure", "chart": "warm-up"}),
                    _section("stability", "Stability", {"kind": "figure", "chart": "stability"}),
                    _section("budget as found", "Budget as found", *budget),
                    _section("budget as left", "Budget as left", *budget),
                    _section(
                        "notes",
                        "Notes",
                        _table(["time", "note"], [["13:50", "covers on"], ["13:58", "tool on"]]),
                    ),
                    _section("readings", "Readings", _text("a1b2" * 16, "quiet")),
                ],
            },
        ],
        "charts": {
            "visit": made_chart("visit", "wide"),
            "warm-up": made_chart("warm-up"),
            "stability": made_chart("stability"),
        },
        "results": [
            _result("as found", "+36.970", "outside", "outside the tolerance of ±5 ppb"),
            _result("as left", "+0.412", "inside", "inside the tolerance of ±5 ppb"),
        ],
        "checks": [],
        "stability": {},
        "history": [],
        "conditions": [["air", "23 °C", "13:50"]],
        "notes": [["13:50", "covers on"], ["13:58", "tool on"]],
        "cautions": {
            "safety": ["The covers were off: mains inside."],
            "measurement": ["The counter ran on its own time base."],
        },
        "readings": {"sha256": "a1b2" * 16, "count": "4100", "runs": ["run 7"]},
        "register": {"chain": "c0ffee", "head": "d00d" * 16, "entry": "22"},
    }


def hostile_document() -> dict[str, Any]:
    """Return the document of a visit with hostile texts wherever people write."""
    document = copy.deepcopy(made_document())
    customer, bench = document["pages"]
    customer["sections"][0]["blocks"][0]["rows"] += [["owner", text] for text in HOSTILE_TEXTS]
    customer["sections"][2]["blocks"] += [_text(text, "warning") for text in HOSTILE_TEXTS]
    bench["sections"].append(
        _section(
            "remarks", "Remarks", _table(["time", "text"], [["9:00", t] for t in HOSTILE_TEXTS])
        )
    )
    document["unit"]["description"] = HOSTILE_TEXTS[0]
    document["laboratory"]["name"] = HOSTILE_TEXTS[1]
    document["customer"]["name"] = HOSTILE_TEXTS[3]
    document["notes"] += [["9:00", text] for text in HOSTILE_TEXTS]
    document["results"][0]["caution"] = HOSTILE_TEXTS[7]
    document["results"][0]["conditions"] = [[text, text] for text in HOSTILE_TEXTS]
    document["issue"]["identification"] = 'x"; } </style><b>#y / issue 1'
    return document
