"""Every option has a word of help, and stands in the README's row of its command."""

from __future__ import annotations

from pathlib import Path

import click
import pytest

from companion.cli.main import cli

README = (Path(__file__).parent.parent.parent / "README.md").read_text("utf-8")
ROWS = [line for line in README.splitlines() if line.startswith("| `companion ")]
# One sentence below the table is for all commands that have it.
COMMON = {"--json"}


def options(command: str) -> list[click.Option]:
    found = [each for each in cli.commands[command].params if isinstance(each, click.Option)]
    return [each for each in found if not each.hidden]


@pytest.mark.parametrize("command", sorted(cli.commands))
def test_the_readme_tells_each_option(command: str) -> None:
    (row,) = [row for row in ROWS if f"`companion {command}" in row.split("|")[1]]
    for option in options(command):
        assert COMMON & set(option.opts) or any(
            f"`{name}" in row or f" {name} " in row for name in option.opts
        ), option.opts


@pytest.mark.parametrize("command", sorted(cli.commands))
def test_each_option_has_help(command: str) -> None:
    assert all(option.help for option in options(command))
