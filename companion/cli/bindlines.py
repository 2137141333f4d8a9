"""What `companion bind` says of a binding: lines for people, and the object of `--json`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from companion.cli.controlfile import Change
from companion.engine.matching import plain_name
from companion.setlist.clashes import distinct
from companion.setlist.controls import Binding, Kind, Press
from companion.setlist.controlwriting import spelled
from companion.setlist.faults import quoted
from companion.setlist.model import SetList


@dataclass(frozen=True, slots=True)
class Learned:
    """A new binding, the full name of the port it came from, and what it makes of the file."""

    new: Binding
    port: str
    change: Change


def in_words(press: Press, port: str | None) -> str:
    """A press in words, programs counted from 1; `port` is a port's name or a glob."""
    address = press.address
    number = address.number + (address.kind is Kind.PROGRAM)
    channel = "" if address.channel is None else f" on channel {address.channel + 1}"
    words = f"{address.kind.value} {number}{channel}"
    if press.toggle:
        words += " (127 and 0 by turns)"
    if port is not None:
        words += f" from {plain_name(port)}"
    return f"{words}, held," if press.long else words


def report_lines(learned: Learned, setlist: SetList | None) -> list[str]:
    """What becomes of the file, and of the set's own presses if there is a set."""
    new, change = learned.new, learned.change
    press, old = in_words(new.press, learned.port), change.instead
    if old is None:
        lines = [f"{press} asks for {_asked(new)}."]
    elif old.wish == new.wish:
        lines = [f"{press} asks for {_asked(new)}, as it did before."]
    else:
        lines = [f"{press} asks for {_asked(new)} now, no longer for {_asked(old)}."]
    if change.behind is not None:
        other = change.behind.press
        behind = f"{in_words(other, other.port)}, which asks for {_asked(change.behind)}"
        lines.append(f"It comes before {behind}.")
    if setlist is not None:
        lines += [
            f"In {setlist.name} it asked for {_asked(own)}; the file wins."
            for own in setlist.controls
            if not distinct(own, new)
        ]
    return lines


def written_line(path: Path) -> str:
    """Where it has been written, and how it is used."""
    use = f"companion play SET --controls {path}"
    return f"It stands in {path}. An engine that plays with it takes it over; to start one: {use}"


def bind_object(learned: Learned, path: Path) -> dict[str, object]:
    """The object of `bind --json`, version 1; its numbers are as in the file."""
    new, change = learned.new, learned.change
    press = new.press
    address = press.address
    return {
        "version": 1,
        "file": str(path),
        "press": {
            address.kind.value: address.number + (address.kind is Kind.PROGRAM),
            "channel": None if address.channel is None else address.channel + 1,
            "port": press.port,
            "long": press.long,
            "toggle": press.toggle,
        },
        "wish": spelled(new.wish),
        "instead_of": None if change.instead is None else spelled(change.instead.wish),
    }


def _asked(binding: Binding) -> str:
    return quoted(spelled(binding.wish))
