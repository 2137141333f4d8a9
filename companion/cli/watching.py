"""`--watch`: a command once more at each save of its files, until Ctrl-C."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import click

from companion.cli import exits
from companion.cli.exits import Refused
from companion.cli.saying import say

LOOK_S = 0.1
# An editor may empty a file before it fills it, or put another in its place: what has not changed
# for so long is whole. Together within the second that a person waits for.
REST_S = 0.25

_Looks = list[tuple[int, int, int] | None]


def run_or_watch(run: Callable[[], None], files: Sequence[Path], again: bool) -> None:
    """Run once; or `again` at each save of `files`, and what is wrong with them ends nothing."""
    if not again:
        run()
        return
    try:
        seen = _looks(files)
        while True:
            try:
                run()
            except click.exceptions.Exit:
                pass
            except Refused as error:
                say(f"companion: {error}", err=True)
            if sys.stderr.isatty():
                say(f"-- {time.strftime('%H:%M:%S')}, again at each save; Ctrl-C ends --", err=True)
            seen = _changed(files, seen)
    except KeyboardInterrupt:
        raise click.exceptions.Exit(exits.INTERRUPTED) from None


def _changed(files: Sequence[Path], seen: _Looks) -> _Looks:
    """Wait until the files are others than `seen`, and at rest; returns how they look then."""
    latest, since = seen, time.monotonic()
    while True:
        time.sleep(LOOK_S)
        looks = _looks(files)
        if looks != latest:
            latest, since = looks, time.monotonic()
        elif looks != seen and time.monotonic() - since >= REST_S:
            return looks


def _looks(files: Sequence[Path]) -> _Looks:
    """What tells a save: which file it is, its size and time; None where it cannot be seen."""
    found: _Looks = []
    for file in files:
        try:
            stat = file.stat()
        except (OSError, ValueError):
            found.append(None)
        else:
            found.append((stat.st_ino, stat.st_size, stat.st_mtime_ns))
    return found
