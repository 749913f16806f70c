"""``benchwatch manual``: shows the manual page, or prints it for ``man``."""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import click

from benchwatch.commands.common.manual_page import manual_page
from benchwatch.commands.common.output import print_text


@click.command()
@click.pass_context
def manual(ctx: click.Context) -> int:
    """Show the manual page, all commands and options on one page.

    On a terminal it is shown by man, where there is one. Elsewhere it is printed in the language
    of man: benchwatch manual > benchwatch.1 writes a file for a folder of manual pages.
    """
    program = ctx.find_root().command
    assert isinstance(program, click.Group)
    text = manual_page(program)
    viewer = shutil.which("man") if sys.stdout.isatty() else None
    if viewer is None:
        print_text(text.rstrip("\n"))
        return 0
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "benchwatch.1"
        page.write_text(text, encoding="ascii")
        return subprocess.run([viewer, str(page)], check=False).returncode  # noqa: S603 - our own page
