"""The command line: finds the command, and writes errors as sentences with exit codes.

A command is imported when it is used, so that ``--version`` does not wait for imports.
"""

import errno
import gc
import importlib
import io
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TextIO

import click

from benchwatch.commands import COMMANDS
from benchwatch.errors import INTERRUPTED, BenchwatchError, FileError
from benchwatch.system.closed_pipe import is_closed_pipe
from benchwatch.system.plain_text import ERRORS

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

COMPLETION_VARIABLE = "_BENCHWATCH_COMPLETE"
"""The environment variable by which a shell asks for the completions of a word."""


class LazyGroup(click.Group):
    """A group of commands, each imported when it is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Return the names of all commands."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import and return the command `cmd_name`."""
        if cmd_name not in COMMANDS:
            return None
        if COMPLETION_VARIABLE in os.environ:
            from benchwatch.commands.common.command_outline import (  # noqa: PLC0415 - only for completion
                outlined_command,
            )

            outlined = outlined_command(cmd_name)
            if outlined is not None:
                return outlined
        module = importlib.import_module(f"benchwatch.commands.{cmd_name}")
        if not gc.isenabled():  # turned off by `main`
            gc.freeze()
            gc.enable()
        command = getattr(module, cmd_name)
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; a mistyped name is answered with the nearest ones."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            from difflib import get_close_matches  # noqa: PLC0415 - only after a mistake

            near = get_close_matches(args[0].lower(), COMMANDS, n=3)
            if not near:
                raise
            named = " or ".join(f"'{one}'" for one in near)
            said = f"{error.message.rstrip('.')}. Did you mean {named}?"
            raise click.UsageError(said, ctx) from error

    def shell_complete(self, ctx: click.Context, incomplete: str) -> "list[CompletionItem]":
        """Return the completions of a word, without importing any command."""
        from click.shell_completion import CompletionItem  # noqa: PLC0415 - only for completion

        commands = [
            CompletionItem(name, help=text)
            for name, text in COMMANDS.items()
            if name.startswith(incomplete)
        ]
        return [*commands, *click.Command.shell_complete(self, ctx, incomplete)]

    def make_context(
        self,
        info_name: str | None,
        args: list[str],
        parent: click.Context | None = None,
        **extra: Any,
    ) -> click.Context:
        """Parse the command line; ``--help`` is written here."""
        with _closed_pipe_exits():
            words = tuple(args)  # the parser empties the list
            context = super().make_context(info_name, args, parent, **extra)
            from benchwatch.commands.common.typed_command import (  # noqa: PLC0415 - not for the help
                keep_typed,
            )

            keep_typed(context, words)
            return context

    def invoke(self, ctx: click.Context) -> object:
        """Run the command."""
        with _closed_pipe_exits():
            return super().invoke(ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the commands without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


def _print_version(ctx: click.Context, _param: click.Parameter, asked: bool) -> None:
    if not asked or ctx.resilient_parsing:
        return
    from importlib.metadata import version  # noqa: PLC0415 - slow to import, and used only here

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
    """Run a command line (None: that of the process) and return its exit code."""
    try:
        code = cli.main(args=arguments, prog_name="benchwatch", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except BenchwatchError as error:
        _write_error(f"benchwatch: {error}")
        return error.exit_code
    except (KeyboardInterrupt, click.Abort):
        return INTERRUPTED
    except OSError as error:
        if error.errno != errno.ENAMETOOLONG:
            raise
        from benchwatch.quantity import printable  # noqa: PLC0415 - hardly ever needed

        name = printable(str(error.filename or ""), 40)
        _write_error(f"benchwatch: the name of a file is too long for this system: {name}")
        return FileError.exit_code
    return code if isinstance(code, int) else 0


class DataOutput(io.TextIOWrapper):
    """Standard output; an error of writing it is raised as a `FileError` with a sentence."""

    def write(self, text: str) -> int:
        """Write `text`."""
        try:
            return super().write(text)
        except OSError as error:
            raise _unwritten(error) from error

    def flush(self) -> None:
        """Write the buffered text."""
        try:
            super().flush()
        except OSError as error:
            raise _unwritten(error) from error


class NarrationOutput(io.TextIOWrapper):
    """Standard error; an error of writing it is ignored."""

    def write(self, text: str) -> int:
        """Write `text`, if possible."""
        with suppress(OSError):
            super().write(text)
        return len(text)

    def flush(self) -> None:
        """Write the buffered text, if possible."""
        with suppress(OSError):
            super().flush()


def _unwritten(error: OSError) -> OSError | FileError:
    """Return an error of writing as a `FileError`; itself where the reader has closed the pipe."""
    if isinstance(error, BrokenPipeError):
        return error
    if is_closed_pipe(error):
        return BrokenPipeError(error.errno, error.strerror)
    return FileError(
        f"standard output can't be written: {error.strerror}. Send it elsewhere, or make room."
    )


@contextmanager
def _closed_pipe_exits() -> Iterator[None]:
    """Flush standard output on leaving; end with exit code 0 if its reader has closed the pipe.

    Raises:
        click.exceptions.Exit: the reader has closed the pipe.
    """
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError as error:
        _discard(sys.stdout)
        raise click.exceptions.Exit(0) from error


def _discard(stream: TextIO) -> None:
    """Discard the buffered text of `stream`: the interpreter would report an error at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _write_error(text: str) -> None:
    """Write a line to standard error; an error of writing it is ignored."""
    try:
        print(text, file=sys.stderr, flush=True)
    except OSError:
        return


def _has_streams() -> bool:
    """Return whether standard output is open; open the null device for a closed standard error.

    A stream that the shell closed is None. Then print() would write narration among the data,
    and the next file to be opened, such as the journal, would get the stream's file number: all
    that a library writes to the stream would go into that file.
    """
    while (sink := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass
    os.close(sink)
    if sys.stderr is None:
        sink_text = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115 - open until the process ends
        sys.stderr = sys.__stderr__ = sink_text  # type: ignore[misc] # it was closed
    if sys.stdout is None:
        _write_error(
            "benchwatch: standard output is closed. Send it to a file, a pipe or /dev/null."
        )
        return False
    return True


def main() -> NoReturn:
    """Run the command line of this process."""
    if not _has_streams():
        sys.exit(FileError.exit_code)
    # What is imported stays to the end, and searching it for garbage takes a tenth of a start; so
    # garbage is collected once the command is imported, and in newer objects only.
    gc.disable()
    sys.stdout = _rewrapped(DataOutput, sys.stdout)
    sys.stderr = _rewrapped(NarrationOutput, sys.stderr)
    code = run()
    for stream, original in ((sys.stdout, sys.__stdout__), (sys.stderr, sys.__stderr__)):
        try:
            stream.flush()
            if original is not None:
                original.buffer.flush()
        except (OSError, FileError):
            _discard(stream)
    sys.exit(code)


def _rewrapped(kind: type[io.TextIOWrapper], stream: TextIO) -> io.TextIOWrapper:
    """Return a text stream of the class `kind` on the bytes of a standard stream."""
    return kind(
        stream.buffer,
        encoding=stream.encoding,
        errors=ERRORS,
        line_buffering=True if kind is NarrationOutput else stream.isatty(),
        write_through=getattr(stream, "write_through", False),
    )


if __name__ == "__main__":
    main()
