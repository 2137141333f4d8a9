"""Presses of pads, pedals and keys: which of them asks for what, and when it counts. Pure.

Opens no port, reads no clock and fulfils no wish. What presses must leave alone stands in `taken`;
how a press is learned, in `learner`. Times are nanoseconds of one monotonic clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from companion.follow.noted import Noted, noted
from companion.follow.taken import Matches, Taken, refusals, refuse
from companion.setlist.controls import Ask, Binding, Kind, Wanted

# A press this long counts as long, at that very moment (common practice, no source).
LONG_NS = 500_000_000
# Contacts bounce for some milliseconds and pads trigger twice within a few tens of them; nobody
# means two presses this close together (common practice, no source).
BOUNCE_NS = 60_000_000


@dataclass(frozen=True, slots=True)
class Asked:
    """A wish that a press asks for; `on` is False only where a fill is let go."""

    wanted: Wanted
    on: bool = True


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
        self, bindings: Sequence[Binding], *, matches: Matches, taken: Iterable[Taken] = ()
    ) -> None:
        self._matches = matches
        self._taken = tuple(taken)
        self.refused = refusals(bindings, self._taken, matches)
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
            self._found[key] = self._find(port, Noted(kind, channel, number, 127))
        used = {id(pad) for pad in self._found.values()}
        self._held = {each: pad for each, pad in before._held.items() if each in used}

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> list[Asked]:
        """Take one MIDI message (its bytes) that arrived on `port` at `t_ns`."""
        asked = self.passed(t_ns)
        heard = noted(message)
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
                asked.append(Asked(pad.short))
        elif not heard.on:
            self._release(pad, t_ns, asked)
        elif heard.kind is not Kind.CONTROLLER or pad.held_ns is None or again:
            # A controller that goes on with other values is a pedal on its way; the very same
            # again comes from a pad that does not tell when it is let go.
            self._press(pad, port, t_ns, asked)
        return asked

    def passed(self, now_ns: int) -> list[Asked]:
        """Tell that it is `now_ns`: a long press counts once it is long enough.

        Call it a few times in a tenth of a second.
        """
        asked: list[Asked] = []
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
                asked.append(Asked(pad.long))
        return asked

    def port_gone(self, port: str) -> list[Asked]:
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
                    asked.append(Asked(pad.short, False))
        return asked

    # -- inside ------------------------------------------------------------------------------

    def _press(self, pad: _Pad, port: str, t_ns: int, asked: list[Asked]) -> None:
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
            asked.append(Asked(pad.short))

    def _release(self, pad: _Pad, t_ns: int, asked: list[Asked]) -> None:
        if pad.held_ns is None:
            return
        if t_ns - pad.held_ns < BOUNCE_NS:
            pad.loose_ns = t_ns
        else:
            self._let_go(pad, t_ns, asked)

    def _let_go(self, pad: _Pad, t_ns: int, asked: list[Asked]) -> None:
        if pad.short is not None and pad.fills:
            asked.append(Asked(pad.short, False))
        elif pad.short is not None and not pad.done:
            asked.append(Asked(pad.short))
        pad.held_ns = pad.loose_ns = None
        pad.edge_ns = t_ns
        self._held.pop(id(pad), None)

    def _settle(self, pad: _Pad, now_ns: int, asked: list[Asked]) -> None:
        """Have a fill on a toggle last for as long as its device says, bounces aside.

        A change too soon after the latest is a bounce only if it is taken back: otherwise the light
        of the device would say one thing, and the fill be another.
        """
        if pad.on != pad.filled and not pad.bounces(now_ns) and pad.short is not None:
            pad.edge_ns = now_ns
            pad.filled = pad.on
            asked.append(Asked(pad.short, pad.on or False))
        if not pad.on and not pad.filled:
            self._held.pop(id(pad), None)

    def _find(self, port: str, heard: Noted) -> _Pad | None:
        """The pad that such a message on `port` belongs to, None for no pad."""
        fitting = [
            b
            for b in self._bindings
            if heard.fits(b.press.address) and self._is_on(b.press.port, port)
        ]
        if not fitting:
            return None
        for each in self._taken:
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
