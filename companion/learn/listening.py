"""Listens to a live cable: clocks are counted, notes are laid between them. Pure.

Messages come in with their times; what was heard so far can be had at any moment. How many ticks
there were is `follow.count`'s to say, so a lost clock moves nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

from companion.counting import TICKS_PER_QUARTER
from companion.follow.count import Count
from companion.learn.heard import Hearing, Music
from companion.midi import (
    CLOCK,
    CONTINUE,
    CONTROL_CHANGE,
    PROGRAM_CHANGE,
    START,
    STOP,
)

# Notes before the first clock after a start belong to its first tick.
_FIRST_TICK = 0.0
# A start on an unsteady line settles within so many ticks, two bars; later a beat is long.
_SETTLING = 192
# A learned step takes no harm from what would keep a program change from being sent.
_WRONG = 1e-3


class Listener:
    """What comes from the inputs, in the order in which it comes. The first clock is the one.

    `running` is whether the music plays, `stopped` whether it has played and was stopped;
    `ticking` is whether any clock was heard. A position other than the start is not learned from:
    the count of passes would be a guess.
    """

    def __init__(self, block_ms: float = 0.0) -> None:
        """`block_ms` is how long the blocks are in which messages are handed on, 0 if in none."""
        self.running = self.stopped = self.ticking = False
        self._count = Count()
        self._count.comes_in_blocks(block_ms)
        self._clock: str | None = None
        # Ticks before the latest start, and the tick to which the count's 0 belongs.
        self._base = 0
        self._starts: list[float] = []
        self._music = Music()
        # Ticks heard in a row of which the count was in doubt.
        self._unsure = 0
        self._patience = _SETTLING
        self._doubted: int | None = None

    @property
    def tick(self) -> int:
        """The latest tick, counted from the one; -1 before it."""
        return self._base + self._count.ticks if self._starts else -1

    @property
    def coarse_ms(self) -> float:
        """How long the blocks are, if they are too long to count this clock by; else 0."""
        return self._count.coarse_ms

    @property
    def doubted(self) -> int | None:
        """The tick at which a doubt in the count began that lasted a beat or more; None if none."""
        return self._doubted

    @property
    def bpm(self) -> float | None:
        """The tempo in quarter notes a minute, None while it is not known."""
        bpm = self._count.bpm
        return round(bpm, 1) if bpm > 0 else None

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> None:
        """Take one whole message that arrived at `t_ns` from that port."""
        if not message:
            return
        status = message[0]
        if status >= 0xF8:
            self._real_time(port, t_ns, status)
        elif status < 0xF0:
            self._channel(port, t_ns, message)

    def one(self) -> None:
        """The performer says that the one is now: the nearest clock is tick 0."""
        self._begin()
        self._count.ticks = 0

    def _begin(self) -> None:
        if self._starts:
            self._base += max(0, self._count.ticks + 1)
        self._starts.append(float(self._base))
        self._count.begin()
        self._unsure, self._patience = 0, _SETTLING
        self.running, self.stopped = True, False

    def _real_time(self, port: str, t_ns: int, status: int) -> None:
        if status in (CLOCK, START) and self._clock is None:
            self._clock = port
        if port != self._clock:
            return
        if status == CLOCK:
            self.ticking = True
            if self.running or not self._starts:
                self._count.hear(t_ns)
                self._doubt()
        elif status == START:
            self._begin()
        elif status == CONTINUE and self._starts:
            self.running, self.stopped = True, False
        elif status == STOP and self._starts:
            self.running, self.stopped = False, True

    def _doubt(self) -> None:
        """Take in whether the count is in doubt: for less than a beat that comes and goes."""
        if self._count.wrong_by_more < _WRONG:
            self._unsure, self._patience = 0, TICKS_PER_QUARTER
        elif self._starts:
            self._unsure += 1
            if self._unsure >= self._patience and self._doubted is None:
                self._doubted = max(0, self.tick + 1 - self._unsure)

    def _channel(self, port: str, t_ns: int, message: Sequence[int]) -> None:
        kind = message[0] & 0xF0
        if self.running:
            self._music.hear(self._at(port, t_ns), message)
        elif kind in (CONTROL_CHANGE, PROGRAM_CHANGE):
            # Chosen while nothing plays: it holds from the next start on.
            self._music.hear(max(0.0, float(self.tick + 1)), message)

    def _at(self, port: str, t_ns: int) -> float:
        """The tick at that time, with its fraction.

        What comes through the clock's own cable keeps its order: however late it is, it was sent
        behind the latest tick and before the next.
        """
        ticks = self._count.ticks
        if ticks < 0:
            return self._base + _FIRST_TICK
        period = self._count.period_ns
        since = (t_ns - self._count.time_of(ticks)) / period if period > 0 else 0.0
        early, late = (0.0, 1.0) if port == self._clock else (-1.0, 2.0)
        return self._base + ticks + min(max(since, early), late)

    def hearing(self) -> Hearing:
        """All that was heard up to now."""
        return Hearing(
            "live",
            tuple(self._music.notes),
            tuple(self._music.programs),
            max(0.0, float(self.tick + 1)),
            self.bpm,
            starts=tuple(self._starts[1:]),
        )
