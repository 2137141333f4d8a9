"""How fast the box of a night plays: steady, drifting, turned by hand, or set to another tempo."""

from __future__ import annotations

from math import sin, tau
from random import Random

# From this factor on a jump is told from a lost tick only where none is lost beside it.
JUMP = 1.4


class Hand:
    """The tempo knob, and the drift of the box's own clock. Times in ns."""

    def __init__(self, rng: Random, tempi: tuple[float, float]) -> None:
        self._rng = rng
        self._slowest, self._fastest = tempi
        self.bpm = self._goal = self._any()
        self._per_turn = 0.0
        self._turn_ns = 0
        self._next_turn_ns = 0
        # A few clocks wander by some tenths of a percent.
        self._wander = rng.choice((0.0, 0.0, 0.0005, 0.003))
        self._wander_ns = rng.uniform(15e9, 90e9)
        # Ticks since the tempo jumped by more than JUMP.
        self.since_jump = 1000

    @property
    def turning(self) -> bool:
        """Whether a hand is on the knob."""
        return self.bpm != self._goal

    def period_ns(self, now_ns: int) -> int:
        """How long the tick that begins now lasts."""
        self.since_jump += 1
        if self.bpm != self._goal and now_ns >= self._next_turn_ns:
            self._next_turn_ns = now_ns + self._turn_ns
            left = self._goal - self.bpm
            turned = min(abs(left), self._per_turn)
            self.bpm += turned if left > 0 else -turned
        bpm = self.bpm
        if self._wander:
            bpm *= 1 + self._wander * sin(tau * now_ns / self._wander_ns)
        return round(2_500_000_000 / bpm)

    def turn(self, now_ns: int) -> None:
        """Begin to turn the knob, click by click."""
        rng = self._rng
        self._goal = self._near() if rng.random() < 0.8 else self._any()
        self._per_turn = rng.choice((0.1, 0.5, 1.0, 1.0, 2.0, 5.0))
        self._turn_ns = round(rng.uniform(20e6, 200e6))
        self._next_turn_ns = now_ns

    def jump(self) -> None:
        """Set another tempo at once, as a button or a new pattern does."""
        before = self.bpm
        self.bpm = self._near() if self._rng.random() < 0.7 else self._any()
        self._goal = self.bpm
        if max(self.bpm, before) > JUMP * min(self.bpm, before):
            self.since_jump = 0

    def hold(self) -> None:
        """Take the hand off the knob."""
        self._goal = self.bpm

    def _near(self) -> float:
        return min(max(self.bpm * self._rng.uniform(0.8, 1.25), self._slowest), self._fastest)

    def _any(self) -> float:
        return self._rng.uniform(self._slowest, self._fastest)
