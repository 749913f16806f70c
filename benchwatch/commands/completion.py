"""``benchwatch completion``: prints the script by which a shell completes words of this program."""

import click
from click.shell_completion import get_completion_class

from benchwatch.commands.common.output import print_text

SHELLS = ("bash", "zsh", "fish")
PROGRAM, VARIABLE = "benchwatch", "_BENCHWATCH_COMPLETE"
"""Name of the program, and the variable by which the script asks it for words."""


@click.command()
@click.argument("shell", type=click.Choice(SHELLS))
@click.pass_context
def completion(ctx: click.Context, shell: str) -> None:
    """Print the script that lets SHELL complete commands, options, runs, drivers and benches.

    Install it once: in bash and zsh add the line eval "$(benchwatch completion SHELL)" to
    ~/.bashrc (after compinit, to ~/.zshrc), in fish write it to
    ~/.config/fish/completions/benchwatch.fish.
    """
    of_shell = get_completion_class(shell)
    assert of_shell is not None
    print_text(of_shell(ctx.find_root().command, {}, PROGRAM, VARIABLE).source())
