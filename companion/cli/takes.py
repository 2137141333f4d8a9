"""The commands about what was recorded: list, write out, note, delete, and look at how it went."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from companion.cli.exits import Refused
from companion.cli.extras import extra
from companion.cli.saying import say, say_json
from companion.takes import export as ways
from companion.takes.export import Progress
from companion.takes.store import Store, Take, TakesError

if TYPE_CHECKING:
    from companion.takes.score import Review

# How often progress is shown, and after how long first.
SHOW_S, FIRST_S = 0.1, 0.5


@contextmanager
def refusing() -> Iterator[None]:
    """Turn into Refused whatever is wrong with the takes."""
    try:
        yield
    except TakesError as error:
        raise Refused(str(error)) from error


def number(word: str) -> int | None:
    """The number of a take, None for `last`. Raises UsageError."""
    if word.casefold() == "last":
        return None
    if word.isascii() and word.isdigit() and 1 <= len(word) <= 9 and int(word):
        return int(word)
    raise click.UsageError(f"{word!r} is no take; write its number, or last")


@contextmanager
def progress(what: str) -> Iterator[Progress]:
    """Tell on a terminal how far a long piece of work is."""
    begun = shown = time.monotonic()
    told = False
    terminal = sys.stderr.isatty()

    def tell(done: int, of: int) -> None:
        nonlocal shown, told
        now = time.monotonic()
        if terminal and now - begun > FIRST_S and now - shown > SHOW_S:
            shown, told = now, True
            click.echo(f"\r{what}: {100 * done // max(of, 1)}%", err=True, nl=False)

    try:
        yield tell
    finally:
        if told:
            click.echo("\r\033[K", err=True, nl=False)


def listed(as_json: bool) -> None:
    """Print all takes, newest first."""
    with refusing(), Store() as store:
        takes, folder, size = store.takes(), str(store.folder), store.size
    if as_json:
        say_json(
            {
                "version": 1,
                "folder": folder,
                "bytes": size,
                "takes": [_object(each) for each in takes],
            }
        )
    elif takes:
        say(*map(_line, takes), f"{len(takes)} in {folder}, {size / 1e6:.1f} MB")
    else:
        say("no takes yet: companion play or companion rehearse makes one")


def _object(take: Take) -> dict[str, Any]:
    return {
        "take": take.take,
        "kind": take.kind,
        "set": take.set_name,
        "file": take.file,
        "began": take.began,
        "seconds": take.seconds,
        "parts": list(take.parts),
        "ended": take.ended,
        "note": take.note,
    }


def _line(take: Take) -> str:
    length = f"{int(take.seconds) // 60}:{int(take.seconds) % 60:02}"
    parts = f"part{'s' * (len(take.parts) > 1)} {_ranges(take.parts)}"
    parts = parts if take.parts else "nothing played"
    ended = "" if take.ended == "stopped" else f", {take.ended}"
    note = f"  {take.note}" if take.note else ""
    began = take.began[:16].replace("T", " ")
    what = f"{take.set_name}, {parts}{ended}{note}"
    return f"{take.take:>4}  {began}  {take.kind:8}  {length:>7}  {what}"


def _ranges(parts: Sequence[int]) -> str:
    """Part numbers in few words, such as "1-3, 5"."""
    found: list[list[int]] = []
    for each in sorted(parts):
        if found and each == found[-1][1] + 1:
            found[-1][1] = each
        else:
            found.append([each, each])
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in found)


def export(take: str, file: Path, as_json: bool) -> None:
    """Write a take to a file, by its ending."""
    which = number(take)
    with refusing(), Store() as store, progress("writing") as tell:
        found = store.take(which)
        ways.export(store, found, file, tell)
    if as_json:
        say_json({"version": 1, "take": found.take, "file": str(file)})
    else:
        say(f"take {found.take} is in {file}")


def note(take: str, words: Sequence[str], as_json: bool) -> None:
    """Write a note to a take."""
    which, text = number(take), " ".join(words)
    with refusing(), Store() as store:
        noted = store.take(which).take
        said = " ".join(text.split())
        store.note(noted, said)
    if as_json:
        say_json({"version": 1, "take": noted, "note": said})
    else:
        say(f"take {noted}: {text}" if said else f"take {noted} has no note any more")


def delete(which: Sequence[str], yes: bool, as_json: bool) -> None:
    """Take takes away, once that is confirmed."""
    numbers = [number(word) for word in which]
    if not yes and not sys.stdin.isatty():
        raise click.UsageError("nobody to ask whether to delete; add --yes")
    with refusing(), Store() as store:
        takes = list(dict.fromkeys(store.take(each).take for each in numbers))
        named = f"take{'s' * (len(takes) > 1)} {', '.join(map(str, takes))}"
        if not yes:
            click.confirm(f"delete {named} for good?", abort=True, err=True)
        store.delete(takes)
    if as_json:
        say_json({"version": 1, "deleted": takes})
    else:
        say(f"deleted: {named}")


def review(
    take: str, within: str, page: Path | None, set_list: Path | None, *, as_json: bool, light: bool
) -> None:
    """Show how a take went: on the terminal, as JSON, as a page or as a set list."""
    from companion.setlist import BadText
    from companion.setlist.text import span
    from companion.takes import score

    which = number(take)
    try:
        window = span(within, score.UNITS)
    except BadText as error:
        raise click.UsageError(f"--within: {error.wrong}; {error.right}") from error
    with refusing(), Store() as store:
        stored = store.take(which)
        if set_list is not None:
            from companion.takes.asplayed import as_played, write_new

            write_new(set_list, as_played(store, stored))
            _told(f"the set as played is in {set_list}", as_json)
        found = None
        if page is not None or as_json or set_list is None:
            found = score.review(store, stored, window)
    if found is None:
        return
    if page is not None:
        from companion.takes.report import page as made

        with extra("pictures"), progress("drawing") as tell, refusing():
            ways.write_text(page, made(found, window, tell))
        _told(f"take {stored.take} is in {page}", as_json)
    if as_json:
        say_json(score.document(found))
    elif page is None and set_list is None:
        _show(found, light)


def _told(text: str, as_json: bool) -> None:
    say(text, err=as_json)


def _show(found: Review, light: bool) -> None:
    if not sys.stdout.isatty():
        raise click.UsageError("there is no terminal to show it on; try --json, or -o FILE.html")
    from companion.screen.terminal import outlive_input
    from companion.screen.theme import DARK, LIGHT
    from companion.takes.view import ReviewApp

    outlive_input()
    ReviewApp(found, (LIGHT, DARK) if light else (DARK, LIGHT)).run()
