"""What goes wrong in a night: each fault by name, and how often."""

from __future__ import annotations

from random import Random

from tests.nights.box import CLOCK, CONTINUE, RESET, START, STOP
from tests.nights.line import JITTERS, MS, ORDINARY, Arrival
from tests.nights.night import OTHER, PORT, SECOND, Stage

# How often each comes, relative to the others.
OFTEN = {
    "tick lost": 10,
    "tick doubled": 6,
    "ticks held up": 6,
    "short silence": 5,
    "long silence": 0.4,
    "port gone": 1,
    "flapping cable": 1,
    "tempo turned": 8,
    "tempo jumped": 3,
    "other jitter": 3,
    "strays": 6,
    "box reset": 0.2,
    "stray reset": 0.2,
    "second instrument": 0.5,
    "two clocks in one cable": 0.4,
    "continue again": 1,
    "killed": 0.5,
}
# How often the engine is killed on a night of that, in place of the above.
KILLED = 12
# The same on a mixed night, where a tick in thirty has one: what a bad cable, a hub and a hand on
# the tempo do together. Of what ends a count there is no more than on other nights.
MIXED_EVERY_S = 0.7
MIXED = {kind: often * MIXED_EVERY_S / 20 for kind, often in OFTEN.items()} | {
    "tick lost": 15,
    "tick doubled": 8,
    "ticks held up": 25,
    "tempo turned": 4,
    "tempo jumped": 1,
}
STRAYS = (
    (0x90, 36, 100),
    (0x80, 36, 0),
    (0xB0, 1, 64),
    (0xE0, 0, 64),
    (0xF0, 0x7D, 1, 2, 3, 0xF7),
    (0xF1, 3),
    (0xF3, 1),
    (0xF6,),
    (0xF9,),
    (0xFD,),
    (0xFE,),
    (0xF2, 4),
    (),
)


class Faults:
    """Lets things go wrong on one stage."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self._rng: Random = stage.rng
        # Seconds between two faults on average: some nights are worse than others.
        mixed = stage.night == "mixed"
        usual = (2.0, 6.0, 20.0) if stage.rough else (10.0, 30.0, 60.0)
        self._every = self._rng.choice((MIXED_EVERY_S,) if mixed else usual)
        self._often = MIXED if mixed else OFTEN
        if stage.night == "kills":
            self._often = OFTEN | {"killed": KILLED}
        self._jitters = list(JITTERS if stage.rough else ORDINARY)
        self._other_jitter()

    def begin(self) -> None:
        """Let the first one come."""
        self._stage.after(self._rng.expovariate(1 / self._every), self._next)

    def _next(self) -> None:
        rng, stage = self._rng, self._stage
        stage.after(rng.expovariate(1 / self._every), self._next)
        kind = rng.choices(list(self._often), list(self._often.values()))[0]
        if getattr(self, "_" + kind.replace(" ", "_"))():
            stage.judge.fault(kind, stage.now_ns)
            stage.say(f"*** {kind}")

    # -- single ticks ------------------------------------------------------------------------

    def _tick_lost(self) -> bool:
        return self._to_next_tick("lost")

    def _tick_doubled(self) -> bool:
        return self._to_next_tick("doubled")

    def _to_next_tick(self, what: str) -> bool:
        stage = self._stage
        # The first ticks at a tempo that nobody knows yet cannot be told from others, and a jump
        # of the tempo beside a lost tick may hide it.
        if not stage.box.running or stage.ticks_since_set < 3 or stage.hand.since_jump < 3:
            return False
        stage.line.next_tick = what
        stage.spoilt_ticks = 3
        return True

    def _ticks_held_up(self) -> bool:
        stage, rng = self._stage, self._rng
        long = rng.uniform(5, 60) if rng.random() < 0.7 else rng.uniform(60, 500)
        stage.line.held_until_ns = stage.now_ns + round(long * MS)
        return True

    # -- silences ----------------------------------------------------------------------------

    def _short_silence(self) -> bool:
        return self._silence(self._rng.uniform(0.05, 1.95))

    def _long_silence(self) -> bool:
        return self._silence(self._rng.uniform(2, 60))

    def _silence(self, seconds: float) -> bool:
        stage = self._stage
        if stage.box.running and (stage.ticks_since_set < 3 or stage.hand.since_jump < 3):
            return False
        stage.silence(seconds, way_back=self._rng.random() < 0.5)
        return True

    def _flapping_cable(self) -> bool:
        if not self._silence(self._rng.uniform(0.05, 0.4)):
            return False
        at = 0.0
        for _ in range(self._rng.randint(1, 5)):
            at += self._rng.uniform(0.1, 0.8)
            self._stage.after(at, self._flap)
        return True

    def _flap(self) -> None:
        self._silence(self._rng.uniform(0.02, 0.3))

    def _port_gone(self) -> bool:
        stage = self._stage
        seconds = self._rng.uniform(0.1, 1.9) if self._rng.random() < 0.7 else 5.0
        if not self._silence(seconds):
            return False
        stage.way_back = False
        stage.after(min(0.5 * self._rng.random(), seconds / 2), stage.port_gone)
        return True

    def _killed(self) -> bool:
        """The engine dies, and another takes over where it stood."""
        stage, rng = self._stage, self._rng
        if stage.dead or (stage.box.running and stage.ticks_since_set < 3):
            return False
        if not stage.may_be_killed:
            # What was pressed just now is not written down yet.
            stage.after(rng.uniform(0.02, 0.05), self._die)
            return False
        stage.kill()
        return True

    def _die(self) -> None:
        self._killed()

    # -- tempo and jitter --------------------------------------------------------------------

    def _tempo_turned(self) -> bool:
        stage = self._stage
        if stage.short_silence:
            # Out and back within one silence would leave no trace.
            return False
        stage.hand.turn(stage.now_ns)
        return True

    def _tempo_jumped(self) -> bool:
        stage = self._stage
        if stage.short_silence or stage.spoilt_ticks > 0:
            return False
        if stage.hand.since_jump < 24:
            # No hand sets two tempi far apart within a beat.
            return False
        stage.hand.jump()
        return True

    def _other_jitter(self) -> bool:
        self._stage.line.set_jitter(self._rng.choice(self._jitters))
        self._stage.judge.jitter = self._stage.line.jitter
        return True

    # -- other messages ----------------------------------------------------------------------

    def _strays(self) -> bool:
        for _ in range(self._rng.randint(1, 30)):
            self._stage.after(self._rng.uniform(0, 1), self._stray)
        return True

    def _stray(self) -> None:
        self._stage.send(self._rng.choice(STRAYS))

    def _continue_again(self) -> bool:
        stage = self._stage
        if not stage.kind.transport:
            return False
        stage.send(CONTINUE if stage.box.running else STOP)
        return True

    def _box_reset(self) -> bool:
        stage = self._stage
        if stage.short_silence:
            return False
        stage.box.reset()
        stage.judge.moved()
        stage.send(RESET)
        if not stage.kind.clocks_idle:
            stage.fall_silent()
        return True

    def _stray_reset(self) -> bool:
        self._stage.send(RESET)
        return True

    # -- others ------------------------------------------------------------------------------

    def _second_instrument(self) -> bool:
        """Another box on a port of its own, with clock and transport."""
        stage, rng = self._stage, self._rng
        # Whoever starts first is followed: that was the box, and the screen says so.
        seen = stage.status
        if not (stage.box.running and seen.state == "running" and seen.sure) or stage.short_silence:
            return False
        period, until = rng.uniform(0.01, 0.05), rng.uniform(3, 40)
        stage.after(0, lambda: self._from_other(START))
        stage.after(until, lambda: self._from_other(STOP))
        end_ns = stage.now_ns + round(until * SECOND)

        def tick() -> None:
            self._from_other(CLOCK)
            if stage.now_ns < end_ns:
                stage.after(period, tick)

        tick()
        return True

    def _from_other(self, message: tuple[int, ...]) -> None:
        stage = self._stage
        stage.other_line.send(Arrival(stage.now_ns, OTHER, message, False, 0, 0, own=False))

    def _two_clocks_in_one_cable(self) -> bool:
        stage, rng = self._stage, self._rng
        if not stage.box.running or stage.short_silence:
            return False
        period = 2.5 / stage.hand.bpm * rng.uniform(0.7, 1.4)
        end_ns = stage.now_ns + round(rng.uniform(0.5, 10) * SECOND)
        stage.two_clocks_until_ns = end_ns

        def tick() -> None:
            # Not one tick more than the performer waits for.
            if stage.now_ns < end_ns:
                stage.line.send(Arrival(stage.now_ns, PORT, CLOCK, False, 0, 0, own=False))
                stage.after(period, tick)

        tick()
        return True
