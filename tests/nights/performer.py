"""The performer of a night: plays the box, asks things of the software, and tells it the truth.

Changes patterns by hand where the set or the screen says so. Confirms a count only when it is
right; else puts it right if one press can, and if not, stops, chooses the part that the screen
shows and starts again. In a silence of under two seconds the performer presses nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy

from companion.follow.conductor import CLOCK_LOST, CLOCK_ODD, Outcome, Standing, ends_by_plan
from companion.follow.transport import State
from companion.setlist import Unit
from tests.nights.box import CONTINUE, STOP
from tests.nights.night import PORT, SECOND, Stage

# The performer looks at the screen every so many ticks, and changes by hand this far ahead.
LOOK_TICKS, AHEAD_TICKS = 6, 24
# So long before a boundary it may come to the performer's mind to disarm.
WAVER_TICKS = 48
# Doubts that end by themselves, or else last.
SHORT = (CLOCK_ODD, CLOCK_LOST)
GOING = ("next", "next", "next pass")
ALIGNED = ("bar", "pass", "phrase")
UNITS = {"phrase": Unit.PHRASES, "pass": Unit.PASSES}


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
            out_ns = round(rng.uniform(1, 9) * SECOND)
            ends = ends_by_plan(stage.setlist, 1)
            if stage.plays and ends is not None:
                # Not beyond its planned end, which notes do not tell (docs/faults.md).
                out_ns = min(out_ns, ends // 2 * stage.hand.period_ns(stage.now_ns))
            stage.line.out_until_ns = stage.now_ns + out_ns
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
            (1.5, lambda: self._say("undo")),
            (1, self._disarm),
            (0.5, self._align),
        ]
        if stage.kind.names:
            whims.append((4 if stage.night == "hands" else 1, self._pick))
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
        whims = [self._go_now, lambda: self._say("undo"), self._disarm, self._align]
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
        if rng.random() < 0.2 and stage.kind.names:
            stage.after(pause / 4, self._pick)
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

    def _pick(self) -> None:
        """Choose a pattern on the box, and perhaps think better of it."""
        stage, rng = self._stage, self._rng
        if not stage.box.part or self._must_wait() or not stage.kind.names:
            return
        number = rng.randint(1, len(stage.setlist.parts))
        if stage.kind.at_once and number == stage.box.part:
            return
        if not any(c.instrument == "drums" for c in stage.setlist.parts[number - 1].changes):
            # It has no program to tell, and is changed by hand when the plan says so.
            return
        stage.choose(number)
        stage.say(f"pick {number}")
        if rng.random() < 0.2:
            stage.after(rng.uniform(0.05, 2.5), self._pick)

    def _go_next(self) -> None:
        self._go(self._rng.choice(GOING))

    def _go_elsewhere(self) -> None:
        self._go(f"part {self._rng.randint(1, len(self._stage.setlist.parts))}")

    def _go_now(self) -> None:
        # When a box that changes at once begins, between two ticks, is its own affair.
        if not self._stage.kind.at_once:
            self._go("now")

    def _go(self, words: str) -> None:
        stage = self._stage
        if stage.dead or (stage.box.running and stage.status.state != "running"):
            # The screen does not follow: nothing to ask of it.
            return
        if not self._nothing_by_hand_yet():
            return
        part = stage.status.part
        stage.wish(words)
        seen = stage.status
        stage.say(f"{words}: {seen.notice}")
        stands = not stage.box.running
        if seen.part != part and stands and "by hand" in seen.notice + self._how():
            stage.choose(seen.part)

    def _stay(self) -> None:
        self._say("stay")

    def _say(self, words: str) -> None:
        stage = self._stage
        if self._nothing_by_hand_yet() and not stage.dead:
            stage.wish(words)
            stage.say(f"{words}: {stage.status.notice}")

    def _nothing_by_hand_yet(self) -> bool:
        return self._stage.box.queued is None and self._stage.box.press_at is None

    def _how(self) -> str:
        """What the screen says about how changes are made, while nothing runs."""
        seen = self._stage.follower.standing()
        told = any(change.instrument == "drums" for change in seen.part.changes)
        return "" if seen.sends and seen.armed and told else "by hand"

    def _disarm(self) -> None:
        stage = self._stage
        stage.arm(False)
        stage.say("disarmed")
        stage.after(self._rng.expovariate(1 / 15), self._arm)

    def _arm(self) -> None:
        stage = self._stage
        if stage.dead:
            stage.after(0.5, self._arm)
            return
        stage.arm(True)
        stage.say("armed")

    def _align(self) -> None:
        self._align_on(self._rng.choice(ALIGNED))

    def _heard(self) -> None:
        """A box that sends clock alone is counted from a press on its first tick."""
        stage, truth = self._stage, self._stage.judge.truth
        if stage.kind.transport or truth.tick:
            return
        seen = stage.status
        if seen.sure and seen.state == "running":
            return
        idle = stage.line_is_idle and stage.follower.port == PORT and not stage.dead
        if truth.part == seen.part and idle:
            stage.judge.person_ns = stage.now_ns
            stage.wish("align")
            stage.say("align")

    def _tick(self) -> None:
        self._ticks += 1
        if self._ticks % LOOK_TICKS == 0:
            standing = self._stage.follower.standing()
            self._waver(standing)
            self._change_by_hand(standing)

    def _waver(self, standing: Standing) -> None:
        """With hands on the box: disarm about a boundary, and soon arm again."""
        stage = self._stage
        if stage.night != "hands" or standing.end is None or not stage.armed or stage.dead:
            return
        if 0 < standing.end - stage.box.tick <= WAVER_TICKS and stage.worst.random() < 0.03:
            stage.arm(False)
            stage.say("disarmed for a moment")
            stage.after(stage.worst.uniform(0.01, 1.2), self._arm)

    def _change_by_hand(self, standing: Standing) -> None:
        stage, box = self._stage, self._stage.box
        if standing.end is None or not (standing.sure or standing.doubt in SHORT):
            return
        if standing.state not in (State.RUNNING, State.LOST):
            # Nothing was heard of it yet: it plays the first part, which is taken for granted.
            return
        # By ear: the music goes on where the clock is lost for a moment.
        left = standing.end - box.tick
        if not 0 < left <= min(AHEAD_TICKS, box.length) or box.part != standing.part.number:
            return
        own = [p for p in standing.pending if p.change.instrument == "drums"]
        if own and standing.armed and standing.sends and own[0].outcome is not Outcome.BY_HAND:
            return
        if own and own[0].outcome in (Outcome.SENT, Outcome.TOLD, Outcome.MISSED):
            return
        if self._nothing_by_hand_yet():
            stage.say("change by hand")
            stage.tally.by_hand += 1
            assert standing.following is not None
            if stage.kind.at_once:
                box.press_at = (standing.following.number, standing.end)
            else:
                stage.choose(standing.following.number)

    # -- when the count is unsure ------------------------------------------------------------

    def _glance(self) -> None:
        """See whether all is well, and do something about it if it is not for long."""
        stage, rng = self._stage, self._rng
        stage.after(0.7, self._glance)
        if stage.dead:
            return
        box, seen = stage.box, stage.follower.standing()
        astray = box.running is not (seen.state in (State.RUNNING, State.LOST))
        if (seen.sure or seen.doubt in SHORT) and not astray:
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
            if seen.state is State.RUNNING and self._patience_ns < stage.now_ns - self._doubt_ns:
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
        seen, truth = self._stage.status, self._stage.judge.truth
        if self._try("confirm"):
            return True
        if seen.part == truth.part:
            pattern = self._stage.setlist.parts[seen.part - 1].pattern
            for name, unit in UNITS.items():
                by, rest = divmod(truth.tick - seen.tick, unit.ticks(pattern))
                way = "forward" if by > 0 else "back"
                if by and not rest and self._try(f"nudge {way} a {name}", abs(by)):
                    return True
            return any(self._align_on(unit) for unit in ALIGNED)
        return False

    def _align_on(self, unit: str) -> bool:
        return self._try(f"align {unit}")

    def _queue_is_shown(self) -> bool:
        """Whether box and screen agree on what comes next."""
        stage = self._stage
        box, seen = stage.box, stage.follower.standing()
        held = (Outcome.SENT, Outcome.TOLD)
        out = any(p.change.instrument == "drums" and p.outcome in held for p in seen.pending)
        if box.queued is None or not out:
            return box.press_at is None and box.queued is None and not out
        return seen.following is not None and box.queued == seen.following.number

    def _try(self, words: str, times: int = 1) -> bool:
        """Press so many times, if the count will be right after it."""
        stage = self._stage
        truth = stage.judge.truth
        if stage.dead or not stage.line_is_idle or not stage.box.running:
            return False
        if stage.follower.port != PORT:
            return False
        if times > 20:
            return False
        # Who only listens takes no wish, and is most of what there is.
        made = stage.follower._made
        shared = (stage.setlist, made.ears, made.heard)
        trial = deepcopy(stage.follower, {id(each): each for each in shared})
        for _ in range(times):
            trial.wish(words, stage.now_ns)
        seen = trial.status()
        if not seen.sure or (seen.part, seen.tick) != (truth.part, max(truth.tick, 0)):
            return False
        stage.judge.person_ns = stage.now_ns
        for _ in range(times):
            stage.wish(words)
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
        stage.choose(stage.status.part)
        self._start()
