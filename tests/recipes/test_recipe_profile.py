"""The recipe for a profile, followed in a copy of the program."""

import json
from pathlib import Path

from recipe_kit import ProgramCopy
from socket_kit import answering, serving

PROFILE = """# A counter of the tide house that writes its unit in front.
family = "tide-house counter, unit in front"
mode = "query"

[line]
pattern = 'Hz=(?P<number>\\d{8}\\.\\d{4});'

[reading]
command = "R?"

[[examples]]
line = "Hz=10000000.0231;"
value = "10000000.0231 Hz"
"""
KEY = """        "pattern": ConfigKey(
            kind=PATTERN,
            example=r"'(?P<number>"""
NEW_KEY = f"""        "note": ConfigKey(
            kind=TEXT, example='"worn relay"', explanation="for whoever reads it", field="note"
        ),
{KEY}"""


def test_a_profile_is_one_file(tmp_path: Path) -> None:
    """The profile is listed, shown, and reads lines of its form."""
    copy = ProgramCopy(tmp_path)
    readings = iter(range(10, 100))

    copy.add("drivers/benchwatch_drivers/profiles/tide-house.toml", PROFILE)
    with serving(answering(lambda _: f"Hz=10000000.00{next(readings)};\n".encode())) as bus:
        watch = ["watch", bus.resource, "--driver", "tide-house", "--json", "--count", "2"]
        done = copy.program(*watch, "--no-journal")

    assert len(copy.touched) == 1
    assert "tide-house counter, unit in front" in copy.program("drivers").stdout
    assert copy.program("drivers", "show", "tide-house").stdout.endswith(PROFILE)
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert [line["frequency_hz"] for line in lines[:-1]] == [10000000.001, 10000000.0011]


def test_a_key_of_profiles_is_declared_once(tmp_path: Path) -> None:
    """The key is read into its record, a bad value is refused, and the schema has the key."""
    copy = ProgramCopy(tmp_path)
    mine = tmp_path / "mine.toml"
    mine.write_text(PROFILE.replace("[line]", '[line]\nnote = "worn relay"'))

    copy.edit("drivers/benchwatch_drivers/profile/profile_keys.py", KEY, NEW_KEY)
    copy.edit(
        "drivers/benchwatch_drivers/profile/profile.py",
        "    by_terminator: bool = False\n",
        '    note: str = ""\n    by_terminator: bool = False\n',
    )
    read = "from benchwatch_drivers.profile.profile_file import read_profile\n"
    output = copy.python(f"{read}from pathlib import Path\n"
                       f"print(read_profile(Path({str(mine)!r})).line.note)\n")  # fmt: skip
    schema = copy.python(
        "from benchwatch.config_tables.json_schema import json_schema\n"
        "from benchwatch_drivers.profile.profile_keys import PROFILE\n"
        "print(json_schema(PROFILE, '')['properties']['line']['properties']['note'])\n"
    )
    mine.write_text(PROFILE.replace("[line]", "[line]\nnote = 7"))
    refused = copy.program("drivers", "show", str(mine))

    assert len(copy.touched) <= 2
    assert output == "worn relay\n"
    assert "for whoever reads it" in schema
    assert 'note = "worn relay"' in refused.stderr
