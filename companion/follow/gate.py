"""The gate before the count: how many ticks a clock message stands for. Pure.

A cable, a hub or a driver may swallow a tick or deliver one twice. Each tick is held against the
line that the tempo tracker fitted to those before it. One that lies off by more than half a tick
opens an inquiry: ticks are then counted along that line, and after some more of them the gate
either clears the count or gives it up as unsure. What that means for the song is the conductor's.
"""

from __future__ import annotations

from enum import Enum

from companion.follow.tempo import TempoTracker

# A tick this far from where it was expected, in ticks, is a question.
OFF = 0.5
# Ticks of an inquiry: half a beat after a single odd tick, a beat after a silence.
INQUIRY = 12
INQUIRY_AFTER_SILENCE = 24
# Ticks at the end of an inquiry that must lie on the line, and how far off they may lie.
JUDGED = 8
ON_LINE = 0.25
# After a silence more is at stake: whoever stopped and started in it has the same tempo, too.
ON_LINE_AFTER_SILENCE = 0.15
# Longest silence that can be filled with certainty, in seconds, and with an estimate at all.
CERTAIN_NS = 2_000_000_000
ESTIMATED_NS = 60_000_000_000
# Ticks the line must rest on before it can judge another.
KNOWN = 3


class Finding(Enum):
    """What the gate made of a tick, as far as anything changed."""

    NOTHING = "nothing"
    DOUBT = "an inquiry has begun"
    CLEARED = "the count is right"
    GIVEN_UP = "the count may be off"


class Gate:
    """Judges the ticks of one clock; owns the feeding of the tempo tracker."""

    def __init__(self, tempo: TempoTracker) -> None:
        self._tempo = tempo
        self._heard = 0
        self.reset()

    @property
    def inquiring(self) -> bool:
        """Whether an inquiry is open."""
        return self._left > 0

    def reset(self) -> None:
        """End any inquiry: the count was set anew. The tempo stays."""
        self._left = 0
        self._second = False
        self._free = False

    def lapse(self) -> None:
        """Forget tempo and inquiry: the clock stopped, or another one is followed."""
        self._tempo.lapse()
        self._heard = 0
        self.reset()

    def first(self, t_ns: int) -> None:
        """Take the first tick after a start or continue, whose place nobody can foresee."""
        if self._heard >= KNOWN:
            ticks = (t_ns - self._tempo.when(0)) / (self._tempo.period_ns or 1)
            # Many instruments begin a new beat of their clock on start: the old line ends there.
            if not 0.75 < ticks < 1.25:
                self._tempo.lapse()
                self._heard = 0
        self.reset()
        self._take(t_ns)

    def idle(self, t_ns: int) -> None:
        """Take a tick that moves no count, for the tempo's sake."""
        self._take(t_ns)

    def hear(self, t_ns: int) -> tuple[int, Finding]:
        """Take a tick at `t_ns`; returns how many ticks the count moves on, and what was found."""
        if self._left:
            return self._inquire(t_ns)
        period = self._tempo.period_ns
        if self._heard < KNOWN or not period:
            self._take(t_ns)
            return 1, Finding.NOTHING
        ticks = (t_ns - self._tempo.when(0)) / period
        off = ticks - 1.0
        if -OFF < off < OFF or abs(off) < self._noise():
            self._take(t_ns)
            return 1, Finding.NOTHING
        self._open(t_ns, INQUIRY, 0)
        self._second = True
        if off < 0:
            return 0, Finding.DOUBT
        self._counted = 1
        return 1, Finding.DOUBT

    def regain(self, t_ns: int) -> tuple[int, Finding]:
        """Take the first tick after a silence; returns how many ticks the count moves on.

        DOUBT means that a verdict follows, GIVEN_UP that none can.
        """
        period = self._tempo.period_ns
        gap_ns = t_ns - self._tempo.when(0)
        if self._heard < KNOWN or not period or gap_ns > ESTIMATED_NS:
            self.lapse()
            self._take(t_ns)
            return 1, Finding.GIVEN_UP
        # An inquiry that the silence broke into had counted some ticks past the line already.
        already = self._counted if self._left else 0
        missed = max(1, round(gap_ns / period) - already)
        if gap_ns > CERTAIN_NS:
            self.lapse()
            self._take(t_ns)
            return missed, Finding.GIVEN_UP
        self._open(t_ns, INQUIRY_AFTER_SILENCE, missed)
        self._counted = missed + already
        self._left -= 1
        self._note(t_ns)
        return missed, Finding.DOUBT

    # -- inside ------------------------------------------------------------------------------

    def _open(self, t_ns: int, ticks: int, silent: int) -> None:
        """Begin an inquiry; the line as it stands is the reference."""
        self._left = ticks
        self._line_ns = self._tempo.when(0)
        self._period = self._tempo.period_ns
        self._silent = silent
        self._counted = 0
        self._arrived = 1
        self._previous_ns = t_ns
        self._free = False
        self._second = False
        self._errors: list[float] = []
        self._steps: list[int] = []
        self._times = [t_ns]

    def _inquire(self, t_ns: int) -> tuple[int, Finding]:
        interval = (t_ns - self._previous_ns) / self._period
        self._previous_ns = t_ns
        self._arrived += 1
        self._times.append(t_ns)
        if self._second:
            self._second = False
            # Two odd intervals of one kind: the tempo changed, and each tick is a tick.
            self._free = interval >= 1.35 if self._counted else interval <= 0.65
            if self._free:
                moved = self._arrived - self._counted
                self._counted += moved
                self._left -= 1
                return moved, Finding.NOTHING
        if self._free:
            moved = 1
        else:
            place = (t_ns - self._line_ns) / self._period
            moved = max(0, round(place) - self._counted)
            self._note(t_ns)
            self._steps.append(moved)
        self._counted += moved
        self._left -= 1
        if self._left > 0:
            return moved, Finding.NOTHING
        return moved, self._verdict()

    def _note(self, t_ns: int) -> None:
        place = (t_ns - self._line_ns) / self._period
        self._errors.append(place - round(place))

    def _verdict(self) -> Finding:
        self._left = 0
        good = self._is_regular() if self._free else self._is_on_line()
        # The line begins again with what was just heard: it is the clock of now.
        self._tempo.lapse()
        self._heard = 0
        kept = self._times if self._free else self._times[-JUDGED:]
        for t_ns in kept:
            self._take(t_ns)
        return Finding.CLEARED if good else Finding.GIVEN_UP

    def _is_on_line(self) -> bool:
        """Whether the latest ticks lie on the old line, one for one."""
        errors = self._errors[-JUDGED:]
        if any(step != 1 for step in self._steps[-JUDGED:]):
            return False
        if max(map(abs, errors)) > ON_LINE:
            return False
        if not self._silent:
            return True
        middle = sum(errors) / len(errors)
        # What the tempo drifted in hearing, it may have drifted in the silence too.
        half = len(self._errors) // 2
        early = sum(self._errors[:half]) / half
        late = sum(self._errors[-half:]) / half
        drift = abs(late - early) / half * self._silent
        return abs(middle) <= ON_LINE_AFTER_SILENCE and drift <= ON_LINE

    def _is_regular(self) -> bool:
        """Whether the ticks after a change of tempo are evenly spaced among themselves."""
        intervals = [b - a for a, b in zip(self._times, self._times[1:], strict=False)]
        middle = sorted(intervals)[len(intervals) // 2]
        return all(abs(interval - middle) < middle * ON_LINE for interval in intervals)

    def _noise(self) -> float:
        """How far off a tick may lie by jitter alone, in ticks: six deviations, at most 0.75."""
        period = self._tempo.period_ns
        return min(0.75, 6e6 * self._tempo.jitter_ms / period)

    def _take(self, t_ns: int) -> None:
        self._tempo.hear(t_ns)
        self._heard += 1
