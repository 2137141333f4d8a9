"""`companion check`: every fault of set lists, and advice."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from companion.cli import exits
from companion.setlist.advice import advise
from companion.setlist.clashes import combined
from companion.setlist.faults import Fault, SetListError
from companion.setlist.longcycles import LongCycle, find_long_cycles, folded
from companion.setlist.model import SetList
from companion.setlist.notices import Advice, placed
from companion.setlist.reading import read_controls, read_with_places


def check(set_files: tuple[Path, ...], as_json: bool, controls: Path | None = None) -> None:
    """Print faults on standard error and advice on standard output; status 1 on any fault.

    The file at `controls`, if given, is checked against each set.
    """
    reports: list[dict[str, Any]] = []
    faulty = False
    sets: dict[Path, SetList | None] = {}
    for path in set_files:
        report: dict[str, Any] = {"file": str(path), "faults": [], "advice": []}
        reports.append(report)
        try:
            setlist, places = read_with_places(path)
        except SetListError as error:
            faulty = True
            sets[path] = None
            _tell_faults(error, report, as_json)
        else:
            sets[path] = setlist
            _tell_advice(path, setlist, advise(setlist, places), report, as_json)
            cycles = find_long_cycles(setlist)
            advice = placed((cycle.advice() for cycle in cycles), places)
            report["advice"] += map(_advice_object, advice)
            if cycles and not as_json:
                _tell_cycles(cycles)
    if controls is not None:
        report = {"file": str(controls), "faults": [], "advice": []}
        reports.append(report)
        faulty = not _check_controls(controls, sets, report, as_json) or faulty
    if as_json:
        click.echo(json.dumps({"version": 1, "files": reports}, ensure_ascii=False))
    if faulty:
        raise click.exceptions.Exit(exits.FAULT)


def _check_controls(
    path: Path, sets: dict[Path, SetList | None], report: dict[str, Any], as_json: bool
) -> bool:
    """Tell what is wrong with a file of controls for any of `sets`; whether nothing is."""
    faults: list[Fault] = []
    lines: dict[str, None] = {}
    alone = _own_faults(path)
    for set_file, setlist in sets.items():
        try:
            # A set with faults cannot be asked what it plays.
            found = read_controls(path, setlist)
        except SetListError as error:
            for fault in error.faults:
                its_own = len(sets) > 1 and fault not in alone
                wrong = f"for {set_file}: {fault.wrong}" if its_own else fault.wrong
                faults.append(replace(fault, wrong=wrong))
            continue
        line = f"{path}: no faults; {_many(len(found), 'control')}"
        if setlist is not None:
            own = len(setlist.controls)
            kept = len(combined(found, setlist.controls)) - len(found)
            if kept < own:
                line += f", instead of {own - kept} of {setlist.name}"
        lines[line] = None
    if faults:
        _tell_faults(SetListError(path, faults), report, as_json)
        return False
    if not as_json:
        click.echo("\n".join(lines))
    return True


def _own_faults(path: Path) -> tuple[Fault, ...]:
    try:
        read_controls(path)
    except SetListError as error:
        return error.faults
    return ()


def _tell_faults(error: SetListError, report: dict[str, Any], as_json: bool) -> None:
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


def _tell_advice(
    path: Path, setlist: SetList, found: list[Advice], report: dict[str, Any], as_json: bool
) -> None:
    if not as_json:
        what = [_many(len(setlist.songs), "song"), _many(len(setlist.parts), "part")]
        advised = f"; {_many(len(found), 'piece')} of advice" if found else ""
        click.echo(f"{path}: no faults; {', '.join(what)}{advised}")
    for advice in found:
        report["advice"].append(_advice_object(advice))
        if not as_json:
            click.echo(advice.render(path))


def _advice_object(advice: Advice) -> dict[str, Any]:
    return {
        "line": advice.line,
        "column": advice.column,
        "text": advice.text,
        "notice": advice.notice,
        "better": advice.better,
    }


def _tell_cycles(cycles: list[LongCycle]) -> None:
    # Often meant, so for people it is a few lines to know and not advice, a line for each.
    click.echo(
        "  Longer than their phrase (all but chance; see companion map). "
        "Pattern and phrases come round after:"
    )
    for line in folded(cycles):
        click.echo(f"    {line}")


def _many(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"
