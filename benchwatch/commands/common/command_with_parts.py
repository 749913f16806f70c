"""A command with an argument of its own that also has commands below it."""

from typing import Any, Final

import click

_NAMES_A_PART: Final = "benchwatch.names_a_part"


class CommandWithParts(click.Group):
    """A command such as ``report 12``, beside which there is ``report verify FILE``.

    The first word decides: if it is the name of a part, the rest is for that part; otherwise all
    words are for the command itself, in any order, as for one without parts.
    """

    def __init__(self, *arguments: Any, **settings: Any) -> None:
        super().__init__(*arguments, **settings | {"invoke_without_command": True})

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Parse the words of the command itself, or leave them to the part that they name."""
        names_a_part = bool(args) and args[0] in self.commands
        ctx.meta[_NAMES_A_PART] = names_a_part
        if names_a_part:
            return super().parse_args(ctx, args)
        ctx.allow_interspersed_args, ctx.allow_extra_args = True, False
        return click.Command.parse_args(self, ctx, args)

    def get_params(self, ctx: click.Context) -> list[click.Parameter]:
        """Return the options, and the arguments unless the first word names a part."""
        found = super().get_params(ctx)
        if ctx.meta.get(_NAMES_A_PART):
            return [one for one in found if not isinstance(one, click.Argument)]
        return found

    def collect_usage_pieces(self, ctx: click.Context) -> list[str]:
        """Return the words after the command's name in its usage."""
        return click.Command.collect_usage_pieces(self, ctx)

    def format_usage(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write a line for the command itself and one for each part."""
        super().format_usage(ctx, formatter)
        for name, part in self.commands.items():
            with click.Context(part, info_name=name, parent=ctx) as inner:
                pieces = " ".join(part.collect_usage_pieces(inner))
            formatter.write_usage(f"{ctx.command_path} {name}", pieces, prefix=" " * len("Usage: "))
