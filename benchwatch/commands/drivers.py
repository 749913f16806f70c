"""``benchwatch drivers``: lists the drivers, shows one, and checks one on a counter."""

import inspect
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import click

from benchwatch.bus import Buses
from benchwatch.bus.plain_address import understood_resource
from benchwatch.commands.common.completed_words import DRIVERS_OR_FILES
from benchwatch.commands.common.discovery_options import backend_option
from benchwatch.commands.common.output import (
    narrate,
    print_json,
    print_text,
    refuse_existing,
    write_file,
)
from benchwatch.conformance import Check, Examination, Findings, profile_draft
from benchwatch.counter import DEFAULT_DRIVER, Counter, Link
from benchwatch.driver_registry import DriverInfo, driver, own_profiles
from benchwatch.driver_registry import drivers as installed
from benchwatch.errors import (
    DriverError,
    FileError,
    NoReadings,
)
from benchwatch.quantity import printable
from benchwatch.report.blocks import align_table
from benchwatch.system.file_names import home_path


@click.group(invoke_without_command=True)
@click.option("--json", "as_json", is_flag=True, help="A line a driver, for programs.")
@click.pass_context
def drivers(ctx: click.Context, as_json: bool) -> int:
    """List the drivers, show one, or try one on a counter."""
    if ctx.invoked_subcommand is not None:
        return 0
    registry = installed()
    rows = [_row(info) for info in registry.found.values()]
    if as_json:
        for row in rows:
            print_json({"kind": "driver", **row})
    else:
        cells = [[row["name"], row["about"] or "can't be used", row["origin"]] for row in rows]
        print_text(align_table(("driver", "for", "from"), cells))
    for trouble in [*registry.troubles, *(row["trouble"] for row in rows)]:
        if trouble:
            narrate(trouble)
    narrate(f"profiles of your own: {own_profiles()}")
    return 0


@drivers.command()
@click.argument("name", shell_complete=DRIVERS_OR_FILES)
@click.option("--json", "as_json", is_flag=True, help="One line, for programs.")
def show(*, name: str, as_json: bool) -> int:
    """Print the profile of a driver, or what its module says of itself.

    NAME may also be the file of a profile, NAME.toml.
    """
    text, file = _description(name)
    if as_json:
        print_json({"kind": "driver", "name": name, "file": file, "text": text})
    else:
        print_text(_printable_lines(text if file is None else f"# {file}\n{text}"))
    return 0


def _description(name: str) -> tuple[str, str | None]:
    """Return the text of a profile and its path, or what a driver's module says of itself."""
    loaded = driver(name)
    info = installed().found.get(name)
    source = home_path(name) if info is None else info.source
    if isinstance(source, Path):
        try:
            return source.read_text("utf-8").rstrip(), str(source)
        except (OSError, UnicodeDecodeError) as error:
            raise FileError(f"the profile {source} can't be read: {error}.") from error
    docs = [inspect.getdoc(inspect.getmodule(loaded)), inspect.getdoc(loaded)]
    return "\n\n".join(text for text in docs if text) or f"{name} says nothing of itself.", None


@drivers.command()
@click.argument("resource")
@click.option(
    "--driver",
    "name",
    default=DEFAULT_DRIVER,
    show_default=True,
    shell_complete=DRIVERS_OR_FILES,
    help="The dialect to try.",
)
@click.option("--readings", type=click.IntRange(1, 1000), default=8, show_default=True)
@click.option("--draft", type=click.Path(path_type=Path), help="Write a profile to this file.")
@click.option("--force", is_flag=True, help="Write it over a file that exists.")
@backend_option
@click.option("--json", "as_json", is_flag=True, help="A line a check, for programs.")
def check(
    *,
    resource: str,
    name: str,
    readings: int,
    draft: Path | None,
    force: bool,
    backend: str,
    as_json: bool,
) -> int:
    """Find out what the counter at RESOURCE answers.

    How its readings come is found out too. Only questions are sent; nothing is set. Each line
    says what was found: yes, no, or that the counter can't tell, which is no fault.
    """
    if draft is not None:
        refuse_existing(draft, force=force)
    make, resource = driver(name), understood_resource(resource)
    findings = _examine(
        resource, make, readings, partial(Buses().open_link, backend=backend), as_json
    )
    if as_json:
        print_json(_end_values(findings))
    if draft is not None:
        _write_draft(draft, findings)
    error = findings.error
    if error is not None:
        return error.exit_code
    return 0 if findings.values else NoReadings.exit_code


def _examine(
    resource: str,
    make: Callable[[Link], Counter],
    readings: int,
    open_link: Callable[[str], Link],
    as_json: bool,
) -> Findings:
    """Examine the counter at `resource`, and print each check as it is done."""
    narrate(f"asking {printable(resource, 200)}")
    link = open_link(resource)
    try:
        examination = Examination(link, make, readings=readings)
        for found in examination:
            _print_check(found, as_json=as_json)
            if found.name == "gate":
                narrate(f"taking {readings} readings")
        return examination.findings
    finally:
        link.close()


def _print_check(found: Check, *, as_json: bool) -> None:
    if as_json:
        print_json({"kind": "check", "name": found.name, "good": found.good, "says": found.says})
        return
    word = {True: "yes", False: "NO", None: "-"}[found.good]
    print_text(f"{found.name:<12} {word:<4} {printable(found.says, 400)}")


def _end_values(findings: Findings) -> dict[str, Any]:
    return {
        "kind": "end",
        "resource": findings.resource,
        "identity": None if findings.identity is None else findings.identity.text,
        "gate_s": findings.gate_s,
        "time_base": findings.time_base.source,
        "readings_hz": [float(value) for value in findings.values],
        "took_s": [taken.took_s for taken in findings.taken],
        "error": None if findings.error is None else str(findings.error),
    }


def _write_draft(path: Path, findings: Findings) -> None:
    """Write the draft of a profile, and narrate what it still lacks."""
    text = profile_draft(findings)
    made = datetime.now(UTC).date().isoformat()
    write_file(path, f"# {printable(findings.resource)}, {made}\n{text}")
    fault = _fault_of(path)
    if fault:
        narrate(f"edit it before it is used: {fault}")


def _fault_of(path: Path) -> str:
    """Return why the profile at `path` can't be used yet; empty if it can."""
    from benchwatch_drivers.profile.profile_file import read_profile  # noqa: PLC0415 - only for a draft

    try:
        read_profile(path)
    except DriverError as error:
        return str(error)
    return ""


def _row(info: DriverInfo) -> dict[str, Any]:
    """Return the values of a driver for JSON and for the table."""
    trouble = about = ""
    try:
        about = info.about(info.load())
    except DriverError as error:
        trouble = str(error)
    own = isinstance(info.source, Path) and not info.bundled
    return {
        "name": info.name,
        "about": about,
        "origin": info.origin if own else f"package {info.origin}",
        "kind_of_driver": info.kind,
        "bundled": info.bundled,
        "file": str(info.source) if isinstance(info.source, Path) else None,
        "trouble": trouble,
    }


def _printable_lines(text: str) -> str:
    return "\n".join(printable(line, 500) for line in text.splitlines())
