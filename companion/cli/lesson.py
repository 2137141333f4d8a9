"""What of all that is heard a learner should hear: the music is kept from it. Pure.

How a press is found is the learner's; opening ports and talking to the performer are elsewhere.
Times are nanoseconds of one monotonic clock.
"""

from __future__ import annotations

from collections.abc import Sequence

from companion.engine.matching import plain_name
from companion.follow.follower import CLOCK
from companion.follow.learner import Learner
from companion.follow.noted import noted
from companion.setlist.controls import Address, Kind, Press

# MIDI 1.0 Detailed Specification 4.2.1 (from memory).
START, CONTINUE, STOP = 0xFA, 0xFB, 0xFC
# A clock at 20 beats a minute ticks every 125 ms; eight of those are no pause in it.
TICKING_NS = 1_000_000_000

_Key = tuple[str, Address]


class Lesson:
    """Watches at first, and from `begin` on looks for the press. One caller at a time.

    Notes and programs of a pattern that runs are no presses: those of a port that sends clock and
    was told to start, or that sends notes by itself before anybody was asked to press.
    `left_alone` are the ports whose notes were passed over for that.
    """

    def __init__(self) -> None:
        self._learner: Learner | None = None
        self._clock_ns: dict[str, int] = {}
        self._runs: dict[str, bool] = {}
        self._sounds: set[str] = set()
        self._released: set[_Key] = set()
        self._barred: set[_Key] = set()
        self.left_alone: dict[str, None] = {}

    def tell(self, port: str, runs: bool) -> None:
        """Take somebody else's word whether a pattern runs on `port`, by whatever number."""
        self._runs[plain_name(port)] = runs

    def begin(self) -> None:
        """Look for a press from now on, whatever was heard before."""
        self._learner = Learner()
        self._released.clear()

    def bar(self, press: Press) -> None:
        """Pass over this control, which the music uses too, and look for another."""
        self._barred.add((press.port or "", press.address))
        self.begin()

    @property
    def again(self) -> bool:
        """Whether to ask for one more press."""
        return self._learner is not None and self._learner.again

    def unclear(self, now_ns: int) -> list[str]:
        """Ports that send clock, and nobody knows whether a pattern runs there."""
        return [
            port
            for port in self._clock_ns
            if self._ticks(port, now_ns)
            and plain_name(port) not in self._runs
            and port not in self._sounds
        ]

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> Press | None:
        """Take one MIDI message. Returns what was learned, its port by its full name."""
        if message:
            self._follow(port, t_ns, message[0])
        heard = noted(message)
        if heard is not None:
            key = port, Address(heard.kind, heard.number, heard.channel)
            if not heard.on:
                self._released.add(key)
            if heard.kind is not Kind.CONTROLLER:
                if self._learner is None:
                    self._sounds.update((port,) if heard.on else ())
                elif self._plays(port, t_ns):
                    self.left_alone[port] = None
                    return self.passed(t_ns)
            if key in self._barred:
                return self.passed(t_ns)
        return None if self._learner is None else self._learner.hear(port, t_ns, message)

    def passed(self, now_ns: int) -> Press | None:
        """Tell that it is `now_ns`. Returns what was learned."""
        return None if self._learner is None else self._learner.passed(now_ns)

    def lets_go(self, press: Press) -> bool:
        """Whether the control that was learned tells when it is let go."""
        return not press.toggle and (press.port or "", press.address) in self._released

    def _follow(self, port: str, t_ns: int, status: int) -> None:
        if status == CLOCK:
            self._clock_ns[port] = t_ns
        elif status in (START, CONTINUE):
            self._runs[plain_name(port)] = True
        elif status == STOP:
            self._runs[plain_name(port)] = False

    def _ticks(self, port: str, now_ns: int) -> bool:
        ticked_ns = self._clock_ns.get(port)
        return ticked_ns is not None and now_ns - ticked_ns < TICKING_NS

    def _plays(self, port: str, now_ns: int) -> bool:
        runs = self._runs.get(plain_name(port), port in self._sounds)
        return runs and self._ticks(port, now_ns)
