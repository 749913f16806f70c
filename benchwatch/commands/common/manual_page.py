"""The manual page of the program, made from the help of its commands, in the language of ``man``.

The macros are those of man(7) as groff_man(7) describes them; characters are escaped as
groff_char(7) says, so that options can be copied from the page.
"""

import re
from collections.abc import Iterator
from inspect import cleandoc
from typing import Final

import click

from benchwatch.configuration import CONFIG_VARIABLE, variable_of
from benchwatch.configuration.configuration_keys import SETTINGS

EXIT_CODES: Final = (
    (0, "done"),
    (1, "not settled in the time given"),
    (2, "usage"),
    (3, "no connection"),
    (4, "lost connection or no readings"),
    (5, "bad file"),
    (130, "interrupted"),
)
"""Exit codes and their meanings, in the words of the help."""
ENVIRONMENT: Final = (
    *(
        (variable_of(name), f"{key.explanation[:1].upper()}{key.explanation[1:]}.")
        for name, key in SETTINGS.items()
    ),
    (CONFIG_VARIABLE, "Another configuration file."),
    ("NO_COLOR", "If set and not empty, no colour is chosen, unless a theme is asked for."),
    ("FORCE_COLOR", "If set and not empty, colours are used in spite of NO_COLOR."),
    ("TERM", "dumb: the terminal gets a line a reading instead of the screen."),
    ("BENCHWATCH_SIGN_PASSWORD", "The password of the secret key of report --sign."),
)
"""Environment variables and their meanings."""
FILES: Final = (
    ("$XDG_CONFIG_HOME/benchwatch/config.toml", "Your settings; benchwatch config names the file."),
    ("$XDG_CONFIG_HOME/benchwatch/profiles/*.toml", "Your own profiles of counters."),
    ("$XDG_CONFIG_HOME/benchwatch/lab.toml", "What reports state of the laboratory."),
    ("$XDG_DATA_HOME/benchwatch/journal.db", "The journal, which holds every reading."),
    ("$XDG_DATA_HOME/benchwatch/register.db", "The register of units and visits."),
    ("$XDG_STATE_HOME/benchwatch/screen.log", "Details of crashes of the screen."),
)
"""Files and what they hold, where they lie on Linux (the XDG Base Directory Specification)."""
EXAMPLES: Final = (
    ("Watch a simulated bench:", "benchwatch watch --sim"),
    (
        "Watch a counter, with a tolerance:",
        "benchwatch watch TCPIP0::192.168.1.20::5025::SOCKET --tolerance 1ppb",
    ),
    ("Say how stable a recorded run is:", "benchwatch stability run.csv"),
    ("Write the report on a visit:", "benchwatch report 12 --out report.pdf"),
)
"""What each example does, and its command line."""
_ESCAPES: Final = {
    "\\": r"\(rs", "-": r"\-", "~": r"\(ti", "^": r"\(ha", "`": r"\(ga", "'": r"\(aq", '"': r"\(dq",
}  # fmt: skip
_OPTION: Final = re.compile(r"(?<![\w-])--?[a-z][a-z-]*")


def manual_page(program: click.Group) -> str:
    """Return the manual page of a program and of all its commands.

    Args:
        program: the group of all commands; their help is loaded.
    """
    context = click.Context(program, info_name="benchwatch")
    lines = [
        '.TH BENCHWATCH 1 "" Benchwatch "User Commands"',
        ".nh",  # no word is split, and lines end ragged, so that what is typed can be copied
        ".ad l",
        ".SH NAME",
        rf"benchwatch \- {_text(_first_sentence(program))}",
        ".SH SYNOPSIS",
        r"\fBbenchwatch\fR \fICOMMAND\fR [\fIoption\fR ...] [\fIargument\fR ...]",
        ".SH DESCRIPTION",
        *_help(program),
        *_options(program),
        ".SH COMMANDS",
    ]
    for name in program.list_commands(context):
        command = program.get_command(context, name)
        if command is not None and not command.hidden:
            lines += _command(f"benchwatch {name}", command)
    lines += [".SH EXIT STATUS", *_terms((str(code), text) for code, text in EXIT_CODES)]
    lines += [".SH ENVIRONMENT", *_terms(ENVIRONMENT)]
    lines += [".SH FILES", *_terms(FILES)]
    lines += [".SH EXAMPLES"]
    for place, (about, typed) in enumerate(EXAMPLES):
        lines += [".PP"] * bool(place)
        lines += [_text(about), ".PP", ".RS 4", ".nf", _text(typed), ".fi", ".RE"]
    return "\n".join(lines) + "\n"


def _command(words: str, command: click.Command) -> Iterator[str]:
    """Write a command and those below it."""
    if not isinstance(command, click.Group) or command.invoke_without_command:
        arguments = [one for one in command.params if isinstance(one, click.Argument)]
        shown = " ".join((words, *map(_argument, arguments)))
        yield f'.SS "{_text(shown)}"'
        yield from _help(command)
        yield from _options(command)
    if isinstance(command, click.Group):
        for name, part in command.commands.items():
            if not part.hidden:
                yield from _command(f"{words} {name}", part)


def _help(command: click.Command) -> Iterator[str]:
    """Write the paragraphs of a command's help; one that begins with a form mark as it stands."""
    for place, paragraph in enumerate(re.split(r"\n\s*\n", cleandoc(command.help or ""))):
        rows = paragraph.splitlines()
        if place:
            yield ".PP"
        if rows and rows[0] == "\b":
            yield from (".nf", *map(_text, rows[1:]), ".fi")
        else:
            yield _running(" ".join(rows))


def _options(command: click.Command) -> Iterator[str]:
    """Write the options of a command, each with its help."""
    for option in command.params:
        if isinstance(option, click.Option) and not option.hidden:
            names = [rf"\fB{_text(name)}\fR" for name in (*option.opts, *option.secondary_opts)]
            value = _value(option)
            yield ".TP"
            yield ", ".join(names) + (rf" \fI{_text(value)}\fR" if value else "")
            yield _running(option.help or "")


def _value(option: click.Option) -> str:
    """Return what stands for the value of an option; empty: it has none."""
    if option.is_flag or option.count:
        return ""
    return option.metavar or _kind(option)


def _argument(argument: click.Argument) -> str:
    """Return what stands for an argument in the synopsis."""
    name = argument.metavar or _kind(argument)
    if argument.metavar is None and not argument.required:
        name = f"[{name}]"
    return name if argument.nargs == 1 or name.endswith("...") else f"{name}..."


def _kind(parameter: click.Parameter) -> str:
    """Return the kind of a parameter's value in capitals, or its choices."""
    if isinstance(parameter.type, click.Choice):
        return "|".join(map(str, parameter.type.choices))
    if isinstance(parameter, click.Argument):
        return (parameter.name or "").upper()
    kinds = {click.types.IntParamType: "NUMBER", click.types.FloatParamType: "NUMBER"}
    for kind, name in kinds.items():
        if isinstance(parameter.type, kind):
            return name
    return parameter.type.name.upper()


def _terms(terms: "Iterator[tuple[str, str]] | tuple[tuple[str, str], ...]") -> Iterator[str]:
    """Write terms, each with what it means."""
    for term, meaning in terms:
        yield from (".TP", rf"\fB{_text(term)}\fR", _running(meaning))


def _first_sentence(command: click.Command) -> str:
    """Return the first sentence of a command's help, as it goes on after its name."""
    first = cleandoc(command.help or "").split("\n\n")[0].replace("\n", " ").rstrip(".")
    return first[:1].lower() + first[1:]


def _running(text: str) -> str:
    """Return a paragraph on one line, with options in bold."""
    parts, end = [], 0
    for found in _OPTION.finditer(text):
        parts += [_text(text[end : found.start()]), rf"\fB{_text(found.group())}\fR"]
        end = found.end()
    parts.append(_text(text[end:]))
    return _no_request("".join(parts))


def _text(text: str) -> str:
    """Return text in which nothing is a request or an escape of ``man``."""
    written = "".join(
        _ESCAPES.get(char, char if char.isascii() else rf"\[u{ord(char):04X}]") for char in text
    )
    return _no_request(written)


def _no_request(line: str) -> str:
    """Keep a line that begins with a point from being a request."""
    return rf"\&{line}" if line.startswith((".", "'")) else line
