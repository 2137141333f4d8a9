"""Time per clock tick in the engine's follower, against set size.

Run: python -m tests.bench.bench_tick

The baseline is the least anything could do with a tick: a Python call that counts. Sets grow from
one song to fifty, with 16 tracks of 64 rule-bearing steps in every pattern. The clock arrives late
by up to a millisecond or two; in the last row each such error stays with all ticks to come, as of
no clock that we know of, so that the count is never in calm.
"""

from __future__ import annotations

import random
import statistics
import time
from collections.abc import Callable
from fractions import Fraction

from companion.counting import Cycle, If, Pattern, Rule, Step, Track
from companion.follow.follower import Follower
from companion.setlist import Instrument, Part, ProgramChange, SetList, Song

TICKS = 40_000
CLOCK = (0xF8,)


def big_pattern(name: str, rng: random.Random) -> Pattern:
    """16 tracks of 64 steps, every step with a rule."""

    def rule(track: int) -> Rule:
        n = rng.randint(2, 16)
        kind = rng.randrange(4)
        if kind == 0:
            return Rule(cycles=(Cycle(rng.randint(1, n), n),))
        if kind == 1:
            return Rule(chances=(Fraction(rng.randint(1, 99), 100),))
        if kind == 2:
            return Rule(conditions=(If(None if track == 0 else "track 0", True),))
        return Rule(cycles=(Cycle(1, n, negated=True),), chances=(Fraction(1, 2),))

    tracks = tuple(
        Track(f"track {t}", 64, 6, tuple(Step(n, rule(t)) for n in range(1, 65))) for t in range(16)
    )
    return Pattern(name=name, length=64, phrase_ticks=768, tracks=tracks)


def big_set(songs: int) -> SetList:
    """`songs` songs of two one-phrase parts, each with a program change and a big pattern."""
    rng = random.Random(7)
    parts = tuple(
        Part(
            number=n + 1,
            song=n // 2,
            pattern=big_pattern(f"pattern {n}", rng),
            instrument="drums",
            changes=(ProgramChange("drums", n % 128),),
            phrases=1,
        )
        for n in range(2 * songs)
    )
    listed = tuple(Song(f"song {s}", 120.0, range(2 * s + 1, 2 * s + 3)) for s in range(songs))
    return SetList("Tidewater", listed, parts, {"drums": Instrument("drums")})


def per_tick(tick: Callable[[int], object], *, wanders: bool = False) -> tuple[float, float, float]:
    """Median, 99th percentile and largest time of one call, in microseconds."""
    rng = random.Random(3)
    sent_ns = 10**9
    spent = []
    for _ in range(TICKS):
        late_ns = round(rng.gauss(0, 5e5))
        sent_ns += 20_833_333 + wanders * late_ns
        t_ns = sent_ns + abs(late_ns) * (not wanders)
        begin = time.perf_counter_ns()
        tick(t_ns)
        spent.append(time.perf_counter_ns() - begin)
    spent.sort()
    return statistics.median(spent) / 1e3, spent[int(0.99 * TICKS)] / 1e3, spent[-1] / 1e3


def main() -> None:
    """Print the table."""
    print(f"{TICKS} ticks each, microseconds per tick")
    print(f"{'':28}{'median':>10}{'99%':>10}{'largest':>10}")
    count = 0

    def bare(_: int) -> None:
        nonlocal count
        count += 1

    print(f"{'baseline: count a call':28}" + "".join(f"{v:10.2f}" for v in per_tick(bare)))
    for songs, wanders in ((1, False), (5, False), (20, False), (50, False), (5, True)):
        follower = Follower(big_set(songs))
        follower.hear("drum", 10**9, (0xFA,))
        figures = per_tick(lambda t: follower.hear("drum", t, CLOCK), wanders=wanders)  # noqa: B023
        name = f"follower, {songs} songs{', wanders' if wanders else ''}"
        print(f"{name:28}" + "".join(f"{v:10.2f}" for v in figures))


if __name__ == "__main__":
    main()
