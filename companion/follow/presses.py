"""Presses of pads, pedals and keys, and the channel messages that they are told from. Pure.

`parse` reads a channel message; no meaning is given to it there. `Controls` says which press asks
for what, and when it counts; what presses must leave alone, the notes of the music and what
instruments tell, is `Reserved`. `Learner` finds the press that a performer means by "press the pad
now". No port is opened, no clock read and no wish fulfilled here. Times are nanoseconds of one
monotonic clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from companion.midi import (
    BANK_HIGH,
    BANK_LOW,
    CONTROL_CHANGE,
    NOTE_OFF,
    NOTE_ON,
    PROGRAM_CHANGE,
)
from companion.setlist import ON_FROM, Address, Binding, Kind, Press, SetList
from companion.wishes import Ask, Wish

# Channel mode messages look like controllers with these numbers and above (MIDI 1.0, from memory).
MODES = 120


@dataclass(frozen=True, slots=True)
class ChannelMessage:
    """One channel message: `channel` 0-15, `number` 0-127.

    `value` is a note's velocity (0 for a release) or a controller's value; 127 for a program.
    """

    kind: Kind
    channel: int
    number: int
    value: int

    @property
    def on(self) -> bool:
        """Whether it is a press: any note that begins, a controller from 64 up, any program."""
        return self.value > 0 if self.kind is Kind.NOTE else self.value >= ON_FROM

    def fits(self, address: Address) -> bool:
        """Whether this is a message of that address."""
        return (
            self.kind is address.kind
            and self.number == address.number
            and address.channel in (None, self.channel)
        )


def parse(message: Sequence[int]) -> ChannelMessage | None:
    """The message as a `ChannelMessage`, None for anything else, broken messages included."""
    if len(message) < 2 or not 0 <= message[1] <= 127:
        return None
    status, channel = message[0] & 0xF0, message[0] & 0x0F
    if status == PROGRAM_CHANGE and len(message) == 2:
        return ChannelMessage(Kind.PROGRAM, channel, message[1], 127)
    if len(message) != 3 or not 0 <= message[2] <= 127:
        return None
    if status == NOTE_ON:
        return ChannelMessage(Kind.NOTE, channel, message[1], message[2])
    if status == NOTE_OFF:
        return ChannelMessage(Kind.NOTE, channel, message[1], 0)
    if status == CONTROL_CHANGE and message[1] < MODES:
        return ChannelMessage(Kind.CONTROLLER, channel, message[1], message[2])
    return None


# Whether a glob (the first) matches a port's name.
Matches = Callable[[str, str], bool]


@dataclass(frozen=True, slots=True)
class Reserved:
    """A message that means something already. `port` is its instrument's glob, None for any.

    Without an address it is every program change on `channel`. `what` completes "note 36 ...".
    """

    port: str | None
    address: Address | None
    channel: int | None
    what: str

    def fits(self, heard: ChannelMessage) -> bool:
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


def reserved_by(setlist: SetList) -> tuple[Reserved, ...]:
    """All that the instruments of a set send of their own accord."""
    found: dict[Reserved, None] = {}
    for part in setlist.all_that_plays():
        own = setlist.instruments.get(part.instrument or "")
        port = None if own is None else own.port
        for track, key in setlist.notes_of(part).items():
            address = Address(Kind.NOTE, key.number, key.channel)
            found[Reserved(port, address, key.channel, f"is what {track} plays")] = None
    for each in setlist.instruments.values():
        told = each.tells
        ways = [(told.fill, "a fill"), *((mute.address, "a mute") for mute in told.mutes)]
        for way, what in ways:
            if way is not None:
                says = f"is how {each.name} tells of {what}"
                found[Reserved(each.port, way, way.channel, says)] = None
        says = f"is how {each.name} tells its pattern"
        found[Reserved(each.port, None, each.channel, says)] = None
    return tuple(found)


def refusals(
    bindings: Iterable[Binding], reserved: Iterable[Reserved], matches: Matches
) -> list[Refusal]:
    """The bindings that get in the way of the music, as far as that shows before ports are open."""
    reserved = tuple(reserved)
    found = []
    for binding in bindings:
        press = binding.press
        for each in reserved:
            if each.meets(press.address) and _one_port(press.port, each.port, matches):
                found.append(refuse(binding, each))
                break
    return found


def refuse(binding: Binding, reserved: Reserved, port: str = "") -> Refusal:
    """The refusal of a binding that meets `reserved`, on `port` if that is what showed it."""
    where = f", on {port}" if port else ""
    return Refusal(binding, f"{binding.press.address} {reserved.what}{where}")


def _one_port(one: str | None, other: str | None, matches: Matches) -> bool:
    return one is None or other is None or matches(one, other) or matches(other, one)


# A press this long counts as long, at that very moment (common practice, no source).
LONG_NS = 500_000_000
# Contacts bounce for some milliseconds and pads trigger twice within a few tens of them; nobody
# means two presses this close together (common practice, no source).
BOUNCE_NS = 60_000_000


class _Pad:
    """One control while it is used."""

    __slots__ = (
        "done",
        "edge_ns",
        "filled",
        "held_ns",
        "long",
        "loose_ns",
        "on",
        "port",
        "short",
        "toggles",
        "value",
    )

    def __init__(self, short: Binding | None, long: Binding | None) -> None:
        self.short = None if short is None else short.wish
        self.long = None if long is None else long.wish
        self.toggles = short is not None and short.press.toggle
        # Held since, or None; on which port; whether this press has asked already.
        self.held_ns: int | None = None
        self.port = ""
        self.done = False
        # A release so early that it may be a bounce.
        self.loose_ns: int | None = None
        # The latest press or release that counted.
        self.edge_ns: int | None = None
        # What a toggle, and what a controller said last.
        self.on: bool | None = None
        self.value = 0
        # Whether a fill on a toggle was asked for last, or that it end.
        self.filled: bool | None = None

    @property
    def fills(self) -> bool:
        """Whether it asks for something that lasts while it is held."""
        return self.short is not None and self.short.ask is Ask.FILL

    @property
    def fills_now(self) -> bool:
        """Whether it holds a fill."""
        held = self.filled if self.toggles else self.long is None and self.held_ns is not None
        return self.fills and bool(held)

    def bounces(self, t_ns: int) -> bool:
        """Whether an edge at `t_ns` comes too soon after the latest to be meant."""
        return self.edge_ns is not None and t_ns - self.edge_ns < BOUNCE_NS


class Controls:
    """Turns presses into what they ask for. Not thread-safe: one caller at a time.

    Bindings that get in the way of the music are left out; `refused` lists them, and grows where a
    port turns out to be an instrument's as well as a control's. Of several bindings that a press
    fits, the one that names its port, then the one that names its channel, is obeyed.
    """

    def __init__(
        self, bindings: Sequence[Binding], *, matches: Matches, reserved: Iterable[Reserved] = ()
    ) -> None:
        self._matches = matches
        self._reserved = tuple(reserved)
        self.refused = refusals(bindings, self._reserved, matches)
        out = {refusal.binding for refusal in self.refused}
        self._bindings = [binding for binding in bindings if binding not in out]
        self._found: dict[tuple[str, Kind, int, int], _Pad | None] = {}
        self._pads: dict[tuple[Binding | None, Binding | None], _Pad] = {}
        self._held: dict[int, _Pad] = {}

    @property
    def fill(self) -> bool:
        """Whether a fill is held, by one pad or several."""
        return any(pad.fills_now for pad in self._held.values())

    def take_over(self, before: Controls) -> None:
        """Know of each pad that asks for the same as in `before` what was known there.

        What is held goes on being held, and is let go as ever; a fill of another pad ends.
        """
        own = set(self._bindings)
        self._pads = {
            pair: pad
            for pair, pad in before._pads.items()
            if all(each is None or each in own for each in pair)
        }
        for port, kind, channel, number in before._found:
            key = (port, kind, channel, number)
            self._found[key] = self._find(port, ChannelMessage(kind, channel, number, 127))
        used = {id(pad) for pad in self._found.values()}
        self._held = {each: pad for each, pad in before._held.items() if each in used}

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> list[Wish]:
        """Take one MIDI message (its bytes) that arrived on `port` at `t_ns`."""
        asked = self.passed(t_ns)
        heard = parse(message)
        if heard is None:
            return asked
        key = (port, heard.kind, heard.channel, heard.number)
        if key not in self._found:
            self._found[key] = self._find(port, heard)
        pad = self._found[key]
        if pad is None:
            return asked
        again = heard.value == pad.value
        pad.value = heard.value
        if pad.short is not None and pad.toggles:
            # The same side twice is a device that repeats its state.
            turned = heard.on != pad.on
            pad.on, pad.port = heard.on, port
            if pad.fills:
                self._held[id(pad)] = pad
                self._settle(pad, t_ns, asked)
            elif turned and not pad.bounces(t_ns):
                pad.edge_ns = t_ns
                asked.append(pad.short)
        elif not heard.on:
            self._release(pad, t_ns, asked)
        elif heard.kind is not Kind.CONTROLLER or pad.held_ns is None or again:
            # A controller that goes on with other values is a pedal on its way; the very same
            # again comes from a pad that does not tell when it is let go.
            self._press(pad, port, t_ns, asked)
        return asked

    def passed(self, now_ns: int) -> list[Wish]:
        """Tell that it is `now_ns`: a long press counts once it is long enough.

        Call it a few times in a tenth of a second.
        """
        asked: list[Wish] = []
        for pad in list(self._held.values()):
            if pad.toggles:
                self._settle(pad, now_ns, asked)
                continue
            held_ns = now_ns - (pad.held_ns or 0)
            if pad.loose_ns is not None:
                if held_ns >= BOUNCE_NS:
                    self._let_go(pad, pad.loose_ns, asked)
            elif not pad.done and pad.long is not None and held_ns >= LONG_NS:
                pad.done = True
                asked.append(pad.long)
        return asked

    def port_gone(self, port: str) -> list[Wish]:
        """Tell that `port` has vanished: what was held there asks for nothing, and fills end."""
        asked = []
        for pad in self._pads.values():
            if pad.toggles and pad.port == port:
                # A device that comes back may have forgotten which side it is on.
                pad.on = None
        for key, pad in list(self._held.items()):
            if pad.port == port:
                pad.held_ns = pad.loose_ns = pad.on = pad.filled = None
                del self._held[key]
                if pad.short is not None and pad.fills:
                    asked.append(replace(pad.short, on=False))
        return asked

    # -- inside ------------------------------------------------------------------------------

    def _press(self, pad: _Pad, port: str, t_ns: int, asked: list[Wish]) -> None:
        if pad.bounces(t_ns):
            pad.loose_ns = None
            return
        pad.held_ns = pad.edge_ns = t_ns
        pad.loose_ns = None
        pad.port = port
        self._held[id(pad)] = pad
        # Nothing to wait for where no long press asks for something else.
        pad.done = pad.long is None
        if pad.done and pad.short is not None:
            asked.append(pad.short)

    def _release(self, pad: _Pad, t_ns: int, asked: list[Wish]) -> None:
        if pad.held_ns is None:
            return
        if t_ns - pad.held_ns < BOUNCE_NS:
            pad.loose_ns = t_ns
        else:
            self._let_go(pad, t_ns, asked)

    def _let_go(self, pad: _Pad, t_ns: int, asked: list[Wish]) -> None:
        if pad.short is not None and pad.fills:
            asked.append(replace(pad.short, on=False))
        elif pad.short is not None and not pad.done:
            asked.append(pad.short)
        pad.held_ns = pad.loose_ns = None
        pad.edge_ns = t_ns
        self._held.pop(id(pad), None)

    def _settle(self, pad: _Pad, now_ns: int, asked: list[Wish]) -> None:
        """Have a fill on a toggle last for as long as its device says, bounces aside.

        A change too soon after the latest is a bounce only if it is taken back: otherwise the light
        of the device would say one thing, and the fill be another.
        """
        if pad.on != pad.filled and not pad.bounces(now_ns) and pad.short is not None:
            pad.edge_ns = now_ns
            pad.filled = pad.on
            asked.append(replace(pad.short, on=pad.on or False))
        if not pad.on and not pad.filled:
            self._held.pop(id(pad), None)

    def _find(self, port: str, heard: ChannelMessage) -> _Pad | None:
        """The pad that such a message on `port` belongs to, None for no pad."""
        fitting = [
            b
            for b in self._bindings
            if heard.fits(b.press.address) and self._is_on(b.press.port, port)
        ]
        if not fitting:
            return None
        for each in self._reserved:
            if each.fits(heard) and self._is_on(each.port, port):
                new = (refuse(binding, each, port) for binding in fitting)
                self.refused += [refusal for refusal in new if refusal not in self.refused]
                return None
        fitting.sort(key=lambda b: (b.press.port is None, b.press.address.channel is None))
        short = next((b for b in fitting if not b.press.long), None)
        long = next((b for b in fitting if b.press.long), None)
        # One pad for one pair, so that a device on two ports is not heard twice.
        return self._pads.setdefault((short, long), _Pad(short, long))

    def _is_on(self, glob: str | None, port: str) -> bool:
        return glob is None or self._matches(glob, port)


# Nothing else may be pressed on the port for so long after the release, or it is a pattern that
# runs or a hand that plays (presumed, as all times here).
SETTLE_NS = 300_000_000
# A port where something else was pressed is listened to again after so much quiet.
QUIET_NS = 1_000_000_000
# Messages this close to the press belong to the same pad.
TOGETHER_NS = 30_000_000
# No release for so long: the control sends none, or latches. Two seconds are held on purpose.
RELEASE_NS = 3_000_000_000


class _Try:
    """One control that was pressed while learning."""

    __slots__ = ("done_ns", "pressed_ns", "toggle")

    def __init__(self, pressed_ns: int) -> None:
        self.pressed_ns = pressed_ns
        self.toggle = False
        # When it was known how the control is let go, or None.
        self.done_ns: int | None = None


_Key = tuple[str, Kind, int, int]


class Learner:
    """Finds the control that a performer presses, among all else that arrives; made for one press.

    What it returns names the port in full, its channel and its number.
    `playing` is the port of a pattern that runs now, None for none: notes and programs from there
    are the music's. Keep it up to date. Not thread-safe.
    """

    def __init__(self, playing: str | None = None) -> None:
        self.playing = playing
        self._tries: dict[_Key, _Try] = {}
        self._values: dict[_Key, set[int]] = {}
        self._noisy_ns: dict[str, int] = {}
        self._now_ns = 0

    @property
    def again(self) -> bool:
        """Whether to ask for one more press: the control has sent no release so far."""
        return any(
            each.done_ns is None and self._now_ns - each.pressed_ns >= RELEASE_NS
            for each in self._tries.values()
        )

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> Press | None:
        """Take one MIDI message that arrived on `port` at `t_ns`. Returns what was learned."""
        learned = self.passed(t_ns)
        if learned is not None:
            return learned
        heard = parse(message)
        if heard is None:
            return None
        if heard.kind is Kind.CONTROLLER:
            if heard.number in (BANK_HIGH, BANK_LOW):
                return None
        elif port == self.playing:
            return None
        key = (port, heard.kind, heard.channel, heard.number)
        if heard.kind is Kind.CONTROLLER and self._is_turned(key, heard):
            self._tries.pop(key, None)
            return None
        known = self._tries.get(key)
        if heard.on:
            if known is None:
                self._begin(key, t_ns)
            elif t_ns - known.pressed_ns >= BOUNCE_NS:
                known.done_ns = t_ns
        elif known is not None:
            late = known.done_ns is None and t_ns - known.pressed_ns >= RELEASE_NS
            # Off so late is no release but the next press. A note may be held for as long as that.
            known.toggle = known.toggle or (late and heard.kind is Kind.CONTROLLER)
            known.done_ns = t_ns
        return None

    def passed(self, now_ns: int) -> Press | None:
        """Tell that it is `now_ns`. Returns what was learned, once nothing else came after it."""
        self._now_ns = max(self._now_ns, now_ns)
        ready = [
            (each.pressed_ns, key)
            for key, each in self._tries.items()
            if each.done_ns is not None and now_ns - each.done_ns >= SETTLE_NS
        ]
        if not ready:
            return None
        _, key = min(ready, key=lambda entry: entry[0])
        port, kind, channel, number = key
        return Press(Address(kind, number, channel), port, toggle=self._tries[key].toggle)

    # -- inside ------------------------------------------------------------------------------

    def _begin(self, key: _Key, t_ns: int) -> None:
        port, kind = key[0], key[1]
        if t_ns < self._noisy_ns.get(port, 0):
            self._noisy_ns[port] = t_ns + QUIET_NS
            return
        others = [k for k in self._tries if k[0] == port]
        if any(t_ns - self._tries[k].pressed_ns > TOGETHER_NS for k in others):
            for other in others:
                del self._tries[other]
            self._noisy_ns[port] = t_ns + QUIET_NS
            return
        self._tries[key] = _Try(t_ns)
        if kind is Kind.PROGRAM:
            self._tries[key].done_ns = t_ns

    def _is_turned(self, key: _Key, heard: ChannelMessage) -> bool:
        """Whether a controller has shown more values than a switch has: then it is a knob."""
        values = self._values.setdefault(key, set())
        if len(values) <= 2:
            values.add(heard.value)
        return len(values) > 2
