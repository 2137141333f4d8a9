"""Foreign nights: long random sequences of the events of the search, minutes of ticks between.

Sets, instruments and tempi are drawn too. A night that ends in a charge is cut down to a short
story.

    python -m tests.search.nights --hours 10 [--seed 1] [--workers 2]
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from random import Random
from typing import Any

from tests.search.box import Book, Kind, Part
from tests.search.search import charge_of, cut_down, story
from tests.search.stage import AWAY_S, SECOND, SHORT_S, Charged, Event, Stage

# Events of one set of a night.
EVENTS = 120


# With what a performer puts a count right that is unsure.
CURES: tuple[Event, ...] = (
    ("confirm",),
    ("confirm",),
    ("align",),
    ("nudge",),
    ("stop",),
    ("start",),
)


def random_book(rng: Random) -> Book:
    """A set of two to five parts, on an instrument of any kind."""
    count = rng.randint(2, 5)
    programs = rng.sample(range(16), count)
    if count > 2 and rng.random() < 0.2:
        programs[rng.randrange(1, count)] = programs[0]
    lengths: dict[int, tuple[int, int]] = {}
    for program in programs:
        lengths[program] = rng.choice((24, 48, 72, 96, 96, 192)), rng.randint(1, 4)
    parts = tuple(
        Part(program, *lengths[program], None if number == count else rng.randint(1, 3))
        for number, program in enumerate(programs, 1)
    )
    at_once = rng.random() < 0.2
    names = rng.random() < 0.6
    notes = rng.random() < 0.3
    kind = Kind(
        at_once=at_once,
        echoes=rng.random() < 0.3,
        names=names,
        notes=notes,
        idle_clock=rng.random() < 0.5,
        tells_bars=rng.random() < 0.2,
        takes_at_once=rng.random() < 0.5,
        ignores=not at_once and rng.random() < 0.2,
    )
    shortest = min(part.pass_ticks for part in parts)
    if at_once:
        return Book(parts, "5 ms", 1, kind, tempo=None)
    if rng.random() < 0.15:
        return Book(parts, "30 ms", 2, kind, tempo=None)
    steps = rng.randint(1, shortest // 6 - 1)
    return Book(parts, f"{steps} steps", 6 * steps, kind, tempo=None)


def _part(rng: Random, stage: Stage) -> int:
    return rng.randint(1, len(stage.book.parts))


def _acts(rng: Random, stage: Stage) -> tuple[Event, ...]:
    choice = ("choose", _part(rng, stage))
    return rng.choice(((), (), (choice,), (choice, ("start",)), (("start",),), (("stop",),)))


def _ticks(rng: Random, stage: Stage) -> Event:
    """Some ticks, or minutes of them, or to about a place where something is due."""
    box = stage.box
    if rng.random() < 0.5 and box.running:
        number = min(max(stage.follower.status().part, 1), len(stage.book.parts))
        part = stage.book.parts[number - 1]
        length = rng.choice((box.pass_ticks, part.phrase_ticks, part.phrase_ticks * 2))
        to_end = length - box.tick % length
        lead = stage.book.lead_ticks
        near = to_end - rng.choice((0, 0, lead, lead // 2, 24)) + rng.randint(-3, 3)
        return ("ticks", max(1, near))
    return ("ticks", max(1, round(2 ** rng.uniform(0, 11))))


def _silence(rng: Random, stage: Stage) -> Event:
    name = rng.choice(("silence", "silence", "gone"))
    seconds = round(2 ** rng.uniform(-3, 5), 3)
    acts = _acts(rng, stage) if seconds > SHORT_S else ()
    return (name, seconds, *acts)


def _kill(rng: Random, stage: Stage) -> Event:
    seconds = round(2 ** rng.uniform(-4, 5), 6)
    return ("kill", seconds, *(_acts(rng, stage) if seconds > AWAY_S else ()))


# How often an event is drawn, and how.
DRAWN: dict[Callable[[Random, Stage], Event], float] = {
    _ticks: 40.0,
    lambda rng, stage: ("lost", rng.randint(1, 8)): 3.0,
    _silence: 2.5,
    _kill: 3.0,
    lambda rng, stage: ("wait", round(rng.uniform(0, 40), 3)): 6.0,
    lambda rng, stage: (
        "die",
        rng.choice(("before", "after")),
        round(rng.uniform(0.05, 3), 3),
    ): 1.0,
    lambda rng, stage: ("start", rng.choice(("takes", "drops"))): 5.0,
    lambda rng, stage: ("stop", rng.choice(("keeps", "keeps", "takes", "drops"))): 3.0,
    lambda rng, stage: ("continue",): 4.0,
    lambda rng, stage: ("position", rng.choice((0, 4, 8, 16, 32, rng.randint(0, 200)))): 1.0,
    lambda rng, stage: ("choose", _part(rng, stage)): 3.0,
    lambda rng, stage: ("stays",): 1.5,
    lambda rng, stage: ("ignore",): 1.5,
    lambda rng, stage: ("fail",): 0.5,
    lambda rng, stage: ("tempo", round(rng.uniform(0.98, 1.02), 4)): 1.0,
    lambda rng, stage: ("wish", rng.choice(("disarm", "arm", "arm"))): 3.0,
    lambda rng, stage: (
        "wish",
        rng.choice(("next", "next pass", "now", "stay", "undo", "undo")),
    ): 6.0,
    lambda rng, stage: ("wish", f"part {_part(rng, stage)}"): 2.0,
    lambda rng, stage: ("align",): 2.0,
    lambda rng, stage: ("confirm",): 4.0,
    lambda rng, stage: ("nudge",): 1.0,
}


@dataclass
class Fate:
    """One set of a night: everything that is drawn for it, and what came of it."""

    seed: int
    book: Book
    period_ns: int
    events: list[Event] = field(default_factory=list)
    charge: str = ""
    hours: float = 0.0
    ticks: int = 0
    sure: int = 0
    sends: int = 0
    doubts: Counter[str] = field(default_factory=Counter)


def play(kind: Any, seed: int, count: int = EVENTS) -> Fate:
    """One set of a night, from one seed."""
    rng = Random(seed)
    fate = Fate(seed, random_book(rng), round(2_500_000_000 / rng.uniform(50, 220)))
    stage = Stage(fate.book, kind, rng=Random(seed), keeps=True, period_ns=fate.period_ns)
    begun_ns = stage.now_ns
    draws, weights = list(DRAWN), list(DRAWN.values())
    try:
        for _ in range(count):
            event = rng.choices(draws, weights)[0](rng, stage)
            if not stage.begun and rng.random() < 0.9:
                event = ("start", "takes")
            elif not stage.follower.status().sure and rng.random() < 0.3:
                event = rng.choice(CURES)
            fate.events.append(event)
            if not stage.do(event):
                fate.events.pop()
                continue
            status = stage.follower.status()
            if not status.sure:
                fate.doubts[status.doubt] += 1
    except Charged as charge:
        fate.charge = str(charge)
    fate.hours = (stage.now_ns - begun_ns) / SECOND / 3600
    fate.ticks, fate.sure, fate.sends = stage.heard_ticks, stage.sure_ticks, stage.sends
    return fate


def told(kind: Any, fate: Fate) -> str:
    """The night cut down and told in words, with the set and the events to play it again."""
    book, period_ns = fate.book, fate.period_ns
    for seed in (None, fate.seed):

        def fails(events: Sequence[Event], seed: int | None = seed) -> bool:
            rng = None if seed is None else Random(seed)
            return bool(charge_of(book, kind, events, rng=rng, keeps=True, period_ns=period_ns))

        if fails(fate.events):
            events = cut_down(cut_down(fate.events, fails), fails)
            rng = None if seed is None else Random(seed)
            words = story(book, kind, events, rng=rng, keeps=True, period_ns=period_ns)
            return f"{book}\nperiod {period_ns} ns, seed {seed}\n{events}\n{words}"
    return f"seed {fate.seed}: {fate.charge} (not again)"


def _play(job: tuple[Any, int]) -> Fate:
    return play(*job)


def main(arguments: Sequence[str] | None = None) -> int:
    """Play nights for so many simulated hours and print what came of them."""
    parser = argparse.ArgumentParser(prog="python -m tests.search.nights")
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--stories", type=int, default=20, help="so many are cut down and told")
    options = parser.parse_args(arguments)
    from companion.follow import Follower

    begun = time.monotonic()
    hours, ticks, sure, sends, sets = 0.0, 0, 0, 0, 0
    charges: list[Fate] = []
    doubts: Counter[str] = Counter()
    seed = options.seed * 1_000_000
    with ProcessPoolExecutor(options.workers) as pool:
        while hours < options.hours:
            batch = [(Follower, seed + n) for n in range(16 * options.workers)]
            seed += len(batch)
            for fate in pool.map(_play, batch, chunksize=4):
                hours, ticks, sure = hours + fate.hours, ticks + fate.ticks, sure + fate.sure
                sends, sets = sends + fate.sends, sets + 1
                doubts.update(fate.doubts)
                if fate.charge:
                    charges.append(fate)
                    if len(charges) <= options.stories:
                        print(told(Follower, fate), end="\n\n", flush=True)
    print(
        f"{hours:.1f} hours, {sets} sets, {ticks} ticks heard of a playing instrument, "
        f"{sure / max(ticks, 1):.1%} sure, {sends} changes sent, {len(charges)} charges, "
        f"{time.monotonic() - begun:.0f} s"
    )
    for doubt, count in doubts.most_common(12):
        print(f"{count:7} {doubt}")
    return 1 if charges else 0


if __name__ == "__main__":
    sys.exit(main())
