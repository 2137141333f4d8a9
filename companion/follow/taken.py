"""What presses must leave alone: the notes of the music and what instruments tell. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from companion.follow.noted import Noted
from companion.setlist.controls import Address, Binding, Kind
from companion.setlist.model import SetList

# Whether a glob (the first) matches a port's name.
Matches = Callable[[str, str], bool]


@dataclass(frozen=True, slots=True)
class Taken:
    """A message that means something already. `port` is its instrument's glob, None for any.

    Without an address it is every program change on `channel`. `what` completes "note 36 ...".
    """

    port: str | None
    address: Address | None
    channel: int | None
    what: str

    def fits(self, heard: Noted) -> bool:
        """Whether `heard` is this message, the port aside."""
        if self.address is not None:
            return heard.fits(self.address)
        return heard.kind is Kind.PROGRAM and self.channel in (None, heard.channel)

    def meets(self, address: Address) -> bool:
        """Whether one message may be both this and at `address`, the port aside."""
        if self.address is not None:
            return self.address.meets(address)
        any_channel = None in (self.channel, address.channel)
        return address.kind is Kind.PROGRAM and (any_channel or self.channel == address.channel)


@dataclass(frozen=True, slots=True)
class Refusal:
    """A binding that is not obeyed, and why, in words."""

    binding: Binding
    reason: str


def taken_by(setlist: SetList) -> tuple[Taken, ...]:
    """All that the instruments of a set send of their own accord."""
    found: dict[Taken, None] = {}
    for part in setlist.parts:
        own = setlist.instruments.get(part.instrument or "")
        port = None if own is None else own.port
        for track, key in setlist.notes_of(part).items():
            address = Address(Kind.NOTE, key.number, key.channel)
            found[Taken(port, address, key.channel, f"is what {track} plays")] = None
    for each in setlist.instruments.values():
        told = each.tells
        ways = [(told.fill, "a fill"), *((mute.address, "a mute") for mute in told.mutes)]
        for way, what in ways:
            if way is not None:
                says = f"is how {each.name} tells of {what}"
                found[Taken(each.port, way, way.channel, says)] = None
        says = f"is how {each.name} tells its pattern"
        found[Taken(each.port, None, each.channel, says)] = None
    return tuple(found)


def refusals(
    bindings: Iterable[Binding], taken: Iterable[Taken], matches: Matches
) -> list[Refusal]:
    """The bindings that get in the way of the music, as far as that shows before ports are open."""
    taken = tuple(taken)
    found = []
    for binding in bindings:
        press = binding.press
        for each in taken:
            if each.meets(press.address) and _one_port(press.port, each.port, matches):
                found.append(refuse(binding, each))
                break
    return found


def refuse(binding: Binding, taken: Taken, port: str = "") -> Refusal:
    """The refusal of a binding that meets `taken`, on `port` if that is what showed it."""
    where = f", on {port}" if port else ""
    return Refusal(binding, f"{binding.press.address} {taken.what}{where}")


def _one_port(one: str | None, other: str | None, matches: Matches) -> bool:
    return one is None or other is None or matches(one, other) or matches(other, one)
