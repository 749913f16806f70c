"""``benchwatch report``: writes the report on a visit, issues it, and verifies what was issued."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from benchwatch.central_record.run_place import RunPlace
from benchwatch.clock import dated_minute
from benchwatch.commands.common.command_with_parts import CommandWithParts
from benchwatch.commands.common.completed_words import FILES, VISITS_OR_VERIFY
from benchwatch.commands.common.journal_places import JournalPlace
from benchwatch.commands.common.output import print_json, print_text
from benchwatch.commands.common.progress import progress
from benchwatch.commands.common.register_options import (
    chosen_register,
    chosen_visit,
    journal_beside_option,
    json_option,
    refuse_options_before,
    register_options,
)
from benchwatch.commands.common.report_files import (
    issue,
    report_request,
    show,
    verified_values,
    write_draft,
    write_keys,
    write_laboratory_file,
)
from benchwatch.errors import UsageError
from benchwatch.report.forms.form_list import FORMS
from benchwatch.report.whole_file import shown_path

if TYPE_CHECKING:
    from benchwatch.report.contents.report_source import ReportPages

USUAL_FILE: Final = "usual file"
"""Value of ``--init`` without a file."""
NOT_SOUND: Final = 1
"""Exit code of ``verify`` where the file is not as issued, or what is behind it has changed."""


@click.group(cls=CommandWithParts)
@click.argument("visit", required=False, shell_complete=VISITS_OR_VERIFY)
@click.option(
    "--out",
    "outs",
    multiple=True,
    type=click.Path(path_type=Path),
    help=f"Issue it in this file; the ending says the form: {', '.join(FORMS)}. "
    "May be given several times. In a folder the file gets a name of its own.",
)
@click.option(
    "--page",
    type=click.Choice(("all", "customer")),
    default="all",
    show_default=True,
    help="All pages, or the customer's page alone.",
)
@click.option("--draft", is_flag=True, help="With --out: don't issue it; every page says DRAFT.")
@click.option("--open", "opens", is_flag=True, help="Show it; without --out as a draft.")
@click.option("--reason", default="", help="Why another issue is made, in words.")
@click.option(
    "--forecast", is_flag=True, help="With a forecast of its ageing, where the customer agreed."
)
@click.option(
    "--lab",
    type=click.Path(path_type=Path),
    help="The laboratory file; that of --init if left out.",
)
@click.option(
    "--sign",
    "key_file",
    type=click.Path(path_type=Path),
    help="Sign what is issued with this secret key, into a file of its own beside it.",
)
@click.option(
    "--init",
    metavar="[FILE]",
    is_flag=False,
    flag_value=USUAL_FILE,
    help="Write a laboratory file with all keys explained, and end.",
)
@click.option(
    "--make-keys",
    type=click.Path(path_type=Path),
    help="Make a secret key for --sign in this file and the public one in FILE.pub, and end.",
)
@register_options
@click.pass_context
def report(
    context: click.Context,
    *,
    visit: str | None = None,
    outs: tuple[Path, ...],
    page: "ReportPages",
    draft: bool,
    opens: bool,
    reason: str,
    forecast: bool,
    lab: Path | None,
    key_file: Path | None,
    init: str | None,
    make_keys: Path | None,
    journal: JournalPlace | None,
    sim: bool,
    as_json: bool,
) -> None:
    """Write the report on VISIT: for whoever brought the unit, then for the bench.

    Without --out it is a draft on standard output (--json: the document itself). With --out it is
    issued: the file has the number of the issue, and the register keeps what it rests on. The same
    again is the same issue; after a change it is the next one, which names the one before, what has
    changed and why.
    """
    if context.invoked_subcommand is not None:
        refuse_options_before(context)
        return
    if init is not None:
        write_laboratory_file(None if init == USUAL_FILE else Path(init))
        return
    if make_keys is not None:
        write_keys(make_keys)
        return
    if visit is None:
        same = "" if journal is None else " with the same --journal"
        raise UsageError(
            f"which visit? benchwatch visits{same} lists them; then: benchwatch report 12{same}."
        )
    issues = bool(outs) and not draft
    if draft and not outs:
        raise UsageError("without --out it is a draft anyway: leave --draft out, or add --out.")
    if not issues:
        _refuse_for_draft({"--reason": reason, "--sign": key_file})
    if issues and isinstance(journal, RunPlace):
        raise UsageError(
            f"the central record {journal.shown} is only read, and an issue is put into the "
            "register: issue it at the station. As a draft, with --draft, it can be made here."
        )
    register, number = chosen_visit(visit, journal, sim=sim)
    request = report_request(register, number, lab=lab, pages=page, forecast=forecast)
    written = (
        issue(request, outs, reason=reason, key_file=key_file, as_json=as_json)
        if issues
        else write_draft(request, outs, opens=opens, as_json=as_json)
    )
    if opens and written is not None:
        show(written)


def _refuse_for_draft(typed: Mapping[str, object]) -> None:
    """Refuse options that do nothing for a draft.

    Raises:
        UsageError: one of them was typed.
    """
    for option, value in typed.items():
        if value:
            raise UsageError(f"{option} is for a report that is issued: give --out FILE as well.")


@report.command()
@click.argument("file", type=click.Path(path_type=Path), shell_complete=FILES)
@click.option(
    "--public-key",
    type=click.Path(path_type=Path),
    help="Check the signature beside FILE by the laboratory's public key.",
)
@journal_beside_option
@json_option
def verify(
    *, file: Path, public_key: Path | None, journal: JournalPlace | None, as_json: bool
) -> int:
    """Say whether a report and what it rests on are unchanged.

    That is: FILE as it was issued, the entries of the register, the readings in the journals
    beside it. Whether a later issue replaces it is said as well. The exit code is 1 where
    something is wrong.
    """
    from benchwatch.report.issue.verifying import verify_report  # noqa: PLC0415 - slow to load

    registers = [chosen_register(journal, sim=sim) for sim in (False, True)]
    with progress(f"verifying {shown_path(file)}"):
        found = verify_report(file, registers, dated_minute, public_key=public_key)
    if as_json:
        print_json(verified_values(found, file))
    else:
        print_text(f"{shown_path(file)}: {'sound' if found.sound else 'NOT sound'}")
        for one in found.findings:
            print_text(f"  {one.text}")
    return 0 if found.sound else NOT_SOUND
