"""docs/commands.md, from the commands themselves: `python -m tests.docs.reference` writes it anew.

What a command does, its arguments and options, are in the words of its own --help; so the page
cannot say anything else than the program.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from companion.cautions import CAUTIONS
from companion.cli import exits
from companion.cli.main import cli

PAGE = Path(__file__).parents[2] / "docs" / "commands.md"
HEAD = f"""\
# The commands

Made from the program by `python -m tests.docs.reference`, in the words of each command's `--help`.

Exit status {exits.OK} is done, {exits.FAULT} a fault of the input or the world (one line on
standard error), {exits.USAGE} wrong use, {exits.INTERRUPTED} Ctrl-C. `--json` prints one object on
standard output, in UTF-8 whatever the locale, and nothing on a fault (`check`, `tell` and `doctor`
print theirs all the same); with `--watch` it is one object a line.

| variable | says |
| --- | --- |
| `COMPANION_STATE_DIR` | the folder of the running engine's place and link |
| `COMPANION_DEBUG` | `1`: a traceback in place of one line |
| `JACK_DEFAULT_SERVER` | JACK's own: which of its servers is meant |
"""


def reference() -> str:
    """The page."""
    sections = (_section(f"companion {name}", command) for name, command in _commands(cli))
    cautions = "\n".join(f"- {each}" for each in CAUTIONS)
    return "\n".join([HEAD, *sections, f"## Cautions\n\n{cautions}\n"])


def _commands(group: click.Group, before: str = "") -> Iterator[tuple[str, click.Command]]:
    """Every command that is shown, those of groups after their group."""
    for name, command in sorted(group.commands.items()):
        if command.hidden:
            continue
        yield f"{before}{name}", command
        if isinstance(command, click.Group):
            yield from _commands(command, f"{before}{name} ")


def _section(path: str, command: click.Command) -> str:
    context = click.Context(command, info_name=path)
    words = " ".join(command.collect_usage_pieces(context))
    text = " ".join((command.help or "").replace("\f", "").split("\n\n")[0].split())
    more = [" ".join(each.split()) for each in (command.help or "").split("\n\n")[1:]]
    lines = [f"## {path}", "", f"    {path} {words}", "", text, *_paragraphs(more)]
    options = [
        record
        for parameter in command.get_params(context)
        if isinstance(parameter, click.Option)
        and not parameter.hidden
        and (record := parameter.get_help_record(context)) is not None
        and "--help" not in parameter.opts
    ]
    if options:
        lines += ["", "| option | |", "| --- | --- |"]
        lines += [f"| `{_cell(names)}` | {_cell(help_)} |" for names, help_ in options]
    return "\n".join([*lines, ""])


def _paragraphs(texts: list[str]) -> Iterator[str]:
    for text in texts:
        yield ""
        yield text


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


if __name__ == "__main__":
    PAGE.write_text(reference(), encoding="utf-8")
