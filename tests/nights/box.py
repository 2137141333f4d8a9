"""The instrument of a night: it counts for itself and knows nothing of the software under test.

A box plays one pattern over and over, pass after pass. A program change is queued until the
running pass ends, or taken at once; a start begins the pass anew. What it plays is its `part`: the
number of the part of the set that its pattern was chosen for, 0 if that is anybody's guess.
"""

from __future__ import annotations

from dataclasses import dataclass

CLOCK, START, CONTINUE, STOP = (0xF8,), (0xFA,), (0xFB,), (0xFC,)
SENSING, RESET = (0xFE,), (0xFF,)


@dataclass(frozen=True, slots=True)
class Kind:
    """What sort of box it is.

    `at_once` takes a program change when it comes, else when the pass ends. `clocks_idle` sends
    clock while stopped; `new_beat` begins a new beat of its clock on start and continue, else the
    next tick is where it would have been. `takes_on_start` and `takes_on_stop`: what becomes of a
    queued change then. `recount` restarts its pass count with each pattern. `transport` False sends
    clock alone, no start or stop. `announces` tells its position at each bar while it runs; `names`
    tells which program is chosen on it, `echoes` passes on the program changes that it gets.
    """

    at_once: bool = False
    clocks_idle: bool = True
    new_beat: bool = False
    takes_on_start: bool = True
    takes_on_stop: bool = False
    recount: bool = True
    transport: bool = True
    senses: bool = False
    announces: bool = False
    names: bool = False
    echoes: bool = False


class Box:
    """One instrument. `lengths[part]` is the length of that part's pattern in ticks."""

    def __init__(self, kind: Kind, lengths: dict[int, int], part: int = 1) -> None:
        self.kind = kind
        self._lengths = lengths
        self.running = False
        self.part = part
        self.length = lengths[part]
        # Place within the pass, and passes before it: of the next tick while `fresh`.
        self.in_pass = 0
        self.passes = 0
        self.fresh = True
        # Passes of earlier parts that the display still counts in.
        self.shown_before = 0
        self.queued: int | None = None
        # Counts starts and pattern changes, so that boundaries can be told apart.
        self.stretch = 0
        # Ticks from the last start to the next tick, and to the start of the part.
        self.song = 0
        self.part_song = 0
        # By hand, on a box that changes at once: the part, and the tick at which it is pressed.
        self.press_at: tuple[int, int] | None = None

    @property
    def tick(self) -> int:
        """The latest tick of the part, below 0 or behind while none was played there."""
        return self.passes * self.length + self.in_pass - self.fresh

    @property
    def coming(self) -> tuple[int, int]:
        """Part and tick of the tick that it will play next."""
        tick = self.tick + 1
        if not self.fresh and self.in_pass + 1 == self.length and self.queued is not None:
            return self.queued, 0
        if self.press_at is not None and tick >= self.press_at[1]:
            return self.press_at[0], 0
        return self.part, tick

    def play_tick(self) -> bool:
        """Play one tick; returns whether another part began with it."""
        was = self.stretch
        if self.fresh:
            self.fresh = False
        else:
            self.in_pass += 1
        self.song += 1
        if self.in_pass == self.length:
            self.in_pass = 0
            self.passes += 1
            if self.queued is not None:
                self._take(self.queued)
        if self.press_at is not None and self.tick >= self.press_at[1]:
            self._take(self.press_at[0])
        return self.stretch != was

    def start(self) -> None:
        """Play from the top."""
        if self.queued is not None and self.kind.takes_on_start:
            self._take(self.queued)
        self.running = True
        self.stretch += 1
        self.in_pass = self.passes = self.song = self.part_song = self.shown_before = 0
        self.fresh = True
        self.press_at = None

    def stop(self) -> None:
        """Stand still."""
        self.running = False
        if self.queued is not None and self.kind.takes_on_stop:
            self._take(self.queued)
            self.fresh = True
        self.press_at = None

    def go_on(self) -> None:
        """Play on from where it stands."""
        self.running = True

    def locate(self, sixteenths: int) -> None:
        """Move to a song position, counted from the last start."""
        self.song = 6 * sixteenths
        tick = self.song - self.part_song
        self.press_at = None
        if tick < 0:
            # Before the running pattern began: what it plays there is its own affair.
            self.part = 0
            tick = 0
        self.passes, self.in_pass = divmod(tick, self.length)
        self.fresh = True

    def choose(self, part: int) -> None:
        """Take a program change, by cable or by hand, to the pattern of `part`."""
        if self.kind.at_once or not self.running:
            self._take(part)
            if not self.running:
                self.fresh = True
        else:
            self.queued = part

    def reset(self) -> None:
        """As if switched off and on again."""
        self.running = False
        self.queued = self.press_at = None
        self.part = 1
        self.length = self._lengths[1]
        self.stretch += 1
        self.in_pass = self.passes = self.song = self.part_song = self.shown_before = 0
        self.fresh = True

    def _take(self, part: int) -> None:
        self.shown_before = 0 if self.kind.recount else self.shown_before + self.passes
        self.queued = self.press_at = None
        self.part = part
        self.length = self._lengths[part]
        self.in_pass = self.passes = 0
        self.part_song = self.song - (self.running and not self.fresh)
        self.stretch += 1
