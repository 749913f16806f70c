"""``benchwatch schema``: prints the JSON schemas of files and lines."""

import json

import click

from benchwatch.commands.common.output import print_json, print_text
from benchwatch.commands.common.schema_list import SCHEMA_TITLES, schema_of
from benchwatch.report.blocks import align_table


@click.command()
@click.argument("name", required=False, type=click.Choice(tuple(SCHEMA_TITLES)))
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="Without NAME: a line a schema.",
)
def schema(*, name: str | None, as_json: bool) -> None:
    """Print the JSON schema NAME (draft 2020-12); without NAME list what there is.

    lines describes each line that watch, replay, export and stability write with --json. The
    others describe files, for editors that complete and check them.
    """
    if name is None:
        if as_json:
            for known, title in SCHEMA_TITLES.items():
                print_json({"kind": "schema", "name": known, "title": title})
            return
        rows = [[f"benchwatch schema {known}", title] for known, title in SCHEMA_TITLES.items()]
        print_text(align_table(("type", "to print the schema of"), rows))
        return
    print_text(json.dumps(schema_of(name), indent=2))
