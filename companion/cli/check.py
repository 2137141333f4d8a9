"""`companion check`: every fault of set lists, and advice."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from textwrap import wrap
from typing import Any

import click

from companion.cli import exits
from companion.cli.saying import lasting, many, say, say_json
from companion.cli.watching import run_or_watch
from companion.setlist import Fault, SetList, SetListError
from companion.setlist.advice import (
    Advice,
    LongCycle,
    advise,
    find_long_cycles,
    in_few_lines,
    left_open,
    placed,
)
from companion.setlist.check import combined, part_path
from companion.setlist.course import length_of
from companion.setlist.reading import read_controls, read_with_places

# Columns of a line that several songs share.
WIDTH = 100


def check(
    set_files: tuple[Path, ...], *, controls: Path | None, again: bool, as_json: bool
) -> None:
    """Print faults on standard error and advice on standard output; status 1 on any fault.

    The file at `controls`, if given, is checked against each set. All is checked `again` at each
    save.
    """
    files = [*set_files, *filter(None, [controls])]
    run_or_watch(partial(_check, set_files, controls, as_json), files, again)


def _check(set_files: tuple[Path, ...], controls: Path | None, as_json: bool) -> None:
    reports: list[dict[str, Any]] = []
    faulty = False
    sets: dict[Path, SetList | None] = {}
    for path in set_files:
        report: dict[str, Any] = {"file": str(path), "faults": [], "more_faults": 0, "advice": []}
        reports.append(report)
        try:
            setlist, places = read_with_places(path)
        except SetListError as error:
            faulty = True
            sets[path] = None
            _tell_faults(error, report, as_json)
        else:
            sets[path] = setlist
            report |= _lengths(setlist)
            _tell_advice(path, setlist, advise(setlist, places), report, as_json)
            cycles = find_long_cycles(setlist)
            advice = placed((cycle.advice() for cycle in cycles), places)
            report["advice"] += map(_advice_object, advice)
            left = placed(left_open(setlist), places)
            report["advice"] += map(_advice_object, left)
            by_ear = placed(_by_ear(setlist), places)
            report["advice"] += map(_advice_object, by_ear)
            if cycles and not as_json:
                _tell_cycles(cycles)
            if left and not as_json:
                say("  Where a jump leaves an instrument as it is:")
                say(*(f"    line {each.line}: {each.text}" for each in left))
            if by_ear and not as_json:
                say("  Joined in the middle, by the notes of its tracks:")
                say(*(f"    line {each.line}: {each.text}" for each in by_ear))
    if controls is not None:
        report = {"file": str(controls), "faults": [], "more_faults": 0, "advice": []}
        reports.append(report)
        faulty = not _check_controls(controls, sets, report, as_json) or faulty
    if as_json:
        say_json({"version": 1, "files": reports})
    if faulty:
        raise click.exceptions.Exit(exits.FAULT)


def _by_ear(setlist: SetList) -> list[Advice]:
    """Which parts are found by ear, where tracks name their notes."""
    if not setlist.notes:
        return []
    from companion.follow.outlook import outlook

    return [Advice(part_path(each.part), each.notice, each.better) for each in outlook(setlist)]


def _lengths(setlist: SetList) -> dict[str, Any]:
    """How long the set lasts and each of its songs, as JSON has it."""
    return {
        "seconds": _rounded(length_of(setlist).seconds),
        "songs": [
            {
                "song": song.title,
                "bars": _rounded(length.bars),
                "seconds": _rounded(length.seconds),
                "open_parts": list(length.open_parts),
            }
            for song in setlist.songs
            for length in (length_of(setlist, song),)
        ],
    }


def _rounded(figure: float | None) -> float | None:
    """To the millisecond, and whole where it is."""
    if figure is None:
        return None
    return int(figure) if figure == int(figure) else round(figure, 3)


def _check_controls(
    path: Path, sets: dict[Path, SetList | None], report: dict[str, Any], as_json: bool
) -> bool:
    """Tell what is wrong with a file of controls for any of `sets`; whether nothing is."""
    faults: list[Fault] = []
    more = 0
    lines: dict[str, None] = {}
    alone = _own_faults(path)
    for set_file, setlist in sets.items():
        try:
            # A set with faults cannot be asked what it plays.
            found = read_controls(path, setlist)
        except SetListError as error:
            more += error.more
            for fault in error.faults:
                its_own = len(sets) > 1 and fault not in alone
                wrong = f"for {set_file}: {fault.wrong}" if its_own else fault.wrong
                faults.append(replace(fault, wrong=wrong))
            continue
        line = f"{path}: no faults; {many(len(found), 'control')}"
        if setlist is not None:
            own = len(setlist.controls)
            kept = len(combined(found, setlist.controls)) - len(found)
            if kept < own:
                line += f", instead of {own - kept} of {setlist.name}"
        lines[line] = None
    if faults:
        _tell_faults(SetListError(path, faults, more), report, as_json)
        return False
    if not as_json:
        say(*lines)
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
    report["more_faults"] = error.more
    if not as_json:
        say(*error.lines, err=True)


def _tell_advice(
    path: Path, setlist: SetList, found: list[Advice], report: dict[str, Any], as_json: bool
) -> None:
    if not as_json:
        what = [many(len(setlist.songs), "song"), many(len(setlist.parts), "part")]
        advised = f"; {many(len(found), 'piece')} of advice" if found else ""
        what += filter(None, [lasting(length_of(setlist))])
        say(f"{path}: no faults; {', '.join(what)}{advised}")
        songs = [(song.title, lasting(length_of(setlist, song))) for song in setlist.songs]
        if len(songs) > 1 and any(lasts for _, lasts in songs):
            each = "; ".join(f"{title} {lasts or 'of open length'}" for title, lasts in songs)
            say(*wrap(each, WIDTH, initial_indent="  ", subsequent_indent="  "))
    for advice in found:
        report["advice"].append(_advice_object(advice))
        if not as_json:
            say(advice.render(path))


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
    say(
        "  Longer than their phrase (all but chance; see companion map). "
        "Pattern and phrases come round after:"
    )
    for line in in_few_lines(cycles):
        say(f"    {line}")
    say(
        "    Leave it if that is meant. If phrases should be alike, give `phrase:` so many passes,",
        "    or let the rules count in numbers that divide the phrase.",
    )
