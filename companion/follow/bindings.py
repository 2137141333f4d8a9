"""Bindings of controls to wishes as values, and which of them cannot be obeyed. No press here."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import Enum

from companion.follow.noted import Kind

# Whether a glob (the first) matches a port's name.
Matches = Callable[[str, str], bool]


class Press(Enum):
    """How long a control is held."""

    SHORT = "short"
    LONG = "long"


class Sends(Enum):
    """What a control sends when it is used."""

    BOTH = "press and release"
    # On with one press, off with the next.
    TOGGLE = "toggle"
    # The same message with every press, and nothing on release.
    PRESS = "press only"


@dataclass(frozen=True, slots=True)
class Binding:
    """A control that asks for `wish`: on ports that match `port`, None for any.

    `channel` 0-15 or None for any; `number` 0-127 of the note, controller or program.
    """

    port: str | None
    kind: Kind
    channel: int | None
    number: int
    wish: str
    unit: str = ""
    press: Press = Press.SHORT
    sends: Sends = Sends.BOTH


@dataclass(frozen=True, slots=True)
class Taken:
    """What a binding must leave alone: a track's note, a telling, an instrument's programs.

    `port` is the instrument's glob, `number` None for all numbers; `what` completes "is ...".
    """

    port: str | None
    kind: Kind
    channel: int
    number: int | None
    what: str


@dataclass(frozen=True, slots=True)
class Refusal:
    """A binding that is not obeyed, and why, in words."""

    binding: Binding
    reason: str


def refusals(
    bindings: Sequence[Binding], taken: Iterable[Taken], matches: Matches
) -> list[Refusal]:
    """The bindings that cannot be obeyed, each with the first reason found."""
    judged = judge(bindings, tuple(taken), matches)
    return [Refusal(binding, reason) for binding, reason in judged if reason]


def judge(
    bindings: Sequence[Binding], taken: tuple[Taken, ...], matches: Matches
) -> list[tuple[Binding, str]]:
    """Each binding with why it is refused, in words; empty if it is not."""
    judged = []
    seen: dict[tuple[object, ...], Binding] = {}
    for binding in bindings:
        control = (binding.port, binding.kind, binding.channel, binding.number)
        short, long = seen.get((*control, Press.SHORT)), seen.get((*control, Press.LONG))
        same, other = (short, long) if binding.press is Press.SHORT else (long, short)
        reason = ""
        silent = binding.kind is Kind.PROGRAM or binding.sends is not Sends.BOTH
        meets = [t for t in taken if _clashes(binding, t) and _may_meet(binding, t, matches)]
        if binding.press is Press.LONG and silent:
            reason = "it sends no release, so nobody can tell how long it is held"
        elif meets:
            reason = is_taken(binding, meets[0])
        elif same is not None:
            reason = f"the same {binding.press.value} press already asks for {same.wish}"
        elif other is not None and other.sends is not binding.sends:
            reason = f"its {other.press.value} press is said to send {other.sends.value}"
        else:
            seen[*control, binding.press] = binding
        judged.append((binding, reason))
    return judged


def _clashes(binding: Binding, taken: Taken) -> bool:
    return (
        binding.kind is taken.kind
        and binding.channel in (None, taken.channel)
        and taken.number in (None, binding.number)
    )


def _may_meet(binding: Binding, taken: Taken, matches: Matches) -> bool:
    """Whether both may be on one port, as far as that can be told before ports are open."""
    one, other = binding.port, taken.port
    return one is None or other is None or matches(one, other) or matches(other, one)


def is_taken(binding: Binding, taken: Taken) -> str:
    """Why a binding that meets `taken` is refused."""
    return f"{binding.kind.value} {binding.number} on channel {taken.channel + 1} is {taken.what}"
