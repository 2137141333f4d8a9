"""Learning a press: "press the pad now". Pure; what a press does is `controls`' affair.

Times are nanoseconds of one monotonic clock.
"""

from __future__ import annotations

from collections.abc import Sequence

from companion.follow.controls import BOUNCE_NS
from companion.follow.noted import Noted, noted
from companion.setlist.controls import Address, Kind, Press

# Nothing else may be pressed on the port for so long after the release, or it is a pattern that
# runs or a hand that plays (presumed, as all times here).
SETTLE_NS = 300_000_000
# A port where something else was pressed is listened to again after so much quiet.
QUIET_NS = 1_000_000_000
# Messages this close to the press belong to the same pad.
TOGETHER_NS = 30_000_000
# No release for so long: the control sends none, or is held.
RELEASE_NS = 1_500_000_000
# Bank select: these controllers come before a program and are no switches (MIDI 1.0).
_BANK = (0, 32)


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
        heard = noted(message)
        if heard is None:
            return None
        if heard.kind is Kind.CONTROLLER:
            if heard.number in _BANK:
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

    def _is_turned(self, key: _Key, heard: Noted) -> bool:
        """Whether a controller has shown more values than a switch has: then it is a knob."""
        values = self._values.setdefault(key, set())
        if len(values) <= 2:
            values.add(heard.value)
        return len(values) > 2
