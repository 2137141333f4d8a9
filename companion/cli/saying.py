"""What commands say: lines for people, objects for programs, and why a command cannot go on.

The one way out to the terminal. How a command ends is in `exits`.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NoReturn, TextIO

import click

from companion.cli import exits
from companion.cli.exits import Refused
from companion.printable import lacks_blocks, printable

if TYPE_CHECKING:
    from companion.setlist import SetListError
    from companion.setlist.course import Length


def say(*lines: str, err: bool = False, below: int | None = None) -> None:
    """Print lines, each of which stays one line and nothing but text, whatever is in it.

    On a terminal that is narrower a line is broken between words, and goes on in column `below`,
    by default a little to the right of where it begins.
    """
    shown = map(printable, lines)
    click.echo("\n".join(_fitted(shown, sys.stderr if err else sys.stdout, below)), err=err)


def _fitted(lines: Iterable[str], stream: TextIO, below: int | None) -> Iterable[str]:
    """The lines, broken between words where `stream` is a terminal too narrow for them."""
    try:
        if not stream.isatty() or not (columns := os.get_terminal_size(stream.fileno()).columns):
            return lines
    except (OSError, ValueError, AttributeError):
        return lines
    return [part for line in lines for part in broken(line, columns, below)]


def broken(line: str, columns: int, below: int | None = None) -> list[str]:
    """A line in pieces of at most so many columns, but for words that are longer: paths, links."""
    if len(line) <= columns:
        return [line]
    from textwrap import wrap

    if below is None:
        below = len(line) - len(line.lstrip()) + 2
    return wrap(
        line,
        columns,
        subsequent_indent=" " * min(below, columns // 2),
        break_long_words=False,
        break_on_hyphens=False,
    )


def say_json(document: dict[str, Any]) -> None:
    """Print an object as one line of JSON."""
    text = json.dumps(document, ensure_ascii=False)
    # What a terminal might obey stands in strings alone, where JSON has another spelling for it.
    text = "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in text)
    # In bytes, since programs read UTF-8 whatever the locale of ours is.
    click.echo(text.encode())


def many(number: int, thing: str) -> str:
    """So many of a thing: "1 song", "2 songs"."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def lasting(length: Length) -> str:
    """How long a song or a set lasts: "4:05 and 1 open part"; "" where that is not planned."""
    if not length.seconds:
        return ""
    minutes, seconds = divmod(round(length.seconds), 60)
    hours, minutes = divmod(minutes, 60)
    lasts = f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"
    more = f" and {many(len(length.open_parts), 'open part')}" if length.open_parts else ""
    return f"{lasts}{more}"


def plain_characters() -> bool:
    """Whether standard output has no shades and eighths of a block, so that others must do."""
    return lacks_blocks(sys.stdout.encoding, os.environ.get("TERM", ""))


def refuse_faults(error: SetListError) -> NoReturn:
    """Print every fault and end with status 1."""
    say(*error.lines, err=True)
    raise click.exceptions.Exit(exits.FAULT)


@contextmanager
def in_reach() -> Iterator[None]:
    """Turn it into Refused that what plays when cannot be worked out."""
    from companion.counting import OutOfReach

    try:
        yield
    except OutOfReach as error:
        raise Refused(str(error)) from error


@contextmanager
def engine_needed() -> Iterator[None]:
    """Turn it into Refused, with what to do, that no engine is found or that it does not answer."""
    from companion.link.endpoint import NoEngine
    from companion.link.messages import LinkError

    try:
        yield
    except NoEngine as error:
        raise Refused(f"{error}; start one: companion play SET") from error
    except LinkError as error:
        raise Refused(str(error)) from error
