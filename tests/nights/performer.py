"""The performer of a night: plays the box, asks things of the software, and tells it the truth.

Changes patterns by hand where the set or the screen says so. Confirms a count only when it is
right; else puts it right if one press can, and if not, stops, chooses the part that the screen
shows and starts again. In a silence of under two seconds the performer presses nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy

from companion.follow.changes import Outcome
from companion.follow.conductor import Conductor, Send, Standing
from companion.follow.transport import State
from companion.follow.trust import CLOCK_LOST, PASSING
from companion.setlist.model import Unit
from tests.nights.box import CONTINUE, STOP
from tests.nights.night import PORT, SECOND, Stage

# The performer looks at the screen every so many ticks, and changes by hand this far ahead.
LOOK_TICKS, AHEAD_TICKS = 6, 24
# Doubts that end by themselves, or else last.
SHORT = (*PASSING, CLOCK_LOST)
GOING = (Unit.PHRASES, Unit.PHRASES, Unit.PASSES)
ALIGNED = (Unit.BARS, Unit.PASSES, Unit.PHRASES)


class Performer:
    """Acts on one stage until the set is over."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self._rng = stage.rng
        # How busy the performer is: seconds between two whims, on average.
        self._calm = self._rng.choice((8.0, 20.0, 60.0, 200.0))
        self._ticks = 0
        self._doubt_ns = 0
        self._patience_ns = 0
        self._tried = 0
        stage.on_tick = self._tick
        stage.on_heard = self._heard
        stage.on_held = self._held

    def come_on(self) -> None:
        """Switch on and start."""
        stage, rng = self._stage, self._rng
        stage.switch_on()
        if stage.kind.transport and rng.random() < 0.1:
            # The box plays already when the software comes up.
            stage.line.out_until_ns = stage.now_ns + round(rng.uniform(1, 9) * SECOND)
            self._start()
        else:
            stage.after(rng.uniform(0.1, 4), self._start)
        stage.after(rng.expovariate(1 / self._calm), self._whim)
        stage.after(2, self._glance)

    # -- at the box --------------------------------------------------------------------------

    def _start(self) -> None:
        if self._must_wait():
            self._stage.after(0.5, self._start)
            return
        if self._stage.box.running and not self._stage.kind.transport:
            # Nothing would tell.
            return
        self._stage.say("start")
        self._stage.press_start()

    def _continue(self) -> None:
        if self._must_wait():
            self._stage.after(0.5, self._continue)
            return
        self._stage.say("continue")
        self._stage.press_continue()

    def _must_wait(self) -> bool:
        """Whether a press now could go unheard without anybody noticing."""
        return self._stage.short_silence

    def _whim(self) -> None:
        stage, rng = self._stage, self._rng
        stage.after(rng.expovariate(1 / self._calm), self._whim)
        if self._must_wait() or not stage.box.running:
            return
        whims: list[tuple[float, Callable[[], None]]] = [
            (3, self._go_next),
            (1, self._go_elsewhere),
            (0.5, self._go_now),
            (0.5, self._stay),
            (1, self._take_back),
            (1, self._disarm),
            (0.5, self._align),
        ]
        if stage.kind.transport:
            whims += [
                (1, self._pause),
                (0.3, self._start),
                (0.3, lambda: stage.send(STOP) if not stage.box.running else self._pause()),
                (0.3, lambda: stage.send(CONTINUE)),
                (0.1, lambda: stage.locate(rng.randrange(stage.box.length // 6 * 4 + 1))),
            ]
        else:
            whims.append((0.3, self._pause))
        rng.choices([w for _, w in whims], [p for p, _ in whims])[0]()

    def _held(self) -> None:
        """A change is about to leave: the worst of moments to press something."""
        stage, rng = self._stage, self._rng
        if not stage.rough or rng.random() < 0.5 or self._must_wait() or not stage.box.running:
            return
        whims = [self._go_now, self._take_back, self._disarm, self._align]
        if stage.kind.transport:
            whims += [self._start, self._pause]
        stage.after(rng.uniform(0, 0.02), rng.choice(whims))

    def _pause(self) -> None:
        """Stop, and after a while go on one way or another."""
        stage, rng = self._stage, self._rng
        stage.say("stop")
        stage.press_stop()
        if not stage.kind.transport:
            # Without a stop message only a silence can tell, and a short one tells nothing.
            stage.after(rng.uniform(2.5, 8), self._start)
            return
        pause = rng.uniform(0.2, 1.5) if rng.random() < 0.5 else rng.uniform(1, 12)
        if rng.random() < 0.2:
            stage.after(pause / 3, lambda: stage.send(STOP))
        if rng.random() < 0.3 and stage.box.part:
            stage.after(pause / 2, self._go_next)
        if rng.random() < 0.15:
            stage.after(pause * 2 / 3, self._move)
            stage.after(pause, self._continue)
        else:
            stage.after(pause, self._start if rng.random() < 0.6 else self._continue)

    def _move(self) -> None:
        stage = self._stage
        if not stage.box.running and not self._must_wait():
            most = 4 * stage.box.length if self._rng.random() < 0.7 else 3000
            stage.locate((stage.box.part_song + self._rng.randrange(most)) // 6)
            stage.say("position moved")

    # -- at the screen -----------------------------------------------------------------------

    def _go_next(self) -> None:
        self._go(lambda c: c.go_next(self._rng.choice(GOING)), "next")

    def _go_elsewhere(self) -> None:
        number = self._rng.randint(1, len(self._stage.setlist.parts))
        self._go(lambda c: c.go_to(number, self._rng.choice(GOING)), f"to part {number}")

    def _go_now(self) -> None:
        # When a box that changes at once begins, between two ticks, is its own affair.
        if not self._stage.kind.at_once:
            self._go(lambda c: c.go_now(), "now")

    def _go(self, press: Callable[[Conductor], tuple[Send, ...]], words: str) -> None:
        stage, c = self._stage, self._stage.conductor
        if stage.box.running and c.state is not State.RUNNING:
            # The screen does not follow: nothing to ask of it.
            return
        if not self._nothing_by_hand_yet():
            return
        part = c.part.number
        sends = press(c)
        stage.say(f"{words}: {c.notice}")
        stage.take(sends)
        if c.part.number != part and not stage.box.running and "by hand" in c.notice + self._how():
            stage.box.choose(c.part.number)

    def _stay(self) -> None:
        if self._nothing_by_hand_yet():
            self._stage.conductor.stay()
            self._stage.say(f"stay: {self._stage.conductor.notice}")

    def _nothing_by_hand_yet(self) -> bool:
        return self._stage.box.queued is None and self._stage.box.press_at is None

    def _how(self) -> str:
        """What the screen says about how changes are made, while nothing runs."""
        c = self._stage.conductor
        told = any(change.instrument == "drums" for change in c.part.changes)
        return "" if c.sends and c.armed and told else "by hand"

    def _take_back(self) -> None:
        stage = self._stage
        if self._nothing_by_hand_yet():
            stage.conductor.take_back()
            stage.say(f"back: {stage.conductor.notice}")

    def _disarm(self) -> None:
        stage = self._stage
        stage.conductor.arm(False)
        stage.say("disarmed")
        stage.after(self._rng.expovariate(1 / 15), self._arm)

    def _arm(self) -> None:
        self._stage.conductor.arm(True)
        self._stage.say("armed")

    def _align(self) -> None:
        self._align_on(self._rng.choice(ALIGNED))

    def _heard(self) -> None:
        """A box that sends clock alone is counted from a press on its first tick."""
        stage, truth = self._stage, self._stage.judge.truth
        c = stage.conductor
        if stage.kind.transport or truth.tick or (c.sure and c.state is State.RUNNING):
            return
        if truth.part == c.part.number and stage.follower.port == PORT and stage.line_is_idle:
            stage.judge.person_ns = stage.now_ns
            c.align()
            stage.say("align")

    def _tick(self) -> None:
        self._ticks += 1
        if self._ticks % LOOK_TICKS == 0:
            self._change_by_hand(self._stage.conductor.standing())

    def _change_by_hand(self, standing: Standing) -> None:
        stage, box = self._stage, self._stage.box
        if standing.end is None or not (standing.sure or standing.doubt in SHORT):
            return
        # By ear: the music goes on where the clock is lost for a moment.
        left = standing.end - box.tick
        if not 0 < left <= min(AHEAD_TICKS, box.length) or box.part != standing.part.number:
            return
        own = [p for p in standing.pending if p.change.instrument == "drums"]
        if own and standing.armed and standing.sends and own[0].outcome is not Outcome.BY_HAND:
            return
        if own and own[0].outcome in (Outcome.SENT, Outcome.MISSED):
            return
        if self._nothing_by_hand_yet():
            stage.say("change by hand")
            stage.tally.by_hand += 1
            assert standing.following is not None
            if stage.kind.at_once:
                box.press_at = (standing.following.number, standing.end)
            else:
                box.choose(standing.following.number)

    # -- when the count is unsure ------------------------------------------------------------

    def _glance(self) -> None:
        """See whether all is well, and do something about it if it is not for long."""
        stage, rng, c = self._stage, self._rng, self._stage.conductor
        stage.after(0.7, self._glance)
        box = stage.box
        astray = box.running is not (c.state in (State.RUNNING, State.LOST))
        passing = c.standing().doubt in SHORT
        if (c.sure or passing) and not astray:
            self._doubt_ns = self._tried = 0
            return
        if not self._doubt_ns:
            self._doubt_ns = stage.now_ns
            self._patience_ns = round(rng.uniform(1, 6) * SECOND)
        if stage.now_ns - self._doubt_ns < self._patience_ns or not stage.line_is_idle:
            return
        if stage.follower.port != PORT and stage.follower.port is not None:
            return
        if not box.running:
            # Pauses end by themselves; a box that stands while the count runs is started again.
            if c.state is State.RUNNING and self._patience_ns < stage.now_ns - self._doubt_ns:
                self._begin_again()
            return
        if not astray and self._put_right():
            return
        self._tried += 1
        if self._tried > 3:
            self._begin_again()

    def _put_right(self) -> bool:
        """Tell the software the truth, if one press can."""
        if not self._queue_is_shown():
            return False
        c, truth = self._stage.conductor, self._stage.judge.truth
        if self._try("confirm", lambda c: c.confirm()):
            return True
        if c.part.number == truth.part:
            for unit in (Unit.PHRASES, Unit.PASSES):
                by, rest = divmod(truth.tick - c.tick, unit.ticks(c.part.pattern))
                if by and not rest and self._nudge(unit, by):
                    return True
            return any(self._align_on(unit) for unit in ALIGNED)
        return False

    def _nudge(self, unit: Unit, by: int) -> bool:
        return self._try(f"nudge by {by} {unit.value}", lambda c: c.nudge(unit, by))

    def _align_on(self, unit: Unit) -> bool:
        return self._try(f"align on the {unit.value}", lambda c: c.align(unit))

    def _queue_is_shown(self) -> bool:
        """Whether box and screen agree on what comes next."""
        stage = self._stage
        box, pending = stage.box, stage.conductor.standing().pending
        sent = any(p.change.instrument == "drums" and p.outcome is Outcome.SENT for p in pending)
        return sent is (box.queued is not None) and box.press_at is None

    def _try(self, words: str, press: Callable[[Conductor], None]) -> bool:
        """Press, if the count will be right after it."""
        stage = self._stage
        truth, c = stage.judge.truth, stage.conductor
        if not stage.line_is_idle or not stage.box.running or stage.follower.port != PORT:
            return False
        trial = deepcopy(c, {id(stage.setlist): stage.setlist})
        press(trial)
        if not trial.sure or (trial.part.number, trial.tick) != (truth.part, truth.tick):
            return False
        stage.judge.person_ns = stage.now_ns
        press(c)
        stage.say(words)
        return True

    def _begin_again(self) -> None:
        """Stop, choose by hand what the screen shows, and start."""
        stage = self._stage
        self._doubt_ns = self._tried = 0
        stage.say("begin again")
        stage.press_stop()
        stage.after(0.3 if stage.kind.transport else 2.5, self._choose_and_start)

    def _choose_and_start(self) -> None:
        stage = self._stage
        if self._must_wait():
            stage.after(0.5, self._choose_and_start)
            return
        if stage.box.running:
            # Set going again meanwhile, and told what it plays: choosing now would be a change
            # by hand that nobody planned.
            return
        stage.judge.person_ns = stage.now_ns
        stage.box.choose(stage.conductor.part.number)
        self._start()
