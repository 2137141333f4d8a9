"""Presses that get in each other's way, or that the music itself would make."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from fnmatch import fnmatchcase

from companion.setlist.controls import Address, Ask, Binding, Kind
from companion.setlist.faults import quoted
from companion.setlist.model import SetList
from companion.setlist.places import Path
from companion.setlist.report import Report

# More than any performer has hands for; each is compared with all the others.
MOST_BINDINGS = 256

# A message of the music, the glob of the port it comes from, and what it is.
Sound = tuple[Address, str | None, str]


def check_clashes(placed: Sequence[tuple[Binding, Path]], setlist: SetList, report: Report) -> None:
    """Put into `report` every binding that another one or the music of `setlist` clashes with.

    `placed` are the bindings and their paths. What has a fault already is not judged.
    """
    if len(placed) > MOST_BINDINGS:
        wrong = f"there are {len(placed)} controls"
        report.key(("controls",), wrong, f"use at most {MOST_BINDINGS}")
        return
    _check_each_other(placed, report)
    if report.whole:
        _check_music(placed, setlist, report)


def distinct(a: Binding, b: Binding) -> bool:
    """Whether it is always clear which of two bindings a message is for.

    A short and a long press of one key are, unless the short one acts while it is held.
    """
    if not a.press.same(b.press):
        return True
    short = b if a.press.long else a
    return a.press.long != b.press.long and not (short.press.toggle or short.wish.ask is Ask.FILL)


def combined(first: Sequence[Binding], second: Sequence[Binding]) -> tuple[Binding, ...]:
    """Both, but for those of `second` that one of `first` clashes with."""
    kept = [b for b in second if all(distinct(b, other) for other in first)]
    return (*first, *kept)


def _check_each_other(placed: Sequence[tuple[Binding, Path]], report: Report) -> None:
    alike: dict[tuple[Kind, int], list[tuple[Binding, Path]]] = defaultdict(list)
    for binding, path in placed:
        address = binding.press.address
        earlier = alike[address.kind, address.number]
        for other, at in earlier:
            if not distinct(binding, other):
                line = report.places.at(at)[0]
                wrong = (
                    f"{_named(address)} asks for {quoted(str(other.wish))} already, on line {line}"
                )
                right = "take another, or tell them apart by `channel`, `port` or `long`"
                report.value(_pressed(path, address), wrong, right)
                break
        earlier.append((binding, path))


def _check_music(placed: Sequence[tuple[Binding, Path]], setlist: SetList, report: Report) -> None:
    sounds: dict[tuple[Kind, int], dict[tuple[Address, str | None], str]] = defaultdict(dict)
    for address, port, what in _sounds(setlist, report) if placed else ():
        sounds[address.kind, address.number].setdefault((address, port), what)
    for binding, path in placed:
        press = binding.press
        here = sounds[press.address.kind, press.address.number]
        if press.address.kind is Kind.PROGRAM:
            here = dict(_programs(setlist, press.address.number, report))
        for (address, port), what in here.items():
            if press.address.meets(address) and _one_port(press.port, port):
                right = "take another, or write the `port` of both, if the pad or pedal has its own"
                report.value(_pressed(path, press.address), f"{_named(address)} {what}", right)
                break


def _named(address: Address) -> str:
    # Which number the writer gave a program depends on where the display begins.
    return "this program" if address.kind is Kind.PROGRAM else str(address)


def _one_port(one: str | None, other: str | None) -> bool:
    """Whether one port may match both globs, as far as they say; None is any."""
    if one is None or other is None:
        return True
    first, second = _glob(one), _glob(other)
    return fnmatchcase(first, second) or fnmatchcase(second, first)


def _glob(port: str) -> str:
    # A plain word may stand anywhere in a port's name.
    glob = port.casefold()
    return glob if any(mark in glob for mark in "*?[") else f"*{glob}*"


def _pressed(path: Path, address: Address) -> Path:
    return (*path, "press", address.kind.value)


def _sounds(setlist: SetList, report: Report) -> Iterator[Sound]:
    seen = set()
    for part in setlist.parts:
        key = (part.pattern.name, part.instrument)
        own = setlist.instruments.get(part.instrument or "")
        if key in seen or (own is not None and report.hurt(("instruments", own.name))):
            continue
        seen.add(key)
        for track, note in setlist.notes_of(part).items():
            address = Address(Kind.NOTE, note.number, note.channel)
            yield address, None if own is None else own.port, f"is what {quoted(track)} plays"
    for instrument in setlist.instruments.values():
        if report.hurt(("instruments", instrument.name)):
            continue
        told, named = instrument.tells, quoted(instrument.name)
        if told.fill is not None:
            yield told.fill, instrument.port, f"is how {named} tells of a fill"
        for mute in told.mutes:
            yield mute.address, instrument.port, f"is how {named} tells of a mute"


def _programs(
    setlist: SetList, number: int, report: Report
) -> Iterator[tuple[tuple[Address, str | None], str]]:
    """Any program change of an instrument's may tell which pattern it plays now."""
    for instrument in setlist.instruments.values():
        if not report.hurt(("instruments", instrument.name)):
            address = Address(Kind.PROGRAM, number, instrument.channel)
            yield (address, instrument.port), f"is how {quoted(instrument.name)} tells its pattern"
