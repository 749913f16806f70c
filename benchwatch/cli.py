"""The command line: which commands there are, and how their errors become exit codes.

A command is loaded when it is used, so that ``--version`` need not wait for the screen.
"""

import importlib
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Final, NoReturn

import click

from benchwatch.errors import INTERRUPTED, BenchwatchError, FileError

COMMANDS: Final = {
    "watch": "Watch frequency counters live.",
    "find": "List instruments and the driver that fits.",
    "drivers": "List drivers, show one, try one on a counter.",
    "bench": "Write or check a bench file.",
    "doctor": "Say what is missing on this computer, and what to do.",
    "replay": "Put a recorded file through the same estimate.",
    "stability": "Write the Allan family of a recorded file.",
    "budget": "Write the uncertainty budget of a recorded file.",
    "compare": "Compare counters that were watched together.",
    "elsewhere": "Say what an offset becomes at other frequencies.",
    "ageing": "Fit dated offsets and say when the next visit is due.",
    "simulate": "Serve a simulated bench until interrupted.",
}
"""Name and one line of help of each command; benchwatch/commands/NAME.py holds it."""


class LazyGroup(click.Group):
    """A group whose commands are imported when they are asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Return the names in the order in which a newcomer meets them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import and return the command `cmd_name`."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"benchwatch.commands.{cmd_name}")
        command = getattr(module, cmd_name)
        assert isinstance(command, click.Command)
        return command

    def invoke(self, ctx: click.Context) -> object:
        """Run the command; that whoever read our lines has had enough is no failure."""
        try:
            code = super().invoke(ctx)
            sys.stdout.flush()
        except BrokenPipeError:
            # What is still buffered must go somewhere, or the interpreter complains at exit.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return 0
        return code

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the commands without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


def _print_version(ctx: click.Context, _param: click.Parameter, asked: bool) -> None:
    if not asked or ctx.resilient_parsing:
        return
    from importlib.metadata import version  # noqa: PLC0415 - only here, and not for free

    click.echo(f"benchwatch {version('benchwatch')}")
    ctx.exit()


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=_print_version,
    help="Show the version and exit.",
)
def cli() -> None:
    """Watch a bench frequency counter while you turn an oscillator's trimmer.

    Standard output is data, standard error is narration. Exit codes: 0 done, 1 not settled
    in the time given, 2 usage, 3 no connection, 4 lost connection or no readings, 5 bad
    file, 130 interrupted.
    """


def run(arguments: Sequence[str] | None = None) -> int:
    """Run a command line (that of the process when None) and return its exit code."""
    try:
        code = cli.main(args=arguments, prog_name="benchwatch", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except BenchwatchError as error:
        _say(f"benchwatch: {error}")
        return error.exit_code
    except (KeyboardInterrupt, click.Abort):
        return INTERRUPTED
    return code if isinstance(code, int) else 0


def _say(text: str) -> None:
    """Write to standard error; a closed one is no reason to fail."""
    try:
        print(text, file=sys.stderr, flush=True)
    except OSError:
        return


def _has_streams() -> bool:
    """Find out whether standard output is open; put a sink where standard error was closed.

    Both are None when the shell closed them: print() would then write narration among the
    data, and the next file to be opened, such as the journal, would get the number of the
    stream and whatever a library writes to it.
    """
    while (sink := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass
    os.close(sink)
    if sys.stderr is None:
        sys.stderr = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - for the process
    if sys.stdout is None:
        _say("benchwatch: standard output is closed. Send it to a file, a pipe or /dev/null.")
        return False
    return True


def main() -> NoReturn:
    """Run the command line of this process."""
    if not _has_streams():
        sys.exit(FileError.exit_code)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    sys.exit(run())


if __name__ == "__main__":
    main()
