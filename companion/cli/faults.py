"""Saying the faults of a set list: one line each on standard error."""

from __future__ import annotations

from typing import NoReturn

import click

from companion.cli import exits
from companion.setlist.faults import SetListError


def refuse_faults(error: SetListError) -> NoReturn:
    """Print every fault and end with status 1."""
    for fault in error.faults:
        click.echo(fault.render(error.path), err=True)
    raise click.exceptions.Exit(exits.FAULT)
