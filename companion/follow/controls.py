"""Pads, pedals and keys bound to wishes: which press is a wish, and when it counts. Pure.

Knows no wish by its meaning, opens no port and reads no clock. What a binding is, and which are
refused, stands in `bindings`; how one is learned from a press in `learner`. Times are nanoseconds
of one monotonic clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from companion.follow.bindings import (
    Binding,
    Matches,
    Press,
    Refusal,
    Sends,
    Taken,
    is_taken,
    judge,
)
from companion.follow.noted import Kind, Noted, noted

# A press this long counts as long, at that very moment (common practice, no source).
LONG_NS = 500_000_000
# Contacts bounce for some milliseconds and pads trigger twice within a few tens of them; nobody
# means two presses this close together (common practice, no source).
BOUNCE_NS = 60_000_000

# A wish and its unit, as the link carries them.
Asked = tuple[str, str]


class _Pad:
    """One control while it is used."""

    __slots__ = (
        "done",
        "edge_ns",
        "long",
        "loose_ns",
        "on",
        "port",
        "pressed_ns",
        "sends",
        "short",
    )

    def __init__(self, short: Binding | None, long: Binding | None) -> None:
        self.short = short
        self.long = long
        bound = short or long
        self.sends = bound.sends if bound is not None else Sends.BOTH
        # Held since, or None; on which port; whether this press has asked already.
        self.pressed_ns: int | None = None
        self.port = ""
        self.done = False
        # A release so early that it may be a bounce.
        self.loose_ns: int | None = None
        # The latest press or release that counted.
        self.edge_ns: int | None = None
        # Which side a toggle was on last.
        self.on: bool | None = None


class Controls:
    """Turns presses into wishes. Not thread-safe: one caller at a time.

    Bindings that `refusals` refuses are left out; `refused` lists them, and grows where a port
    turns out to be an instrument's as well as a control's. Of several bindings that a press fits,
    the one that names its port, then the one that names its channel, is obeyed.
    """

    def __init__(
        self, bindings: Sequence[Binding], *, matches: Matches, taken: Iterable[Taken] = ()
    ) -> None:
        self._matches = matches
        self._taken = tuple(taken)
        judged = judge(bindings, self._taken, matches)
        self.refused = [Refusal(binding, reason) for binding, reason in judged if reason]
        self._bindings = [binding for binding, reason in judged if not reason]
        self._found: dict[tuple[str, Kind, int, int], _Pad | None] = {}
        self._pads: dict[tuple[Binding | None, Binding | None], _Pad] = {}
        self._held: dict[int, _Pad] = {}

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> list[Asked]:
        """Take one MIDI message (its bytes) that arrived on `port` at `t_ns`. Returns wishes."""
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
        if pad.sends is Sends.BOTH and heard.kind is not Kind.PROGRAM:
            if not heard.on:
                self._release(pad, t_ns, asked)
            elif heard.kind is Kind.NOTE or pad.pressed_ns is None or pad.loose_ns is not None:
                # A controller that says more than once that it is on is a pedal on its way.
                self._press(pad, port, t_ns, asked)
        elif self._is_used(pad, heard) and not _bounces(pad, t_ns):
            pad.edge_ns = t_ns
            _ask(pad.short, asked)
        return asked

    def passed(self, now_ns: int) -> list[Asked]:
        """Tell that it is `now_ns`: a long press counts once it is long enough. Returns wishes.

        Call it a few times in a tenth of a second.
        """
        asked: list[Asked] = []
        for pad in list(self._held.values()):
            since = pad.pressed_ns
            if since is None:
                continue
            if pad.loose_ns is not None:
                if now_ns - since >= BOUNCE_NS:
                    self._let_go(pad, pad.loose_ns, asked)
            elif not pad.done and now_ns - since >= LONG_NS:
                pad.done = True
                _ask(pad.long, asked)
        return asked

    def port_gone(self, port: str) -> None:
        """Tell that `port` has vanished: what was held there asks for nothing."""
        for key, pad in list(self._held.items()):
            if pad.port == port:
                pad.pressed_ns = pad.loose_ns = None
                del self._held[key]

    # -- inside ------------------------------------------------------------------------------

    def _press(self, pad: _Pad, port: str, t_ns: int, asked: list[Asked]) -> None:
        if _bounces(pad, t_ns):
            pad.loose_ns = None
            return
        pad.pressed_ns = pad.edge_ns = t_ns
        pad.port = port
        self._held[id(pad)] = pad
        pad.done = pad.long is None
        if pad.done:
            _ask(pad.short, asked)

    def _release(self, pad: _Pad, t_ns: int, asked: list[Asked]) -> None:
        if pad.pressed_ns is None:
            return
        if t_ns - pad.pressed_ns < BOUNCE_NS:
            pad.loose_ns = t_ns
        else:
            self._let_go(pad, t_ns, asked)

    def _let_go(self, pad: _Pad, t_ns: int, asked: list[Asked]) -> None:
        if not pad.done:
            _ask(pad.short, asked)
        pad.pressed_ns = pad.loose_ns = None
        pad.edge_ns = t_ns
        self._held.pop(id(pad), None)

    def _is_used(self, pad: _Pad, heard: Noted) -> bool:
        """Whether a message of a control without releases is a press."""
        if pad.sends is not Sends.TOGGLE or heard.kind is Kind.PROGRAM:
            return heard.on
        # The same side twice is a device that repeats its state.
        was, pad.on = pad.on, heard.on
        return was != heard.on

    def _find(self, port: str, heard: Noted) -> _Pad | None:
        fitting = [
            b
            for b in self._bindings
            if (b.kind, b.number) == (heard.kind, heard.number)
            and b.channel in (None, heard.channel)
            and (b.port is None or self._matches(b.port, port))
        ]
        for each in self._taken if fitting else ():
            if (
                (each.kind, each.channel) == (heard.kind, heard.channel)
                and each.number in (None, heard.number)
                and (each.port is None or self._matches(each.port, port))
            ):
                new = [Refusal(b, f"{is_taken(b, each)}, on {port}") for b in fitting]
                self.refused += [refusal for refusal in new if refusal not in self.refused]
                return None
        fitting.sort(key=lambda b: (b.port is None, b.channel is None))
        short = next((b for b in fitting if b.press is Press.SHORT), None)
        long = next((b for b in fitting if b.press is Press.LONG), None)
        if short is None and long is None:
            return None
        # One pad for one pair, so that a device on two ports is not heard twice.
        return self._pads.setdefault((short, long), _Pad(short, long))


def _bounces(pad: _Pad, t_ns: int) -> bool:
    return pad.edge_ns is not None and t_ns - pad.edge_ns < BOUNCE_NS


def _ask(binding: Binding | None, asked: list[Asked]) -> None:
    if binding is not None:
        asked.append((binding.wish, binding.unit))
