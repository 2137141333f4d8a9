"""What may be true of the instruments: a small set of possible worlds with weights. Pure.

Theory of operation
-------------------
A **world** is one thing that may be true: whether the instrument plays, the part it plays, where
that began, what waits for its pattern's end, where its song began. A **belief** is a few of them
with weights, the heaviest at 1. Everything that happens takes each world to those that may follow
from it: one function an event, below. Equal worlds merge, hopeless ones are forgotten.

Which worlds matter is one line among the weights. What the line rules out is ruled out by what is
taken for granted (docs/faults.md) until something heard speaks for it. One world, `ANYTHING`, is
always alive, far below the line: the instrument plays something else altogether.

Positions are in ticks of the count, whose own doubt `count` keeps: `start` is the count at tick 0
of the part. While nothing plays the count is taken to stand at -1, so that the first clock heard
is 0. What is wished and planned is no matter of belief, and not here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from companion.follow.announced import Announced, has_program, nearest_part
from companion.setlist import Part, SetList


class Weights(NamedTuple):
    """How likely things are. None is measured yet; each says whether it is judged or published."""

    # What weighs less than this share of the heaviest does not matter. Judgement: a world that one
    # thing taken for granted rules out stays below it, one that a word speaks for is far above.
    line: float = 0.01
    # An instrument ignores a program change that arrived. Judgement: docs/faults.md takes for
    # granted that it does not, where nothing of it is heard.
    ignored: float = 1e-3
    # A word of the instrument that only a hand on it explains. Judgement; the same in every world,
    # so that it moves worlds and does not choose between them.
    hand: float = 2e-3
    # A song position that does not repeat the count, told while it plays. Judgement.
    jump: float = 1e-3
    # What a person's word speaks against. Judgement: kept, so that it can come back.
    against_person: float = 1e-6
    # What is heard speaks against, once a place was found by ear (`ears.CHANCES.odds`).
    against_ears: float = 1e-4
    # The instrument plays something else, with nothing speaking for it. Judgement: what
    # docs/faults.md takes for granted rules it out.
    anything: float = 1e-8
    # A queued pattern is taken by a stop, and by a start after it (common practice, no source:
    # most instruments take it on the next start).
    taken_by_stop: float = 0.4
    taken_by_start: float = 0.7
    # Or it is forgotten there. Judgement.
    dropped: float = 0.1
    # Of two worlds between which nothing decides, the share of the one that is not shown.
    besides: float = 0.47
    # What weighs less is forgotten.
    forgotten: float = 1e-10


WEIGHTS = Weights()
# The shares of two worlds between which nothing decides: the one that is shown, and the other.
SHOWN, BESIDES = 1 - WEIGHTS.besides, WEIGHTS.besides
# No more worlds than this are kept; counted in the nights, seventeen were the most.
MOST = 24
# By so many ticks at most a count is off that was held up, and not elsewhere: a beat.
MISCOUNTED = 24
# How many passes of the old pattern show that a change was ignored, without and with notes.
SHOWN_PASSES = 1
SHOWN_PASSES_BY_NOTES = 2


@dataclass(frozen=True, slots=True)
class Wait:
    """A program that waits on `instrument`: part `part` begins at tick `at` of the running one.

    `ours` says that we sent it, and not a hand on the instrument; `since` is the count by which the
    instrument had it, if that is known. An instrument has one way with what waits: what a stop or a
    start did not take, the next does not take either.
    """

    instrument: str
    part: int
    at: int
    ours: bool
    outlived_stop: bool = False
    outlived_start: bool = False
    since: int | None = None


@dataclass(frozen=True, slots=True)
class World:
    """One thing that may be true of the instruments.

    `part` is the number of the part that plays, 0 for something else altogether. `start` is the
    count at its tick 0, None where its tick is not known: it begins at its top with the next
    start. `offset` is how many ticks of the song went before the part, None where a position
    cannot be told in ticks of it. `passes` and `phrases` are what an instrument that does not
    restart its count had counted before. `ignored` is set where a change of ours was ignored:
    the count by which that has shown. `moved` is one that was moved nobody knows where to, perhaps
    to before its part began: what it plays from the next start on is open.
    """

    part: int
    start: int | None = None
    offset: int | None = None
    running: bool = False
    waits: tuple[Wait, ...] = ()
    passes: int = 0
    phrases: int = 0
    ignored: int | None = None
    moved: bool = False

    def wait(self, instrument: str | None = None) -> Wait | None:
        """The first that waits, on `instrument` if one is named."""
        fitting = (w for w in self.waits if instrument is None or w.instrument == instrument)
        return min(fitting, key=lambda each: each.at, default=None)

    def without(self, instrument: str) -> World:
        """The same with nothing waiting on `instrument`."""
        return replace(self, waits=tuple(w for w in self.waits if w.instrument != instrument))

    def waiting(self, wait: Wait) -> World:
        """The same with `wait` in place of what waited on that instrument."""
        others = tuple(w for w in self.waits if w.instrument != wait.instrument)
        return replace(self, waits=(*others, wait))


Belief = tuple[tuple[World, float], ...]
Branches = Iterable[tuple[World, float]]
ANYTHING = World(0)


# -- the set of worlds ---------------------------------------------------------------------------


def normal(pairs: Branches) -> Belief:
    """The same worlds, equal ones merged, the heaviest first at 1, the hopeless forgotten."""
    merged: dict[World, list[object]] = {}
    anything, running = 0.0, False
    for world, weight in pairs:
        if world.part == 0:
            anything += weight
            running = running or world.running
            continue
        # Whether it is one in which a change was ignored is a mark, and no part of what is true.
        key = world if world.ignored is None else replace(world, ignored=None)
        found = merged.get(key)
        if found is None:
            merged[key] = [world, weight]
        else:
            known = found[0]
            assert isinstance(known, World)
            if known.ignored is not None and world.ignored is None:
                found[0] = world
            found[1] += weight  # type: ignore[operator]
    worlds: list[tuple[World, float]] = [(w, p) for w, p in merged.values()]  # type: ignore[misc]
    # Python sorts stably: of two that weigh the same the one that was shown stays so.
    worlds.sort(key=lambda each: -each[1])
    top = max(worlds[0][1], anything) if worlds else anything
    kept = [(w, p / top) for w, p in worlds[:MOST] if p > WEIGHTS.forgotten * top]
    if not kept:
        kept = [(w, WEIGHTS.forgotten) for w, _ in worlds[:1]]
    nothing_else = replace(ANYTHING, running=running)
    return (*kept, (nothing_else, max(anything / top, WEIGHTS.anything)))


def each(belief: Belief, follow: Callable[[World], Branches]) -> Belief:
    """What `follow` makes of every world; a branch comes with its share of the world's weight."""
    return normal(
        (after, weight * share) for world, weight in belief for after, share in follow(world)
    )


def matter(belief: Belief) -> list[World]:
    """The worlds above the line, what is shown first; `ANYTHING` among them where it matters."""
    top = belief[0][1]
    heaviest = max(top, belief[-1][1])
    found = [w for w, p in belief if p >= WEIGHTS.line * heaviest]
    return found if found and found[0] == belief[0][0] else [belief[0][0], *found]


def lift_anything(belief: Belief, running: bool | None = None) -> Belief:
    """A person could act unseen: the instrument may play anything.

    `running` says whether it may play at all, None that it is as it was.
    """

    def lifted(world: World, weight: float) -> tuple[World, float]:
        if world.part:
            return world, weight
        plays = world.running if running is None else running
        return replace(world, running=plays), max(weight, 0.5)

    return normal(lifted(w, p) for w, p in belief)


def weighed(belief: Belief, likelihood: Callable[[World], float]) -> Belief:
    """Something was heard that each world foretells with its own likelihood."""
    return normal((w, p * likelihood(w)) for w, p in belief)


# -- time ----------------------------------------------------------------------------------------


def enter(setlist: SetList, world: World, part: int, at: int) -> World:
    """`part` begins where `world`'s was at tick `at`."""
    assert world.start is not None
    pattern = setlist.parts[world.part - 1].pattern
    name = setlist.parts[part - 1].instrument
    passes = phrases = 0
    if name is not None and not setlist.instruments[name].recount:
        passes = world.passes + at // pattern.pass_ticks
        phrases = world.phrases + -(-at // pattern.phrase_ticks)
    offset = None if world.offset is None else world.offset + at
    return World(part, world.start + at, offset, world.running, (), passes, phrases)


def gone_on(setlist: SetList, world: World, count: int) -> World:
    """`world` at `count`, what waited for less taken."""
    if world.running and world.start is not None:
        wait = world.wait()
        if wait is not None and count - world.start >= wait.at:
            return enter(setlist, world, wait.part, wait.at)
    return world


def shown_by_now(belief: Belief, count: int) -> Belief:
    """Drop what would have shown by `count` that a change was ignored, and has not.

    What something heard spoke for has shown it.
    """
    if all(w.ignored is None or w.ignored >= count for w, _ in belief):
        return belief
    line = WEIGHTS.line * max(belief[0][1], belief[-1][1])
    found: list[tuple[World, float]] = []
    for world, weight in belief:
        if world.ignored is None or world.ignored >= count:
            found.append((world, weight))
        elif weight >= line:
            found.append((replace(world, ignored=None), weight))
    return normal(found)


def shifted(belief: Belief, by: int) -> Belief:
    """The same, where the count is `by` less from now on."""
    return tuple((shift(w, by), p) for w, p in belief)


def shift(world: World, by: int) -> World:
    """`world` where the count is `by` less from now on."""
    return replace(
        world,
        start=None if world.start is None else world.start - by,
        waits=tuple(w if w.since is None else replace(w, since=w.since - by) for w in world.waits),
        ignored=None if world.ignored is None else world.ignored - by,
    )


def listened(belief: Belief, unheard: int) -> Belief:
    """So many ticks went by with nobody listening: what would have shown still may."""
    return tuple(
        (w if w.ignored is None else replace(w, ignored=w.ignored + unheard), p) for w, p in belief
    )


# -- what we do ----------------------------------------------------------------------------------


def sent(
    belief: Belief, wait_in: Callable[[World], Wait], shows_at: Callable[[World, Wait], int]
) -> Belief:
    """We told an instrument of a part: it waits there, or was ignored.

    `wait_in` is the wait that comes of it in a world, `shows_at` the count by which it has shown
    that it was ignored.
    """

    def follow(world: World) -> Branches:
        if world.part == 0:
            return ((world, 1.0),)
        wait = wait_in(world)
        deaf = replace(world, ignored=shows_at(world, wait))
        return ((world.waiting(wait), 1 - WEIGHTS.ignored), (deaf, WEIGHTS.ignored))

    return each(belief, follow)


def chosen(belief: Belief, part: int, shows_at: Callable[[World], int] | None) -> Belief:
    """While nothing plays, part `part` was wished for.

    If we told it, it takes it, and `shows_at` says by which count it has shown that it did not;
    None if a person is to choose it, who may have forgotten to.
    """
    goal = World(part)

    def follow(world: World) -> Branches:
        if world.part == part and not world.waits:
            return ((replace(goal, running=world.running), 1.0),)
        if world.part == 0:
            return ((world, 1.0),) if shows_at is None else ((goal, 1.0),)
        if shows_at is not None:
            deaf = replace(world, ignored=shows_at(world))
            return ((goal, 1 - WEIGHTS.ignored), (deaf, WEIGHTS.ignored))
        return ((goal, SHOWN), (world, BESIDES))

    return each(belief, follow)


def perhaps(belief: Belief, by_hand: Wait) -> Belief:
    """A person may have chosen this already, where what is shown is true and nothing waits."""
    shown = belief[0][0]

    def follow(world: World) -> Branches:
        if world.waits or (world.part, world.start) != (shown.part, shown.start):
            return ((world, 1.0),)
        return ((world, SHOWN), (world.waiting(by_hand), BESIDES))

    return each(belief, follow)


# -- what the transport says ---------------------------------------------------------------------


def stopped(
    belief: Belief, setlist: SetList, chances: Sequence[tuple[int, float]], by_hand: Wait | None
) -> Belief:
    """It stands still, the latest tick one of `chances`. What waits is taken now, or still waits.

    `by_hand` is what a person may have chosen for the coming boundary in the shown world. The count
    stands at -1 from here on.
    """
    shown = belief[0][0]

    def follow(world: World) -> Branches:
        if world.part == 0:
            yield replace(world, running=False), 1.0
            return
        if not world.running:
            yield world, 1.0
            return
        same = (world.part, world.start) == (shown.part, shown.start)
        for count, chance in chances:
            here = shift(replace(gone_on(setlist, world, count), running=False), count + 1)
            if by_hand is not None and not world.waits and same:
                chosen_too = _held(here.waiting(by_hand), setlist)
                yield from ((w, chance * BESIDES * share) for w, share in chosen_too)
                chance *= SHOWN
            yield from ((w, chance * share) for w, share in _held(here, setlist))

    return each(belief, follow)


def _held(world: World, setlist: SetList) -> Branches:
    """What stands still with something waiting: taken already, waiting still, or forgotten."""
    wait = world.wait()
    if wait is None:
        return ((world, 1.0),)
    taken = World(wait.part)
    if setlist.instruments[wait.instrument].at_once:
        return ((taken, 1.0),)
    if wait.outlived_stop:
        return ((world, 1.0),)
    still = world.waiting(replace(wait, outlived_stop=True))
    share, dropped = WEIGHTS.taken_by_stop, WEIGHTS.dropped
    forgets = world.without(wait.instrument)
    return ((still, 1 - share - dropped), (taken, share), (forgets, dropped))


def started(belief: Belief, setlist: SetList) -> Belief:
    """It plays from the top: what waited is taken, forgotten, or waits for its first pass to end.

    Nothing else is left of where it was. Call `stopped` before, if it played.
    """

    def follow(world: World) -> Branches:
        if world.part == 0:
            return ((replace(world, running=True), 1.0),)
        first = setlist.parts[world.part - 1].pattern.pass_ticks
        # That a change was ignored shows within a pass, and that begins anew.
        ignored = None if world.ignored is None else max(world.ignored, first)
        top = World(world.part, 0, 0, True, ignored=ignored)
        wait = world.wait()
        if world.moved:
            return ((top, SHOWN), (replace(ANYTHING, running=True), BESIDES))
        if wait is None:
            return ((top, 1.0),)
        taken = World(wait.part, 0, 0, True)
        if setlist.instruments[wait.instrument].at_once:
            return ((taken, 1.0),)
        still = top.waiting(replace(wait, at=first, outlived_start=True))
        if wait.outlived_start:
            return ((still, 1.0),)
        share, dropped = WEIGHTS.taken_by_start, WEIGHTS.dropped
        return ((taken, share), (still, 1 - share - dropped), (top, dropped))

    return each(belief, follow)


def went_on(belief: Belief, setlist: SetList) -> Belief:
    """It plays on from where it stood; where nobody knows where that was, perhaps from the top.

    What was told to one that stood within its part may wait for the end of a pass there.
    """
    within = [w for w, _ in belief if w.part and w.start is not None and not w.waits]

    def follow(world: World) -> Branches:
        playing = replace(world, running=True)
        if world.part == 0 or world.start is not None:
            yield playing, 1.0
            return
        yield replace(playing, start=0), SHOWN
        yield playing, BESIDES
        instrument = setlist.parts[world.part - 1].instrument
        if instrument is None or world != World(world.part):
            return
        for stands in within:
            if stands.part != world.part and stands.start is not None:
                at = _end_of_pass(setlist.parts[stands.part - 1], -1 - stands.start)
                still = replace(stands, running=True, ignored=None)
                yield still.waiting(Wait(instrument, world.part, at, ours=True)), BESIDES

    return each(belief, follow)


def astray(belief: Belief) -> Belief:
    """The part is known, and its tick is no more."""
    if any(w.part == belief[0][0].part and w.start is None for w in matter(belief)):
        return belief
    lost = [(replace(w, start=None), p * BESIDES) for w, p in belief if w.part]
    return normal([*((w, p * SHOWN if w.part else p) for w, p in belief), *lost])


def located(
    belief: Belief,
    setlist: SetList,
    ticks: int,
    end: int | None,
    following: int | None,
    before: tuple[int, int] | None,
) -> Belief:
    """While it stands still it was moved to `ticks` of the song; the next clock is that one.

    `end` is where the shown part is planned to end, for `following` to begin. `before` is the part
    that was shown to play at `ticks`, and the tick of the song at which it began.
    """
    shown = belief[0][0]
    anything = False

    def follow(world: World) -> Branches:
        nonlocal anything
        if world.part == 0:
            return ((world, 1.0),)
        if world.offset is None:
            anything = anything or world is shown
            if world.start is None:
                return ((world, 1.0),)
            guess = _rewaiting(replace(world, start=-ticks), setlist, ticks)
            unknown = replace(world, start=None)
            return ((guess, SHOWN), (unknown, BESIDES))
        tick = ticks - world.offset
        moved = _rewaiting(replace(world, start=-tick), setlist, max(tick, 0))
        on_plan = (world.part, world.start) == (shown.part, shown.start)
        if tick < 0:
            anything = True
            if before is None or not on_plan:
                return ((replace(moved, start=None), 1.0),)
            part, began = before
            return (
                (World(part, began - ticks, began), SHOWN),
                (replace(moved, start=None), BESIDES),
            )
        if on_plan and not world.waits and end is not None and tick >= end and following:
            beyond = enter(setlist, moved, following, end)
            return ((beyond, SHOWN), (moved, BESIDES))
        return ((moved, 1.0),)

    after = each(belief, follow)
    return lift_anything(after) if anything else after


def jumped(
    belief: Belief, setlist: SetList, ticks: int, count: int, repeats: bool | None
) -> Belief:
    """While it plays it said that the next clock is `ticks` of the song; the count is at `count`.

    `repeats` says whether that is what its own words before foretold, None where it said nothing
    before. Where a world knows the beginning of the song it knows that better. What it plays before
    the running part began is anybody's guess.
    """
    shown = belief[0][0]
    anything = False

    def follow(world: World) -> Branches:
        nonlocal anything
        if world.part == 0:
            return ((world, 1.0),)
        told_of, world = world, _at_once(world, setlist)
        if world.start is None:
            if world.offset is None:
                return ((world, 1.0),)
            if ticks < world.offset:
                # Wherever in its part it was, that is a jump.
                return ((world, WEIGHTS.jump),)
            return ((_found(world, setlist, count + 1 - (ticks - world.offset)), 1.0),)
        tick = count + 1 - world.start
        if world.offset is not None:
            if world.offset + tick == ticks:
                return ((world, 1.0),)
            # A late word on where it was is not told from a jump of a few ticks.
            inside = ticks - world.offset
            anything = anything or (inside < 0 and told_of is shown)
            start = count + 1 - inside if inside >= 0 else None
            moved = _rewaiting(replace(world, start=start), setlist, max(inside, 0))
            return ((moved, WEIGHTS.jump * SHOWN), (world, WEIGHTS.jump * BESIDES))
        regular = replace(world, offset=ticks - tick if ticks >= tick else None)
        elsewhere = replace(world, start=None, moved=True)
        if repeats:
            return ((regular, 1.0), (elsewhere, WEIGHTS.jump))
        if repeats is None:
            return ((regular, SHOWN), (elsewhere, BESIDES))
        return ((world, SHOWN), (elsewhere, BESIDES))

    after = each(belief, follow)
    return lift_anything(after) if anything else after


def _at_once(world: World, setlist: SetList) -> World:
    """`world` without what waits for the next tick only: its instrument has changed already."""
    wait = world.wait()
    if wait is None or world.start is None or not setlist.instruments[wait.instrument].at_once:
        return world
    return enter(setlist, world, wait.part, wait.at)


def _found(world: World, setlist: SetList, start: int) -> World:
    """`world`, whose tick was not known, with its tick 0 at the count `start`."""
    part = setlist.parts[world.part - 1]

    def anew(wait: Wait) -> Wait:
        if wait.since is None:
            return wait
        tick = wait.since - start
        return replace(wait, at=boundary_after(setlist, part, wait.instrument, tick))

    return replace(world, start=start, waits=tuple(map(anew, world.waits)))


def _rewaiting(world: World, setlist: SetList, tick: int) -> World:
    wait = world.wait()
    if wait is None:
        return world
    return world.waiting(replace(wait, at=_end_of_pass(setlist.parts[world.part - 1], tick)))


# -- what the instrument says --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Heard:
    """A word of an instrument and what is known beside it.

    The latest tick is from `low` to `high` by the count. `ours` says that we sent this program
    lately, `echoes` that this instrument is known to pass on what it gets and has not yet.
    `following` is the part that the plan of the shown world has next.
    """

    word: Announced
    low: int
    high: int
    ours: bool = False
    echoes: bool = False
    following: int | None = None


def named(belief: Belief, setlist: SetList, heard: Heard) -> Belief:
    """An instrument names a program: its own choice, a word on where it is, or our own echoed."""
    if heard.ours and heard.echoes:
        # It passes on what it gets, whatever it plays, and whether it heeds it or not.
        return belief
    shown = belief[0][0]
    goal = nearest_part(setlist, shown.part, heard.word)

    def follow(world: World) -> Branches:
        if world.part == 0:
            settles = not world.running and goal is not None
            return ((World(goal or 0) if settles else world, WEIGHTS.hand),)
        # Ticks that were lost went by before the word, and with them a boundary, or not.
        found: list[tuple[World, float]] = []
        by_now = dict.fromkeys(gone_on(setlist, world, n) for n in (heard.low, heard.high))
        for here in by_now:
            after = _named_in(here, setlist, heard, world is shown)
            found += [(w, share / len(by_now)) for w, share in after]
        return found

    return each(belief, follow)


def _named_in(
    world: World, setlist: SetList, heard: Heard, is_shown: bool
) -> list[tuple[World, float]]:
    word, name = heard.word, heard.word.instrument
    part = setlist.parts[world.part - 1]
    wait = world.wait(name)
    leads = has_program(part, word)
    if wait is not None and has_program(setlist.parts[wait.part - 1], word):
        echoed = (world, WEIGHTS.hand)
        if world.running:
            return [echoed]
        # What is chosen while it stands still it is on; only an echo says nothing of that.
        chosen_now = (World(wait.part), WEIGHTS.hand)
        return [echoed, chosen_now] if heard.ours else [chosen_now]
    if leads:
        after = [world.without(name)]
        if wait is not None and wait.at > 0 and world.running and setlist.instruments[name].at_once:
            # It was in the other part by now, and begins this one anew.
            after = [world.waiting(replace(wait, part=world.part, ours=False))]
        if not world.running and world.start is not None:
            # Chosen anew while it stands still, it may begin at its top.
            after.append(replace(after[0], start=None, offset=None))
        following = heard.following
        if world.running and is_shown and following is not None and wait is None:
            goal = setlist.parts[following - 1]
            if has_program(goal, word) and following != world.part:
                # Two parts in a row with one program: it may as well be the change itself.
                after += _goes(world, part, setlist, heard, following)
        if world.ignored is not None:
            # Its first word on a change that it ignored, and no hand is needed to explain it.
            return [(replace(world, ignored=None), 1.0)]
    else:
        found = nearest_part(setlist, world.part, word)
        if found is None:
            if part.instrument != name or any(
                c.instrument == name and c.program == word.program
                for p in setlist.parts
                for c in p.changes
            ):
                return [(world, WEIGHTS.hand)]
            # It goes where no part is.
            return [
                (world, WEIGHTS.hand / 2),
                (replace(ANYTHING, running=world.running), WEIGHTS.hand / 2),
            ]
        if not world.running:
            return [(World(found), WEIGHTS.hand)]
        after = _goes(world, part, setlist, heard, found)
    if heard.ours and world not in after:
        after.append(world)
    return [(each_one, WEIGHTS.hand / len(after)) for each_one in after]


def _goes(world: World, part: Part, setlist: SetList, heard: Heard, goal: int) -> list[World]:
    """`world` in which a hand has chosen part `goal`; two if its pass may just have ended."""
    name = heard.word.instrument
    if world.start is None:
        return [World(goal, running=True), world]
    found = []
    for count in dict.fromkeys((heard.low, heard.high)):
        at = boundary_after(setlist, part, name, count - world.start)
        found.append(world.waiting(Wait(name, goal, at, ours=False, since=heard.high)))
    return list(dict.fromkeys(found))


def boundary_after(setlist: SetList, part: Part, instrument: str, tick: int) -> int:
    """The tick of `part` at which `instrument` takes what it is told after `tick`."""
    if setlist.instruments[instrument].at_once:
        # Before the first tick that is with the first.
        return max(tick + 1, 0)
    return _end_of_pass(part, tick)


def _end_of_pass(part: Part, tick: int) -> int:
    """The tick of `part` at which the pass of `tick` ends; before its first it is in its first."""
    length = part.pattern.pass_ticks
    return (max(tick, 0) // length + 1) * length


# -- what is heard of what it plays --------------------------------------------------------------


class Place(NamedTuple):
    """Where notes say that it is: in part `part`, whose tick 0 is the count `start`.

    `weight` is how likely that is beside the likeliest place.
    """

    part: int
    start: int
    weight: float


def placed_by_ear(belief: Belief, places: Iterable[Place]) -> Belief:
    """Notes tell where it is, so clearly that all the rest is out: a world for each place.

    A world that is there already stays what it is, with what waits in it.
    """
    found: list[tuple[World, float]] = []
    at = {(place.part, place.start): place.weight for place in places}
    for place, weight in at.items():
        there = [(w, p) for w, p in belief if (w.part, w.start) == place]
        whole = sum(p for _, p in there)
        found += [(replace(w, running=True), weight * p / whole) for w, p in there]
        if not there:
            # A few ticks off it is the same world, of which the count was wrong.
            near = (w for w, _ in belief if w.part == place[0] and _near(w.start, place[1]))
            same = next(near, World(place[0]))
            found.append((replace(same, start=place[1], running=True), weight))
    out = [
        (replace(w, running=True), p * WEIGHTS.against_ears)
        for w, p in belief
        if (w.part, w.start) not in at
    ]
    return normal([*found, *out])


def _near(start: int | None, other: int) -> bool:
    return start is not None and abs(start - other) <= MISCOUNTED


# -- what a person says --------------------------------------------------------------------------


def confirmed(belief: Belief, count: int) -> Belief:
    """The part and the tick on the screen are right, whatever waits there."""
    shown = belief[0][0]
    if shown.start is None:
        shown = replace(shown, start=count + 1 if not shown.running else count)

    def follow(world: World) -> Branches:
        if world.part == shown.part and world.start in (None, shown.start):
            return ((replace(world, start=shown.start, offset=None, running=shown.running), 1.0),)
        return ((world, WEIGHTS.against_person),)

    return each(belief, follow)


def placed(
    belief: Belief, setlist: SetList, count: int, tick_in: Callable[[World], int | None]
) -> Belief:
    """A person says where the shown part is: in each world of it at the tick that `tick_in` says.

    None where the world's own tick is not known; it is the shown one then.
    """
    shown = belief[0][0]
    there = tick_in(shown)

    def follow(world: World) -> Branches:
        tick = tick_in(world)
        tick = there if tick is None else tick
        if world.part != shown.part or tick is None:
            return ((world, WEIGHTS.against_person),)
        moved = replace(world, start=count - tick, offset=None, running=True)
        return ((_rewaiting(moved, setlist, tick), 1.0),)

    return each(belief, follow)


# -- words ---------------------------------------------------------------------------------------

WHICH_PART = "the instrument may play another part"


class Doubt(NamedTuple):
    """In what the worlds that matter differ, of what kind that is, and what to do about it."""

    kind: str
    words: str
    help: str


NO_DOUBT = Doubt("", "", "")


def doubt(belief: Belief, setlist: SetList, count: int) -> Doubt:
    """In what the worlds that matter differ at `count`; `NO_DOUBT` where they agree."""
    worlds = matter(belief)
    if len(worlds) == 1:
        return NO_DOUBT
    worlds = [gone_on(setlist, w, count) if w.part else w for w in worlds]
    shown = worlds[0]
    others = [w for w in worlds[1:] if _differs(w, shown)]
    if not others:
        return NO_DOUBT
    part = setlist.parts[shown.part - 1]
    box = part.instrument or "the instrument"
    here = _called(setlist, shown.part, others)
    elsewhere = list(dict.fromkeys(w.part for w in others if w.part not in (0, shown.part)))
    confirm = f"press c if it plays {here}"
    choose = _choose(setlist, part, box)
    if elsewhere:
        names = " or ".join([here, *(_called(setlist, p, [shown]) for p in elsewhere[:2])])
        return Doubt("part", f"{box} may be on {names}", f"{choose}, or {confirm}")
    if any(w.part == 0 for w in others):
        return Doubt("part", WHICH_PART, f"{choose}, or {confirm}")
    if any(w.running != shown.running for w in others):
        return Doubt(
            "transport", f"{box} may play or stand still", f"stop {box} and start it again"
        )
    offs = {
        None if w.start is None or shown.start is None else abs(w.start - shown.start)
        for w in others
    }
    if None in offs:
        return Doubt(
            "tick",
            f"where {box} is in {here} is not known",
            f"press 1 on the one, or c if the count is right, or start {box} again",
        )
    most = max(off for off in offs if off is not None)
    unit, ticks = "tick", 1
    for name, length in (
        ("pass", part.pattern.pass_ticks),
        ("bar", part.pattern.meter.bar_ticks),
    ):
        if all(off is not None and off % length == 0 for off in offs):
            unit, ticks = name, length
            break
    by = most // ticks
    plural = {"pass": "passes"}.get(unit, f"{unit}s")
    return Doubt(
        "tick",
        f"{box} may be {by} {unit if by == 1 else plural} off the count",
        f"press 1 on the one, or c if the count is right, or start {box} again",
    )


def _differs(world: World, shown: World) -> bool:
    same = (world.part, world.start, world.running) == (shown.part, shown.start, shown.running)
    return not same


def _called(setlist: SetList, number: int, others: Iterable[World]) -> str:
    """A part by its pattern, and by its number where that is not enough."""
    name = setlist.parts[number - 1].pattern.name
    twins = {setlist.parts[w.part - 1].pattern.name for w in others if w.part not in (0, number)}
    return f"part {number}, {name}" if name in twins else name


def _choose(setlist: SetList, part: Part, box: str) -> str:
    own = next((c for c in part.changes if c.instrument == part.instrument), None)
    if own is None:
        return f"choose {part.pattern.name} on {box}"
    return f"choose program {setlist.instruments[own.instrument].shown(own.program)} on {box}"
