"""`companion schema`: the JSON Schema of the set list, for editors."""

from __future__ import annotations

import json
from pathlib import Path

import click

from companion.cli.exits import Refused
from companion.setlist.forms import schema


def print_schema(file: Path | None) -> None:
    """Print it, or replace `file` with it. Raises Refused where that cannot be written."""
    text = json.dumps(schema(), indent=2, ensure_ascii=False)
    if file is None:
        click.echo(text.encode())
        return
    try:
        file.write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        raise Refused(f"{file}: {error.strerror or error}") from error
    click.echo(f"{file} is the schema; in an editor, name it for your set lists", err=True)
