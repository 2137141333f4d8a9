"""Every sequence of events up to a depth, over states: bounded model checking.

After each event the follower's checkpoint and the box are brought to a normal form, and a pair
that was seen before is not opened again: what follows from it has been looked at (Clarke, Grumberg
and Peled, Model Checking, 1999: explicit-state search with hashed states).
"""

from __future__ import annotations

import math
import time
from array import array
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from hashlib import blake2b
from random import Random
from typing import Any

from companion.follow.conductor import dump
from tests.search.box import Book, Kind, Part
from tests.search.stage import MS, Charged, Event, Stage, words_of

# Two parts of a beat each; a change is sent half a beat ahead.
TOY_PARTS = (Part(0, 24, 1, 1), Part(1, 24, 1, None))
# The same with passes of half a beat, so that a change can go into the wrong pass of a phrase.
HALF_PARTS = (Part(0, 12, 2, 1), Part(1, 12, 2, None))
TOYS = {
    "names": Book(TOY_PARTS, "2 steps", 12, Kind()),
    "echoes": Book(TOY_PARTS, "2 steps", 12, Kind(echoes=True)),
    "ignores": Book(TOY_PARTS, "2 steps", 12, Kind(names=False, ignores=True)),
    "notes": Book(TOY_PARTS, "2 steps", 12, Kind(names=False, ignores=True, notes=True)),
    "half": Book(HALF_PARTS, "1 steps", 6, Kind(takes_at_once=False)),
    "at once": Book(TOY_PARTS, "5 ms", 1, Kind(at_once=True)),
}

ALPHABET: tuple[Event, ...] = (
    # Together they go to within the lead, past half of it and over the boundary by turns.
    ("ticks", 4),
    ("ticks", 17),
    ("lost", 3),
    ("silence", 20.0),
    ("silence", 20.0, ("choose", 2)),
    ("start",),
    ("start", "drops"),
    ("stop",),
    ("stop", "takes"),
    ("stop", "drops"),
    ("continue",),
    ("position", 3),
    ("choose", 1),
    ("choose", 2),
    ("stays",),
    ("ignore",),
    ("wish", "disarm"),
    ("wish", "arm"),
    ("wish", "next"),
    ("wish", "stay"),
    ("wish", "undo"),
    ("align",),
    ("confirm",),
    ("kill", 0.5),
    ("kill", 12.0),
    ("kill", 12.0, ("choose", 2), ("start",)),
    ("die", "before", 0.5),
    ("die", "after", 0.5),
)


# -- normal form ---------------------------------------------------------------------------------

# Times are told apart to this, weights and other fractions to so many digits down to this one.
TIME_NS = 2 * MS
DIGITS = 2
NOTHING = 1e-11
# What is kept and says nothing of what follows: how many events there were, and the words of the
# latest notice.
IDLE = ("events", "notice")
# A number this near to now is a time: the computer has been on for forty days, and nothing that a
# follower counts or measures is as long as that.
NEAR_NS = 40_000_000_000_000


def normal(value: Any, now_ns: int) -> Any:
    """Plain JSON values with times relative to now and fractions rounded."""
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return value
    if isinstance(value, dict):
        kept = ((name, one) for name, one in value.items() if name not in IDLE)
        return tuple(sorted((str(name), normal(one, now_ns)) for name, one in kept))
    if isinstance(value, (list, tuple)):
        return tuple(normal(one, now_ns) for one in value)
    if abs(value - now_ns) < NEAR_NS:
        return ("ago", round((now_ns - value) / TIME_NS))
    if isinstance(value, int) and abs(value) < 100_000:
        return value
    if not math.isfinite(value) or abs(value) < NOTHING:
        return str(value) if not math.isfinite(value) else 0
    return round(value, DIGITS - 1 - math.floor(math.log10(abs(value))))


def observed(stage: Stage) -> tuple[Any, ...]:
    """What can be seen of a follower from outside."""
    status = stage.follower.status()
    change = status.next_change
    due = None if change is None else (change.part, change.ticks)
    return (status.state, status.sure, status.part, status.tick, due, stage.sends)


def _beside(follower: Any) -> Any:
    """What goes on beside, to be come back to: a checkpoint has nothing of it."""
    conductor = getattr(follower, "conductor", None)
    beside = None if conductor is None else conductor._beside
    if beside is None:
        return None
    twin = beside.conductor
    return [dump(twin.situation), twin.ticks.dump(), str(beside.wish)]


def key_of(stage: Stage) -> bytes:
    """The normal form of a stage, as a hash."""
    now_ns = stage.now_ns
    judge = stage.judge
    form = (
        normal(stage.follower.checkpoint(now_ns), now_ns),
        normal(_beside(stage.follower), now_ns),
        observed(stage)[:5],
        stage.box.state,
        round((stage.next_tick_ns - now_ns) / TIME_NS),
        (stage.armed, stage.gap, stage.begun, min(stage.since_set, 3), stage.shown, stage.fails),
        (judge.heard, judge.unheard, judge.playing, tuple(judge.wishes), judge.doubtful_wishes),
        (judge.before, judge.counted, stage.hidden),
        (len(stage.held), stage.back_for_s),
    )
    return blake2b(repr(form).encode(), digest_size=12).digest()


# -- search --------------------------------------------------------------------------------------


@dataclass
class Found:
    """What a search has found."""

    states: int = 0
    opened: int = 0
    steps: int = 0
    sequences: int = 0
    seconds: float = 0.0
    # States by depth.
    levels: list[int] = field(default_factory=list)
    # Failing sequences, the shortest first, with the charge.
    charges: list[tuple[tuple[Event, ...], str]] = field(default_factory=list)

    def __str__(self) -> str:
        return (
            f"{self.states} states ({', '.join(map(str, self.levels))}), {self.steps} steps, "
            f"standing for {self.sequences:,} sequences, {self.seconds:.0f} s, "
            f"{len(self.charges)} charges"
        )


def replay(book: Book, kind: Any, events: Sequence[Event], **more: Any) -> Stage:
    """A stage on which these events have happened; those that may not are passed over."""
    stage = Stage(book, kind, **more)
    for event in events:
        stage.do(event)
    return stage


def story(book: Book, kind: Any, events: Sequence[Event], **more: Any) -> str:
    """A sequence told in words, with what is shown after each event, to its charge."""
    lines: list[str] = []
    try:
        replay(book, kind, events, tell=lines.append, **more)
    except Charged as charge:
        lines.append(f"=> {charge}")
    return "\n".join(lines)


def cut_down(events: Sequence[Event], fails: Callable[[Sequence[Event]], bool]) -> list[Event]:
    """The events without those that a failure does not need, and fewer ticks.

    Delta debugging: Zeller and Hildebrandt, Simplifying and isolating failure-inducing input, 2002.
    """
    left = list(events)
    size = max(1, len(left) // 2)
    while size:
        at = 0
        while at < len(left):
            shorter = left[:at] + left[at + size :]
            if fails(shorter):
                left = shorter
            else:
                at += size
        size //= 2
    for at, event in enumerate(left):
        if event[0] != "ticks":
            continue
        low, high = 0, event[1]
        while high - low > 1:
            middle = (low + high) // 2
            if fails([*left[:at], ("ticks", middle), *left[at + 1 :]]):
                high = middle
            else:
                low = middle
        left[at] = ("ticks", high)
    return left


def charge_of(book: Book, kind: Any, events: Sequence[Event], **more: Any) -> str:
    """What these events are charged with, or nothing."""
    try:
        replay(book, kind, events, **more)
    except Charged as charge:
        return str(charge)
    return ""


def stories(book: Book, kind: Any, found: Found) -> list[tuple[Event, ...]]:
    """The failing sequences cut down, each once."""
    kept: dict[tuple[Event, ...], None] = {}
    for events, _ in found.charges:
        if not any(_within(known, events) for known in kept):
            shorter = cut_down(events, lambda left: bool(charge_of(book, kind, left)))
            kept[tuple(shorter)] = None
    return list(kept)


def _within(part: Sequence[Event], whole: Sequence[Event]) -> bool:
    """Whether events happen in this order among others."""
    rest = iter(whole)
    return all(any(event == other for other in rest) for event in part)


# What came of an event: it may not happen, the charge, or the state it leads to.
Outcome = bytes | str | None


Job = tuple[Book, Any, tuple[Event, ...], list[bytes], bool]


def _open(job: Job) -> list[list[Outcome]]:
    """Open states, each given by a path to it (a byte an event)."""
    book, kind, alphabet, paths, last = job
    opened: list[list[Outcome]] = []
    for path in paths:
        stage = replay(book, kind, [alphabet[index] for index in path])
        copied = stage.copier()
        outcomes: list[Outcome] = []
        for event in alphabet:
            if not stage.may(event):
                outcomes.append(None)
                continue
            after = copied()
            try:
                after.do(event)
                outcomes.append(b"" if last else key_of(after))
            except Charged as charge:
                outcomes.append(str(charge))
        opened.append(outcomes)
    return opened


def _opened(jobs: list[Job], workers: int) -> Iterator[list[list[Outcome]]]:
    """What comes of each job, in order; a worker that dies is replaced, a few times in a row."""
    if workers == 1:
        yield from map(_open, jobs)
        return
    done, deaths = 0, 0
    while done < len(jobs):
        with ProcessPoolExecutor(workers) as pool:
            try:
                for opened in pool.map(_open, jobs[done:]):
                    done, deaths = done + 1, 0
                    yield opened
            except BrokenProcessPool:
                deaths += 1
                if deaths > 3:
                    raise


def search(
    book: Book,
    kind: Any,
    depth: int,
    *,
    alphabet: tuple[Event, ...] = ALPHABET,
    workers: int = 1,
    most_charges: int = 200,
) -> Found:
    """Look at every sequence of up to `depth` events; `kind` is the follower's class.

    After `most_charges` charges the level is finished and no deeper one begun.
    """
    found = Found()
    begun = time.monotonic()
    ids: dict[bytes, int] = {key_of(Stage(book, kind)): 0}
    # For each opened state the states its events lead to; -1 for what is not opened.
    edges: list[array[int]] = []
    level: list[bytes] = [b""]
    for at in range(depth):
        if len(found.charges) >= most_charges:
            break
        found.levels.append(len(level))
        last = at == depth - 1
        size = max(1, min(64, len(level) // (4 * workers)))
        jobs = [
            (book, kind, alphabet, level[i : i + size], last) for i in range(0, len(level), size)
        ]
        results = _opened(jobs, workers)
        following: list[bytes] = []
        path_at = iter(level)
        for opened in results:
            for outcomes in opened:
                path = next(path_at)
                targets = array("l")
                for index, outcome in enumerate(outcomes):
                    if outcome is None:
                        continue
                    found.steps += 1
                    if isinstance(outcome, str):
                        targets.append(-1)
                        if len(found.charges) < most_charges:
                            events = tuple(alphabet[i] for i in (*path, index))
                            found.charges.append((events, outcome))
                    elif last:
                        targets.append(-1)
                    else:
                        target = ids.get(outcome)
                        if target is None:
                            target = ids[outcome] = len(ids)
                            following.append(path + bytes((index,)))
                        targets.append(target)
                edges.append(targets)
        level = following
    found.states = len(ids)
    found.opened = len(edges)
    found.sequences = _sequences(edges, depth)
    found.seconds = time.monotonic() - begun
    return found


def _sequences(edges: list[array[int]], depth: int) -> int:
    """How many sequences of `depth` events the states stand for; one ends early at a charge."""
    counts = {0: 1}
    ended = 0
    for _ in range(depth):
        following: dict[int, int] = {}
        for state, count in counts.items():
            if state >= len(edges):
                ended += count
                continue
            for target in edges[state]:
                if target < 0:
                    ended += count
                else:
                    following[target] = following.get(target, 0) + count
        counts = following
    return ended + sum(counts.values())


# -- the merging itself --------------------------------------------------------------------------


class Merged:
    """Walks sequences as the search sees them: from each state on by the first path to it."""

    def __init__(self, book: Book, kind: Any) -> None:
        self.book, self.kind = book, kind
        self._first: dict[bytes, tuple[Event, ...]] = {}
        self._known: dict[tuple[bytes, Event], tuple[str, bytes]] = {}
        self.root = self._state(Stage(book, kind), ())

    def _state(self, stage: Stage, path: tuple[Event, ...]) -> bytes:
        key = key_of(stage)
        self._first.setdefault(key, path)
        return key

    def step(self, key: bytes, event: Event) -> tuple[str, bytes]:
        """What is seen after an event in a state, and the state it leads to."""
        known = self._known.get((key, event))
        if known is None:
            path = self._first[key]
            stage = replay(self.book, self.kind, path)
            seen, after = seen_after(stage, event)
            state = b"" if after is None else self._state(after, (*path, event))
            known = self._known[key, event] = (seen, state)
        return known


def seen_after(stage: Stage, event: Event) -> tuple[str, Stage | None]:
    """What is seen after an event; the stage, or None if nothing can follow."""
    sends = stage.sends
    try:
        if not stage.do(event):
            return "may not", stage
    except Charged as charge:
        return f"charge: {charge}", None
    return repr((*observed(stage)[:5], stage.sends - sends)), stage


def random_sequence(
    rng: Random, book: Book, kind: Any, alphabet: Sequence[Event], length: int
) -> tuple[Event, ...]:
    """Events drawn evenly among those that may happen, up to a charge."""
    stage = Stage(book, kind)
    events: list[Event] = []
    try:
        for _ in range(length):
            events.append(rng.choice([event for event in alphabet if stage.may(event)]))
            stage.do(events[-1])
    except Charged:
        pass
    return tuple(events)


def unlike(merged: Merged, events: Sequence[Event]) -> str | None:
    """Where a sequence played without merging parts from what the search takes it for."""
    stage = Stage(merged.book, merged.kind)
    key = merged.root
    for number, event in enumerate(events, 1):
        expected, key = merged.step(key, event)
        seen, after = seen_after(stage, event)
        if seen != expected:
            return f"after event {number}, {words_of(event)}: {seen}, merged {expected}"
        if after is None:
            return None
    return None
