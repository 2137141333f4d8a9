"""How often the watch for ignored changes errs, and how soon it knows.

Run: python -m tests.bench.bench_obeyed [CHANGES]   (default 20,000 a case; about four minutes)

Patterns are drawn at random from a few habits of rhythm. Each track is muted with one chance in
five, 1 note in 1,000 is lost and 1 silent step in 10,000 sends a stray. In the last cases the set
list leaves out every third step that the new pattern plays, or all those that always play.
"""

from __future__ import annotations

import random
import statistics
import sys
from dataclasses import replace

from companion.counting import Pattern, Step, Track
from companion.follow.notes import ObeyedWatch, Side, Verdict
from tests.follow.noisy import NoisyDrum, notes_of, rule

BAR = 96
NAMES = ("low drum", "snap", "hat", "shaker", "bell")


def draw(rng: random.Random) -> Pattern:
    """A bar of five tracks, each with one to six steps, some by chance."""
    tracks = []
    for name in NAMES:
        numbers = sorted(rng.sample(range(1, 17), rng.randint(1, 6)))
        steps = (Step(n, rule(rng.choice((1, 1, 1, 0.75, 0.5, 0.2)))) for n in numbers)
        tracks.append(Track(name, 16, 6, tuple(steps)))
    return Pattern("drawn", tracks=tuple(tracks))


def vary(pattern: Pattern, rng: random.Random) -> Pattern:
    """The same pattern but for one track."""
    tracks = list(pattern.tracks)
    at = rng.randrange(len(tracks))
    tracks[at] = draw(rng).tracks[at]
    return replace(pattern, tracks=tuple(tracks))


def thin(pattern: Pattern) -> Pattern:
    """What a set list says that leaves out every third step."""
    tracks = (
        replace(t, steps=tuple(s for i, s in enumerate(t.steps) if i % 3 != 2 or len(t.steps) < 3))
        for t in pattern.tracks
    )
    return replace(pattern, tracks=tuple(tracks))


def rare_only(pattern: Pattern) -> Pattern:
    """What a set list says that gives the steps by chance and leaves out all that always play."""
    tracks = (
        replace(t, steps=tuple(s for s in t.steps if s.rule.chance < 1)) for t in pattern.tracks
    )
    return replace(pattern, tracks=tuple(tracks))


LISTED = {
    "steps left out": thin,
    "only rare steps": rare_only,
    "one track, only rare": rare_only,
}
CASES = ("all tracks differ", "one track differs", *LISTED)


def one_change(
    played: Pattern, start: int, old: Pattern, new: Pattern, seed: int
) -> tuple[Verdict, int]:
    """The verdict on an instrument that plays `played` from `start` on, and its tick."""
    rng = random.Random(seed)
    notes = notes_of(new)
    muted = {name for name in NAMES if rng.random() < 0.2}
    drum = NoisyDrum(played, notes, seed, muted=muted)
    watch = ObeyedWatch(Side(old, notes, start=4 * BAR), Side(new, notes))
    coming = [(t - start, c, n) for t, c, n in drum.play(start + BAR, start)]
    for tick in range(BAR + 8):
        if watch.passed(tick) is not Verdict.OPEN:
            return watch.verdict, tick
        while coming and coming[0][0] <= tick:
            watch.heard(*coming.pop(0))
    return watch.verdict, BAR


def run(changes: int, case: str, obeys: bool) -> tuple[dict[Verdict, int], list[int]]:
    """Verdicts of so many changes, and the ticks at which right ones fell."""
    rng = random.Random(7)
    counts = dict.fromkeys(Verdict, 0)
    ticks = []
    for seed in range(changes):
        old = draw(rng)
        new = vary(old, rng) if case.startswith("one track") else draw(rng)
        listed = LISTED[case](new) if case in LISTED else new
        played, start = (new, 0) if obeys else (old, 4 * BAR)
        verdict, tick = one_change(played, start, old, listed, seed)
        counts[verdict] += 1
        if verdict is (Verdict.OBEYED if obeys else Verdict.IGNORED):
            ticks.append(tick)
    return counts, ticks


def main() -> None:
    """Print the table."""
    changes = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    print(f"{changes} changes each; ticks until a right verdict, of a pass of {BAR}")
    for case in CASES:
        for obeys in (True, False):
            counts, ticks = run(changes, case, obeys)
            wrong = counts[Verdict.IGNORED if obeys else Verdict.OBEYED]
            right = len(ticks) / changes
            half = statistics.median(ticks) if ticks else 0
            late = sorted(ticks)[int(0.99 * len(ticks))] if ticks else 0
            what = "obeyed" if obeys else "ignored"
            print(
                f"  {case:22}{what:10}right {right:7.2%}  wrong {wrong / changes:8.3%}"
                f"  median {half:4.0f}  99% {late:4}"
            )


if __name__ == "__main__":
    main()
