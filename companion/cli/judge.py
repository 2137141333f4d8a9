"""`companion check`: every fault of set lists, and advice."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from companion.cli import exits
from companion.setlist.advice import advise
from companion.setlist.faults import SetListError
from companion.setlist.reading import read_with_places


def check(set_files: tuple[Path, ...], as_json: bool) -> None:
    """Print faults on standard error and advice on standard output; status 1 on any fault."""
    reports: list[dict[str, Any]] = []
    faulty = False
    for path in set_files:
        report: dict[str, Any] = {"file": str(path), "faults": [], "advice": []}
        reports.append(report)
        try:
            setlist, places = read_with_places(path)
        except SetListError as error:
            faulty = True
            for fault in error.faults:
                report["faults"].append(
                    {
                        "line": fault.line,
                        "column": fault.column,
                        "wrong": fault.wrong,
                        "right": fault.right,
                    }
                )
                if not as_json:
                    click.echo(fault.render(error.path), err=True)
            continue
        songs, parts = len(setlist.songs), len(setlist.parts)
        if not as_json:
            click.echo(f"{path}: no faults; {songs} songs, {parts} parts")
        for advice in advise(setlist, places):
            report["advice"].append(
                {"line": advice.line, "column": advice.column, "text": advice.text}
            )
            if not as_json:
                click.echo(advice.render(path))
    if as_json:
        click.echo(json.dumps({"version": 1, "files": reports}, ensure_ascii=False))
    if faulty:
        raise click.exceptions.Exit(exits.FAULT)
