"""A follower and a box on one stage, in simulated time, and the events that may happen there.

An event is a tuple, its name first; the stories, the search and the nights all speak in them.
`Stage.do` lets one happen, or says that what docs/faults.md takes for granted does not allow it.
"""

from __future__ import annotations

import copy
import copyreg
import io
import pickle
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

from companion.setlist import load
from tests.search.box import (
    BEAT,
    CLOCK,
    CONTINUE,
    PROGRAM,
    SIXTEENTH,
    START,
    STOP,
    Book,
    Box,
    Judge,
)

Event = tuple[Any, ...]

PORT = "tide box"
MS, SECOND = 1_000_000, 1_000_000_000
# 125 beats a minute: 60 / (125 x 24) s a clock.
PERIOD_NS = 20 * MS
# The computer has been on for 40 days, so that no time can be taken for anything else.
BEGIN_NS = 3_600_000 * SECOND
# docs/faults.md: nobody presses anything within a silence shorter than this, or while the engine
# was away for less than that.
SHORT_S, AWAY_S = 2.0, 10.0
# docs/faults.md: so many ticks after a start, continue or position arrive.
FIRST_TICKS = 3
# Looks of the engine's watch in a silence, in seconds from its beginning: dense at first.
LOOKS_S = (*(i / 100 for i in range(1, 31)), 0.5, 1.0, 1.5, 1.99, 2.01, 3.0, 5.0, 8.0)
# The engine's watch looks every 10 ms: two looks to see something.
LOOKS_NS = 20 * MS
# docs/design: a checkpoint is kept at least so often.
KEPT_NS = 250 * MS


class Charged(Exception):
    """What the judge charges the follower with."""


@cache
def set_of(book: Book) -> Any:
    """The set list of a book, as the project reads it from a file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "tidewater.yaml"
        path.write_text(book.text())
        return load(str(path))


def _reachable(root: object) -> list[object]:
    """Everything that hangs on a set list and is no bare value."""
    found: dict[int, object] = {}
    todo = [root]
    while todo:
        thing = todo.pop()
        if id(thing) in found or thing is None or isinstance(thing, (int, float, str, bytes, type)):
            continue
        found[id(thing)] = thing
        if isinstance(thing, dict):
            todo += [*thing.keys(), *thing.values()]
        elif isinstance(thing, (tuple, list, set, frozenset)):
            todo += list(thing)
        else:
            todo += list(getattr(thing, "__dict__", {}).values())
            slots = {
                name for kind in type(thing).__mro__ for name in getattr(kind, "__slots__", ())
            }
            todo += [getattr(thing, name) for name in slots if hasattr(thing, name)]
    return list(found.values())


@cache
def _shared(book: Book) -> list[object]:
    return _reachable(set_of(book))


def _thing(book: Book, index: int) -> object:
    return _shared(book)[index]


def _freeze(book: Book, value: object) -> bytes:
    """A value as bytes, in which what belongs to the set list is only named."""
    shared = _shared(book)
    places = {id(thing): index for index, thing in enumerate(shared)}

    def reduced(thing: Any) -> Any:
        index = places.get(id(thing))
        return thing.__reduce_ex__(5) if index is None else (_thing, (book, index))

    kinds = {type(thing) for thing in shared} - {dict, tuple, list, set, frozenset}
    out = io.BytesIO()
    pickler = pickle.Pickler(out, 5)
    pickler.dispatch_table = {**copyreg.dispatch_table, **dict.fromkeys(kinds, reduced)}
    pickler.dump(value)
    return out.getvalue()


class Stage:
    """One follower, one box, one judge. `kind` is the follower's class.

    `rng` makes the clock unsteady; without it all is exact. With `keeps` a kill finds the
    checkpoint that was kept last, as old as it may be; without, one of that very moment. `tell` is
    told in words what happens.
    """

    def __init__(
        self,
        book: Book,
        kind: Any,
        *,
        armed: bool = True,
        rng: Random | None = None,
        keeps: bool = False,
        period_ns: int = PERIOD_NS,
        tell: Callable[[str], None] | None = None,
    ) -> None:
        self.book, self.kind, self.rng, self.tell = book, kind, rng, tell
        self.keeps = keeps
        self.period_ns = period_ns
        self.now_ns = BEGIN_NS
        self.next_tick_ns = BEGIN_NS + 2 * MS
        self.box = Box(book)
        self.judge = Judge(self.box)
        self.follower = kind(set_of(book), sends=armed)
        self.armed = armed
        # Sends that wait for their time, each with how often the box had been set going or stopped.
        self.held: list[tuple[Any, int]] = []
        self.moves = 0
        # Whether the next send is to fail; what is to happen to the engine at its next send.
        self.fails = False
        self.dies = ""
        # Ticks heard since the box was set going or moved; whether some have gone by unheard.
        self.since_set = 0
        self.gap = False
        self.begun = False
        # What was chosen on the box, and nobody heard.
        self.hidden: int | None = None
        # When the latest tick was heard, or the box set going.
        self.heard_ns = BEGIN_NS
        # Of a change that is to be made by hand: to which part and at which tick, and for how many
        # ticks that has been shown, sure.
        self.shown: tuple[int, int, int] | None = None
        # When the engine came back, until a tick is heard or it has been back for long.
        self.back_ns: int | None = None
        self.kept: Any = None
        self.kept_ns = 0
        # Ticks heard of the box while it played, and those at which the follower was sure.
        self.heard_ticks = self.sure_ticks = 0
        self.sends = 0
        self._follow(self.follower.passed(self.now_ns))
        self._keep()

    def copier(self) -> Callable[[], Stage]:
        """What makes as many other stages as you like on which the same has happened so far."""
        inside = (self.follower, self.held)
        try:
            frozen = _freeze(self.book, inside)
        except Exception:
            # A deep copy is all that the contract promises; reading back a frozen one is faster.
            shared = _shared(self.book)
            return lambda: self._with(copy.deepcopy(inside, {id(one): one for one in shared}))
        return lambda: self._with(pickle.loads(frozen))

    def _with(self, inside: tuple[Any, Any]) -> Stage:
        new = copy.copy(self)
        new.follower, new.held = inside
        new.box = copy.copy(self.box)
        new.judge = copy.copy(self.judge)
        new.judge.box = new.box
        new.judge.wishes = list(self.judge.wishes)
        return new

    # -- what may happen -------------------------------------------------------------------------

    def may(self, event: Event) -> bool:
        """Whether what docs/faults.md takes for granted allows an event now."""
        name, *more = event
        allowed = getattr(self, f"_may_{name}", None)
        return allowed is None or bool(allowed(*more))

    def do(self, event: Event) -> bool:
        """Let an event happen; False if it may not, and then nothing has.

        Raises:
            Charged: the follower is sure and wrong, or sent what it must not.
        """
        if not self.may(event):
            return False
        name, *more = event
        if self.tell is not None:
            self.tell(f"-- {words_of(event)}")
        try:
            getattr(self, f"_do_{name}")(*more)
        except Charged:
            raise
        except Exception as fault:
            raise Charged(f"raises {type(fault).__name__}: {fault}") from fault
        if self.tell is not None:
            self.tell(f"   {self.where}")
        return True

    @property
    def where(self) -> str:
        """The box and what the follower shows, in words."""
        status, box = self.follower.status(), self.box
        waits = "" if box.waiting is None else f" ({self.book.part_of(box.waiting)} waits)"
        going = "plays" if box.running else "stands"
        sure = "sure" if status.sure else f"unsure: {status.doubt}"
        return (
            f"the box {going} {self.book.part_of(box.program)}:{box.tick}{waits}; shown "
            f"{status.state} {status.part}:{status.tick}, {sure}"
        )

    def _do_ticks(self, count: int) -> None:
        for _ in range(count):
            if self.box.running or self.book.kind.idle_clock:
                self._tick()
            else:
                self._until(self.now_ns + self.period_ns)
        if self.book.kind.idle_clock or self.box.running:
            self._until(max(self.now_ns, self.next_tick_ns - self.period_ns + 8 * MS))
        self._look()

    @property
    def _steady(self) -> bool:
        """Whether ticks may go by unheard: the first ones after a start or position do not."""
        return not self.box.running or self.since_set >= FIRST_TICKS

    def _may_lost(self, count: int) -> bool:
        return self.box.running and not self.gap and self._steady

    def _do_lost(self, count: int) -> None:
        self._unheard(count * self.period_ns, looks=True)

    def _may_silence(self, seconds: float, *acts: Event) -> bool:
        return self._steady and (not acts or (seconds > SHORT_S and self._may_act(acts)))

    def _do_silence(self, seconds: float, *acts: Event) -> None:
        self._away(seconds, acts, looks=True)

    def _may_gone(self, seconds: float, *acts: Event) -> bool:
        return self._may_silence(seconds, *acts)

    def _do_gone(self, seconds: float, *acts: Event) -> None:
        self._follow(self.follower.port_gone(PORT, self.now_ns))
        self._away(seconds, acts, looks=True)

    def _may_act(self, acts: tuple[Event, ...]) -> bool:
        # What stands still while nobody listens, nobody plays.
        return self.box.running and not self.gap

    def _away(self, seconds: float, acts: tuple[Event, ...], *, looks: bool) -> None:
        span = round(seconds * SECOND) // (len(acts) + 1)
        for act in acts:
            self._unheard(span, looks=looks)
            self._act(act)
        self._unheard(span, looks=looks)
        if seconds > (SHORT_S if looks else AWAY_S):
            self.gap = False

    def _act(self, act: Event) -> None:
        """A hand does something that nobody hears."""
        name, *more = act
        box = self.box
        self.shown = None
        if name == "start":
            box.start(*more)
            self._set_going()
        elif name == "stop":
            box.stop(*more)
        elif name == "choose":
            box.choose(self.book.parts[more[0] - 1].program)
            self.hidden = box.waiting
        else:
            raise ValueError(act)

    def _may_start(self, how: str = "takes") -> bool:
        drops = self.box.waiting is not None and not self.box.settled
        return not self.gap and (how == "takes" or drops)

    def _do_start(self, how: str = "takes") -> None:
        message = self.box.start(how)
        self.judge.doubtful_wishes = bool(self.judge.wishes)
        self._set_going()
        self._hear(message)

    def _may_stop(self, how: str = "keeps") -> bool:
        box = self.box
        may = box.running and not self.gap
        waits = box.waiting is not None and not box.kept and (how == "takes" or not box.settled)
        return may and (how == "keeps" or waits)

    def _do_stop(self, how: str = "keeps") -> None:
        self.judge.doubtful_wishes = bool(self.judge.wishes)
        self.shown = None
        self._hear(self.box.stop(how))

    def _may_continue(self) -> bool:
        return not self.box.running and not self.gap

    def _do_continue(self) -> None:
        message = self.box.go_on()
        self._set_going()
        self._hear(message)

    def _may_position(self, sixteenths: int) -> bool:
        # Whether a change is taken where it is moved to the end of a pass, nobody knows.
        tick = SIXTEENTH * sixteenths - self.box.began
        return not self.gap and (tick <= 0 or tick % self.box.pass_ticks != 0)

    def _do_position(self, sixteenths: int) -> None:
        message = self.box.locate(sixteenths)
        self.shown = None
        self.judge.doubtful_wishes = bool(self.judge.wishes)
        self.since_set = 0
        self._hear(message)

    def _may_choose(self, part: int) -> bool:
        if not 1 <= part <= len(self.book.parts):
            return False
        if self.book.kind.names:
            return True
        # What nobody hears is done only as the plan has it, where nothing is sent.
        status = self.follower.status()
        change = status.next_change
        if self.armed or change is None or change.part != part or not status.sure:
            return False
        soon = 1 if self.book.kind.at_once else self.box.left
        return self.box.running and soon >= change.ticks

    def _do_choose(self, part: int) -> None:
        self.shown = self.hidden = None
        for message in self.box.choose(self.book.parts[part - 1].program):
            self._hear(message)

    def _may_stays(self) -> bool:
        return self.box.waiting is not None and not self.box.by_hand

    def _do_stays(self) -> None:
        self._hear(self.box.says())

    def _may_ignore(self) -> bool:
        box = self.box
        return (
            self.book.kind.ignores
            and box.waiting is not None
            and not box.by_hand
            and box.running
            and not self.gap
        )

    def _do_ignore(self) -> None:
        self.box.ignore()

    def _do_wish(self, words: str) -> None:
        if words in ("arm", "disarm"):
            self.armed = words == "arm"
        # What is wished for counts from the press on: it may be sent at once.
        status = self.follower.status()
        right = self.book.parts[status.part - 1].program == self.box.program
        self.judge.wished(words, sure=status.sure and right)
        self._follow(self.follower.wish(words, self.now_ns))
        if self.follower.status().next_change != status.next_change:
            # It is shown otherwise now.
            self.shown = None
        self._keep()
        self._judge()

    def _may_confirm(self) -> bool:
        status, box = self.follower.status(), self.box
        program = self.book.parts[status.part - 1].program
        # Of one that stands still, what was chosen on it comes with the start.
        chosen = box.by_hand and not box.running and box.waiting not in (None, program)
        shows = program == box.program and not chosen
        same = status.tick == max(box.tick, 0) and (status.state == "running") == box.running
        return shows and same and not self.gap and not box.adrift and self._plain

    def _do_confirm(self) -> None:
        self._do_wish("confirm")

    def _may_align(self, how: str = "") -> bool:
        return self.box.running and not self.box.adrift and self._plain

    def _do_align(self, how: str = "") -> None:
        """Wait for the next pass and press on its one, where the part that is shown is right.

        It says that the nearest start is now, and is pressed where that is true; `blind`, also
        where the count is so far off that another start is nearer.
        """
        box = self.box
        for _ in range(2 * box.pass_ticks):
            self._tick()
            if box.tick % box.pass_ticks == 0:
                break
        self._until(self.now_ns + 8 * MS)
        status = self.follower.status()
        part = self.book.parts[status.part - 1]
        if part.program != box.program or status.state not in ("running", "ready"):
            return
        unit = "phrase" if box.tick % part.phrase_ticks == 0 else "pass"
        length = part.phrase_ticks if unit == "phrase" else part.pass_ticks
        if not box.tick:
            self._do_wish("align")
        elif how == "blind" or 2 * abs(box.tick - status.tick) < length:
            self._do_wish(f"align {unit}")

    @property
    def _plain(self) -> bool:
        """Whether nothing is chosen or was ignored that has not shown yet."""
        box = self.box
        hidden = box.waiting is not None and box.waiting == self.hidden
        return not box.ignoring and not box.ignored_left and not hidden

    def _may_nudge(self) -> bool:
        return bool(self._nudge()) and not self.gap and self._plain

    def _do_nudge(self) -> None:
        self._do_wish(self._nudge())

    def _nudge(self) -> str:
        status, box = self.follower.status(), self.box
        part = self.book.parts[status.part - 1]
        if part.program != box.program or not box.running or box.adrift:
            return ""
        off = box.tick - status.tick
        for unit, ticks in (("pass", part.pass_ticks), ("phrase", part.phrase_ticks)):
            if abs(off) == ticks:
                return f"nudge {'forward' if off > 0 else 'back'} a {unit}"
        return ""

    def _may_kill(self, seconds: float, *acts: Event) -> bool:
        # A box that stands still may be set going, if the engine is away for so long.
        # Whoever starts first plays the first part: nobody does before that is heard.
        return self._steady and (not acts or (seconds > AWAY_S and self.begun))

    def _do_kill(self, seconds: float, *acts: Event) -> None:
        kept = self.kept if self.keeps else self.follower.checkpoint(self.now_ns)
        self._kill(kept, seconds, acts)

    def _may_die(self, when: str, seconds: float) -> bool:
        return self.armed and self.box.running and not self.gap

    def _do_die(self, when: str, seconds: float) -> None:
        """Play on until a change leaves, and kill the engine just before or after it does."""
        self.dies = f"{when} {seconds}"
        for _ in range(2 * self.box.pass_ticks):
            self._tick()
            if not self.dies:
                return
        self.dies = ""
        self._until(self.next_tick_ns - self.period_ns + 8 * MS)

    def _do_tempo(self, factor: float) -> None:
        """The tempo is turned, to so many times what it was."""
        self.period_ns = round(self.period_ns / factor)

    def _do_fail(self) -> None:
        self.fails = True

    def _do_wait(self, ms: float) -> None:
        """Some time goes by, and ticks with it."""
        until_ns = self.now_ns + round(ms * MS)
        while (self.box.running or self.book.kind.idle_clock) and self.next_tick_ns <= until_ns:
            self._tick()
        self._until(until_ns)
        self._look()

    # -- inside ----------------------------------------------------------------------------------

    def _set_going(self) -> None:
        self.since_set = 0
        self.shown = None
        self.heard_ns = self.now_ns
        self.next_tick_ns = self.now_ns + 2 * MS

    def _until(self, t_ns: int) -> None:
        """Let time go on, and out what was held for a moment until then."""
        while self.held:
            held = min(self.held, key=lambda one: int(one[0].at_ns))
            send, moves = held
            if send.at_ns > t_ns:
                break
            self.held.remove(held)
            self.now_ns = max(self.now_ns, send.at_ns)
            if self.follower.keeps(send):
                if moves != self.moves:
                    raise Charged("lets a change leave although it heard a stop or start meanwhile")
                self._leave(send)
        self.now_ns = max(self.now_ns, t_ns)

    def _tick(self) -> None:
        late = 0 if self.rng is None else round(abs(self.rng.gauss(0.0, 0.3)) * MS)
        self._until(self.next_tick_ns + late)
        self.next_tick_ns += self.period_ns
        if not self.box.running:
            self._hear(CLOCK)
            return
        self.heard_ns = self.now_ns
        self.heard_ticks += 1
        self.since_set += 1
        messages = self.box.clock()
        at = messages.index(CLOCK)
        for message in messages[:at]:
            self._follow(self.follower.hear(PORT, self.now_ns, message))
        self.gap = False
        follower = self.follower
        for message in messages[at:]:
            if self.follower is follower:
                self._hear(message)
        if not self.armed:
            self._by_hand()

    def _by_hand(self) -> None:
        """Where nothing is sent, the player makes the change that has been shown for a beat.

        So also if the screen is unsure meanwhile, or dark.
        """
        status, box = self.follower.status(), self.box
        if status.sure and status.state == "running":
            change = status.next_change
            if change is None:
                self.shown = None
            else:
                due = box.tick + change.ticks
                same = self.shown is not None and self.shown[:2] == (change.part, due)
                ticks = self.shown[2] + 1 if self.shown is not None and same else 0
                self.shown = (change.part, due, ticks)
        if self.shown is not None and box.tick == self._hand_at:
            part = self.shown[0]
            if self.book.parts[part - 1].program != box.waiting:
                if self.tell is not None:
                    self.tell(f"   the player chooses part {part}")
                self._do_choose(part)

    @property
    def _hand_at(self) -> int | None:
        """The tick at which the player makes the change that is shown, if it is time enough."""
        early = 1 if self.book.kind.at_once else 2
        if self.armed or self.shown is None or self.shown[2] + early < BEAT:
            return None
        return self.shown[1] - early

    def _unheard(self, ns: int, *, looks: bool) -> None:
        """Time goes by in which nothing of the box is heard; `looks`: the engine lives."""
        begun_ns, end_ns = self.now_ns, self.now_ns + ns
        ticks = max(0, -(-(end_ns - self.next_tick_ns) // self.period_ns))
        if self.box.running or self.book.kind.idle_clock:
            self.next_tick_ns += ticks * self.period_ns
        if not looks:
            self._play_unheard(ticks)
            self.now_ns = end_ns
            return
        played = 0
        for look_ns in (begun_ns + round(s * SECOND) for s in LOOKS_S):
            if look_ns >= end_ns:
                break
            now = ticks * (look_ns - begun_ns) // ns
            self._play_unheard(now - played)
            played = now
            self._until(look_ns)
            self._look()
        self._play_unheard(ticks - played)
        self._until(end_ns)
        self._look()

    def _play_unheard(self, ticks: int) -> None:
        box = self.box
        if box.running and ticks > 0:
            at = self._hand_at
            if at is not None and self.shown is not None and box.tick < at <= box.tick + ticks:
                before, part = at - box.tick, self.shown[0]
                self.shown = None
                box.skip(before)
                if self.tell is not None:
                    self.tell(f"   unheard, the player chooses part {part}")
                box.choose(self.book.parts[part - 1].program)
                box.skip(ticks - before)
            else:
                box.skip(ticks)
            self.judge.unheard += ticks
            self.gap = True

    def _hear(self, message: bytes) -> None:
        if message == CLOCK:
            self.back_ns = None
        self.moves += message in (START, STOP, CONTINUE)
        self.begun |= message in (START, CONTINUE)
        sends = self.follower.hear(PORT, self.now_ns, message)
        if message[0] != PROGRAM | 9:
            self._heard_all()
        if message != CLOCK or sends or self.now_ns - self.kept_ns >= KEPT_NS:
            self._keep()
        self._follow(sends)
        status = self._judge()
        if message == CLOCK and self.box.running and status.sure and status.state == "running":
            self.sure_ticks += 1

    def _heard_all(self) -> None:
        if not self.gap:
            self.judge.hears()

    def _look(self) -> None:
        self._follow(self.follower.passed(self.now_ns))
        if self.now_ns - self.kept_ns >= KEPT_NS:
            self._keep()
        self._judge(looked=True)

    def _keep(self) -> None:
        """Keep a checkpoint, where it may be of use."""
        if self.keeps:
            self.kept, self.kept_ns = self.follower.checkpoint(self.now_ns), self.now_ns

    @property
    def back_for_s(self) -> int | None:
        """For how many seconds the engine has been back and heard no tick, while that matters."""
        if self.back_ns is None or self.now_ns - self.back_ns > AWAY_S * SECOND:
            return None
        return (self.now_ns - self.back_ns) // SECOND

    def _judge(self, *, looked: bool = False) -> Any:
        status = self.follower.status()
        silent_ns = self.now_ns - self.heard_ns - LOOKS_NS if looked and self.box.running else 0
        charge = self.judge.says(status, silent_ticks=silent_ns / self.period_ns)
        if charge is not None:
            raise Charged(charge)
        return status

    def _follow(self, sends: Any) -> None:
        """Let out what a call returned, each when its time comes."""
        for send in sends:
            if send.kind != "program":
                continue
            if self.dies:
                when, seconds = self.dies.split()
                self.dies = ""
                kept = self.follower.checkpoint(self.now_ns)
                if when == "after":
                    self._until(max(self.now_ns, send.at_ns))
                    self._leave(send)
                self._kill(kept, float(seconds), ())
                return
            if send.at_ns <= self.now_ns:
                self._leave(send)
            else:
                self.held.append((send, self.moves))

    def _leave(self, send: Any) -> None:
        program = next(m[1] for m in reversed(send.messages) if m[0] & 0xF0 == PROGRAM)
        if self.fails:
            self.fails = False
            if self.tell is not None:
                self.tell(f"   the program of part {self.book.part_of(program)} does not leave")
            self._follow(self.follower.failed(send, self.now_ns))
            return
        self.sends += 1
        charge = self.judge.sent(program, armed=self.armed)
        if self.tell is not None:
            self.tell(
                f"   part {self.book.part_of(program)} is sent, {self.box.left} ticks before the "
                "end of a pass"
            )
        if charge is not None:
            raise Charged(charge)
        since = self.period_ns - (self.next_tick_ns - self.now_ns)
        for message in self.box.told(program, since / self.period_ns):
            self._hear(message)

    def _kill(self, kept: Any, seconds: float, acts: tuple[Event, ...]) -> None:
        self.held.clear()
        self._away(seconds, acts, looks=False)
        self.follower = self.kind.resume(set_of(self.book), kept, self.now_ns)
        self.back_ns = self.now_ns
        self._keep()
        self._judge()
        self._follow(self.follower.passed(self.now_ns))
        self._judge()


def words_of(event: Event) -> str:
    """An event as it would be told."""
    name, *more = event
    acts = ", ".join(words_of(act) for act in more[1:] if isinstance(act, tuple))
    tail = f", meanwhile {acts}" if acts else ""
    match name:
        case "ticks":
            return f"{more[0]} ticks"
        case "lost":
            return f"{more[0]} ticks are lost"
        case "silence":
            return f"{more[0]} s of silence{tail}"
        case "gone":
            return f"the port is gone for {more[0]} s{tail}"
        case "start" | "stop":
            how = {"takes": "is taken", "drops": "is dropped", "keeps": "goes on waiting"}
            return name + (f" (what waits {how[more[0]]})" if more else "")
        case "position":
            return f"position {more[0]}, which is tick {SIXTEENTH * more[0]}"
        case "choose":
            return f"part {more[0]} is chosen on the instrument"
        case "stays":
            return "the instrument says that it stays"
        case "ignore":
            return "the instrument ignores its change"
        case "wish":
            return f"wish: {more[0]}"
        case "align":
            where = ", whatever is shown" if more else ""
            return f"align, on the one of the next pass{where}"
        case "kill":
            return f"the engine is killed, and back after {more[0]} s{tail}"
        case "die":
            return f"the engine is killed just {more[0]} its next send, and back after {more[1]} s"
        case "fail":
            return "the port fails at the next send"
        case "tempo":
            return f"the tempo becomes {more[0]} of what it was"
        case "wait":
            return f"{more[0]} ms"
    return str(name)


__all__ = ["Charged", "Event", "Stage", "set_of", "words_of"]
