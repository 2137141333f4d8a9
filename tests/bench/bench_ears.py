"""Measures how soon the place is found by ear, beside the ideal, how often wrongly, and the cost.

    python -m tests.bench.bench_ears joins 1000 [SEED]     random sets, one track muted, 2 % lost
    python -m tests.bench.bench_ears shipped 1000 [SEED]   the sets that come with it
    python -m tests.bench.bench_ears strange 300 [SEED]    another set, a rule changed
    python -m tests.bench.bench_ears changed 300 [SEED]    changed by hand meanwhile, nobody tells
    python -m tests.bench.bench_ears cost                  microseconds a tick, a note and a step

The instrument is the tests' own (`tests.follow.joining`). The ideal is the same Bayes rule told the
true rates, and that lists are never wrong.
"""

from __future__ import annotations

import random
import secrets
import sys
import time
from collections.abc import Callable
from dataclasses import replace

from companion.counting import Cycle, Rule
from companion.counting.heard import Rates
from companion.follow import ears
from companion.follow.follower import Follower
from companion.setlist import Part, SetList
from tests.follow.joining import (
    CLOCK,
    PORT,
    Cable,
    Changed,
    Outcome,
    a_pattern,
    a_place,
    a_set,
    join,
    join_changed,
    muted_one,
    notes_of,
    over_cable,
    shipped,
    with_notes,
)

OURS = ears.CHANCES
# The true rates of `Cable`, and a list that is right.
IDEAL = OURS._replace(
    heard=Rates(0.02, 1e-5), by_hand=1e-6, turns=1e-6, other_rule=1e-9, other_track=1e-9
)
TICKS = 3000


def told(name: str, outcomes: list[Outcome]) -> None:
    found = sorted(each.sure_after for each in outcomes if each.sure_after is not None)
    wrong = sum(each.wrong > 0 for each in outcomes)
    line = f"{name}: {len(outcomes)} joins, {len(found)} sure, {wrong} sure and wrong"
    if found:
        bars = [found[int(share * (len(found) - 1))] / 96 for share in (0.5, 0.95)]
        line += f"; bars until sure: median {bars[0]:.2f}, 95th percentile {bars[1]:.2f}"
    print(line, flush=True)


def joins(many: int, seed: int, choose: Callable[[random.Random], SetList], ideal: int) -> None:
    """Join at random places; the first `ideal` of them also with the true rates."""
    rng = random.Random(seed)
    ours: list[Outcome] = []
    beside: list[tuple[Outcome, Outcome]] = []
    for n in range(many):
        setlist = choose(rng)
        part, begin = a_place(setlist, rng)
        cable = Cable(muted=muted_one(part, rng))
        drawn = rng.random()
        ours.append(join(setlist, part, begin, random.Random(drawn), cable=cable, ticks=TICKS))
        if ours[-1].wrong:
            print(f"  wrong: join {n}, part {part.number}, {part.pattern.name}, tick {begin}")
        if n < ideal:
            ears.CHANCES = IDEAL
            best = join(setlist, part, begin, random.Random(drawn), cable=cable, ticks=TICKS)
            ears.CHANCES = OURS
            beside.append((ours[-1], best))
        if n % 1000 == 999:
            told(f"after {n + 1}", ours)
    told("ours", ours)
    told("of these, beside the ideal: ours", [one for one, _ in beside])
    told("of these, the ideal", [best for _, best in beside])
    both = sorted(
        one.sure_after - best.sure_after
        for one, best in beside
        if one.sure_after is not None and best.sure_after is not None
    )
    if both:
        print(f"where both are sure ({len(both)}), later by {both[len(both) // 2] / 96:.2f} bars")


def strange(many: int, seed: int) -> None:
    """What is played is not what is listed: another set, a step moved, another part on its way."""
    rng = random.Random(seed)
    found: dict[str, list[Outcome]] = {"another set": [], "a rule changed": []}
    for _ in range(many):
        setlist, other = a_set(rng), a_set(rng)
        played, begin = a_place(other, rng)
        part = replace(setlist.parts[0], phrases=None)
        mine = replace(setlist, parts=(part, *setlist.parts[1:]))
        outcome = join(mine, part, begin, rng, played=played, ticks=TICKS)
        # Wherever it says that it is, it is wrong.
        wrong = int(outcome.sure_after is not None)
        found["another set"].append(replace(outcome, wrong=wrong))
        part, begin = a_place(setlist, rng)
        changed = _changed(part, rng)
        outcome = join(setlist, part, begin, rng, played=changed, ticks=TICKS)
        found["a rule changed"].append(outcome)
    for name, outcomes in found.items():
        told(name, outcomes)


def _changed(part: Part, rng: random.Random) -> Part:
    """The part with one step's rule put on another pass, or one step moved."""
    tracks = list(part.pattern.tracks)
    at = rng.randrange(len(tracks))
    steps = list(tracks[at].steps)
    n = rng.randrange(len(steps))
    cycles = steps[n].rule.cycles
    if cycles:
        cycle = cycles[0]
        moved = Cycle(cycle.k % cycle.n + 1, cycle.n, cycle.negated)
        steps[n] = replace(steps[n], rule=Rule((moved,), steps[n].rule.chances))
    else:
        free = sorted(set(range(1, tracks[at].length + 1)) - {each.number for each in steps})
        if free:
            steps[n] = replace(steps[n], number=rng.choice(free))
    steps.sort(key=lambda each: each.number)
    tracks[at] = replace(tracks[at], steps=tuple(steps))
    return replace(part, pattern=replace(part.pattern, tracks=tuple(tracks)))


def changed(many: int, seed: int) -> None:
    """While it is listened for, another part begins by hand, or the same again."""
    rng = random.Random(seed)
    during: list[Outcome] = []
    before: list[Changed] = []
    for n in range(many):
        setlist = a_set(rng)
        part, begin = a_place(setlist, rng)
        cable = Cable(muted=muted_one(part, rng))
        drawn = rng.random()
        one = join_changed(setlist, part, begin, random.Random(drawn), cable=cable)
        if one.wrong:
            print(f"  wrong: join {n}, {one}", flush=True)
        if one.before:
            before.append(one)
        else:
            during.append(Outcome(one.sure_after, one.wrong))
    told("changed while it listened, until sure of what plays", during)
    noticed = sorted(each.noticed for each in before if each.noticed is not None)
    wrong = sum(each.wrong > 0 for each in before)
    print(
        f"sure before the change: {len(before)}, of which {len(noticed)} were unsure again or right"
        f" after {[round(each / 96, 2) for each in noticed]} bars; {wrong} sure and wrong"
    )


def cost() -> None:
    """A pattern of sixteen tracks, joined: what each tick costs, with ears and without."""
    rng = random.Random(4)
    patterns = [a_pattern(rng, name) for name in ("slack water", "ebb line")]
    wide = replace(
        patterns[0],
        tracks=tuple(
            replace(track, name=f"{track.name} {n}")
            for n in range(16)
            for track in [patterns[n % 2].tracks[n % len(patterns[n % 2].tracks)]]
        ),
    )
    base = a_set(rng)
    part = replace(base.parts[0], number=1, pattern=wide, phrases=None)
    setlist = with_notes(replace(base, parts=(part,)))
    sounds = notes_of(setlist, part, 4000, rng)
    rows = {}
    for name, one in (("with ears", setlist), ("without", replace(setlist, notes={}))):
        follower = Follower(one, can_send=False)
        # Sure would be the end of it: it is to go on listening.
        ears.CHANCES = OURS._replace(odds=1e300)
        spent, notes, ticks, slowest = 0, 0, 0, []
        for at, _, message in over_cable(sounds, 0, 4000, 60e9 / (120 * 24), Cable(), rng):
            begun = time.thread_time_ns()
            follower.hear(PORT, round(at), message)
            took = time.thread_time_ns() - begun
            spent += took
            slowest.append(took)
            ticks += message is CLOCK
            notes += message is not CLOCK
        ears.CHANCES = OURS
        slowest.sort()
        rows[name] = spent / 1e3
        print(
            f"{name}: {spent / 1e3 / ticks:.1f} us a tick, notes included; "
            f"median {slowest[len(slowest) // 2] / 1e3:.1f}, "
            f"99th percentile {slowest[int(len(slowest) * 0.99)] / 1e3:.1f}, "
            f"most {slowest[-1] / 1e3:.0f} us a message"
        )
    steps = 16 * ticks // 6
    more = rows["with ears"] - rows["without"]
    print(f"{notes} notes, {steps} steps of 16 tracks: {more / (notes + steps):.1f} us each")


def main() -> None:
    """Do what is asked for; the seed is printed, so that it can be had again."""
    what = sys.argv[1] if len(sys.argv) > 1 else "joins"
    many = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else secrets.randbelow(10**6)
    print(f"seed {seed}")
    if what == "joins":
        joins(many, seed, a_set, min(many, 300))
    elif what == "shipped":
        sets = shipped()
        joins(many, seed, lambda rng: rng.choice(sets), min(many, 300))
    elif what == "strange":
        strange(many, seed)
    elif what == "changed":
        changed(many, seed)
    else:
        cost()


if __name__ == "__main__":
    main()
