"""How long the arithmetic takes: questions on a huge repeat, forecasts, and how cost grows.

Run: python -m tests.bench.bench_counting

Figures are processor time, which a busy machine does not stretch. "First asked" is the median over
values made afresh, so nothing kept from an earlier run is counted. Each question has beside it what
plain scanning costs for the same answer, on a size where scanning ends, or how fast it goes where
it would not end.
"""

from __future__ import annotations

import random
import statistics
import time
from collections.abc import Callable
from fractions import Fraction

from companion.counting import (
    Cycle,
    If,
    Pattern,
    Rule,
    Step,
    Track,
    chance_of_any,
    next_together,
    phrase_shape,
    prepare,
    repeat_passes,
    step_events,
)
from companion.counting.chances import expected_hits
from tests.counting.counting_patterns import chance_at, long_run_rate, next_step

FAR = 10**45
PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83)
PRIMES += (89, 97, 101, 103, 107, 109, 113, 127)


def huge() -> Pattern:
    """A pattern whose repeat has 56 digits: a step for every cycle up to 128, and `if` terms."""
    many = tuple(Step(n, Rule((Cycle(1 + n // 2, n),))) for n in range(1, 129))
    chain = (
        Step(1, Rule((Cycle(5, 127),))),
        Step(2, Rule((Cycle(7, 113, True),), (), None, None, (If(None, False),))),
        Step(3, Rule((), (Fraction(3, 4),), None, None, (If(None, True),))),
        Step(4, Rule((Cycle(2, 3), Cycle(4, 109, True)), (Fraction(1, 3),))),
    )
    endless = (Step(1, Rule((), (Fraction(999, 1000),), None, None, (If(None, False),))),)
    return Pattern(
        "tide table",
        128,
        6,
        phrase_ticks=8 * 768,
        tracks=(
            Track("low drum", 128, 6, many),
            Track("shaker", 128, 6, chain),
            Track("buoy bell", 96, 6, endless),
        ),
    )


def ruled(tracks: int, steps: int, seed: int = 1, length: int | None = None) -> Pattern:
    """Tracks on which every step has a rule of some kind, one in five of them an `if`."""
    dice = random.Random(seed)
    names = [f"tide {at}" for at in range(tracks)]

    def rule() -> Rule:
        n = dice.randint(2, 16)
        cycle = (Cycle(dice.randint(1, n), n, dice.random() < 0.2),)
        kind = dice.random()
        if kind < 0.4:
            return Rule(cycle)
        if kind < 0.6:
            return Rule(cycle, (Fraction(dice.randint(1, 19), 20),))
        if kind < 0.8:
            return Rule((), (Fraction(dice.randint(1, 19), 20),))
        look = If(dice.choice((None, None, *names)), dice.random() < 0.5)
        return Rule(cycle if dice.random() < 0.5 else (), (), None, None, (look,))

    return Pattern(
        "tide table",
        length or steps,
        6,
        phrase_ticks=8 * (length or steps) * 6,
        tracks=tuple(
            Track(name, steps, 6, tuple(Step(at, rule()) for at in range(1, steps + 1)))
            for name in names
        ),
    )


def took(make: Callable[[], object], ask: Callable[..., object], runs: int = 7) -> float:
    """Median milliseconds of `ask(made)`, the value made afresh each time and not counted."""
    times = []
    for _ in range(runs):
        made = make()
        begin = time.process_time()
        ask(made)
        times.append(time.process_time() - begin)
    return statistics.median(times) * 1e3


def scanned_next(pattern: Pattern, track: int, number: int, begin: int, limit: int) -> int:
    """Passes looked at until a step's cycles hold, at most `limit`: what computing spares."""
    step = next(each for each in pattern.tracks[track].steps if each.number == number)
    at = begin
    while at < begin + limit and not all(cycle.holds(at) for cycle in step.rule.cycles):
        at += 1
    return at


def scanned_meeting(rules: list[Cycle], limit: int) -> int | None:
    """The first pass on which all the cycles hold, by looking at each pass."""
    return next((at for at in range(1, limit) if all(cycle.holds(at) for cycle in rules)), None)


def played(pattern: Pattern, passes: int) -> int:
    """Plays every step of every pass once, drawing chances: how a forecast is found by playing."""
    dice = random.Random(1)
    last = [False] * len(pattern.tracks)
    names = {track.name: at for at, track in enumerate(pattern.tracks)}
    order = sorted(
        ((step.number - 1) * track.step_ticks, at, step.number)
        for at, track in enumerate(pattern.tracks)
        for step in track.steps
    )
    steps = [(at, pattern.tracks[at].steps[number - 1]) for _, at, number in order]
    count = 0
    for number in range(1, passes + 1):
        for at, step in steps:
            rule = step.rule
            plays = all(cycle.holds(number) for cycle in rule.cycles) and all(
                last[at if look.track is None else names[look.track]] == look.played
                for look in rule.conditions
            )
            if plays and rule.chances:
                plays = dice.random() < rule.chances[0]
            last[at] = plays
            count += plays
    return count


def table(title: str, head: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    """Print rows in columns."""
    widths = [max(len(row[at]) for row in [head, *rows]) for at in range(len(head))]
    print(f"\n{title}")
    for row in [head, *rows]:
        cells = (
            row[at].ljust(widths[at]) if not at else row[at].rjust(widths[at])
            for at in range(len(head))
        )
        print("  " + "  ".join(cells))


def questions() -> None:
    """Every question on a repeat of 56 digits, cold: nothing has been worked out before."""
    pattern = huge()
    ticks = pattern.pass_ticks
    digits = len(str(repeat_passes(pattern)))
    pair = [("low drum", 127), ("low drum", 113)]
    primes = [("low drum", prime) for prime in PRIMES]
    window = [("shaker", 2), ("shaker", 3), ("buoy bell", 1)]
    rows = []

    def row(name: str, ask: Callable[[Pattern], object], scan: str) -> None:
        cold = took(huge, ask)
        warm = took(lambda: pattern, ask)
        rows.append((name, f"{cold:.2f}", f"{warm:.3f}", scan))

    begin = time.process_time()
    looked = scanned_next(pattern, 0, 127, 65, 10**6) - 65
    one = (time.process_time() - begin) * 1e3
    row(
        "next of a step, from pass 10^45",
        lambda p: next_step(p, "low drum", 127, FAR * ticks),
        f"{one:.2f} ms, {looked} passes",
    )
    begin = time.process_time()
    met = scanned_meeting([Cycle(64, 127), Cycle(57, 113)], 10**6)
    two = (time.process_time() - begin) * 1e3
    row("two steps together", lambda p: next_together(p, pair, 1), f"{two:.0f} ms, pass {met}")
    begin = time.process_time()
    scanned_meeting([Cycle(1 + prime // 2, prime) for prime in PRIMES], 200_000)
    speed = 200_000 / (time.process_time() - begin)
    row(
        "31 steps together, a cycle for every prime",
        lambda p: next_together(p, primes, 1),
        f"never: {speed:.0e} passes/s",
    )
    row(f"repeat ({digits} digits)", repeat_passes, "never")
    row("chance at pass 10^45, cycles", lambda p: chance_at(p, "shaker", 4, FAR), "never")
    row("chance at pass 10^45, chain", lambda p: chance_at(p, "shaker", 3, FAR), "never")
    row("chance at pass 10^45, endless", lambda p: chance_at(p, "buoy bell", 1, FAR), "never")
    row("long-run rate, chain", lambda p: long_run_rate(p, "shaker", 3), "never")
    row("long-run rate, endless", lambda p: long_run_rate(p, "buoy bell", 1), "never")
    row(
        "chance in a phrase at pass 10^45",
        lambda p: chance_of_any(p, window, FAR * ticks, (FAR + 8) * ticks),
        "never",
    )
    row("fullest and emptiest pass, phrase 10^45", lambda p: phrase_shape(p, FAR), "never")
    row("hits of one pass at 10^45", lambda p: expected_hits(p, FAR, FAR), "never")
    row(
        "forecast of 16 passes at 10^45",
        lambda p: step_events(p, FAR * ticks, (FAR + 16) * ticks),
        "never",
    )
    table(
        f"Questions on a repeat of {digits} digits (ms)",
        ("question", "first asked", "again", "by scanning"),
        rows,
    )


def forecasts() -> None:
    """What the engine asks once a pass."""
    rows = []

    def prepared(tracks: int, steps: int) -> Callable[[], Pattern]:
        def make() -> Pattern:
            pattern = ruled(tracks, steps)
            prepare(pattern)
            return pattern

        return make

    for tracks, steps in ((4, 16), (16, 16), (16, 64), (32, 64)):
        ready = took(lambda tracks=tracks, steps=steps: ruled(tracks, steps), prepare, 3)
        make = prepared(tracks, steps)
        first = took(make, lambda p: step_events(p, 0, 16 * p.pass_ticks), 5)
        pattern = make()
        ticks = pattern.pass_ticks
        step_events(pattern, 0, 16 * ticks)
        later = []
        for at in range(1, 20):
            begin = time.process_time()
            step_events(pattern, at * ticks, (at + 16) * ticks)
            later.append((time.process_time() - begin) * 1e3)
        count = len(step_events(pattern, 0, 16 * ticks))
        begin = time.process_time()
        played(pattern, 16)
        once = (time.process_time() - begin) * 1e3
        rows.append(
            (
                f"{tracks} x {steps}",
                str(count),
                f"{ready:.0f}",
                f"{first:.2f}",
                f"{statistics.median(later):.2f}",
                f"{max(later):.2f}",
                f"{once:.0f}",
            )
        )
    table(
        "Rare steps of two phrases of eight passes, every step with a rule (ms)",
        ("tracks x steps", "events", "prepare", "first", "once a pass", "worst", "one playing"),
        rows,
    )


def growth() -> None:
    """How the closed forms grow with terms, steps that meet, and depth of `if` chains."""
    rows = []
    for terms in (1, 2, 4, 8, 12):
        rule = Rule(tuple(Cycle(1, prime, True) for prime in PRIMES[-terms:]))
        cost = took(
            lambda rule=rule: Pattern("t", tracks=(Track("a", 16, 6, (Step(1, rule),)),)),
            lambda p: (next_step(p, "a", 1, FAR * 96), long_run_rate(p, "a", 1)),
        )
        rows.append((f"{terms} exclusions in one rule: next and rate", f"{cost:.2f}"))
    for steps in (2, 8, 31):
        chosen = [("low drum", prime) for prime in PRIMES[-steps:]]
        cost = took(huge, lambda p, chosen=chosen: next_together(p, chosen, 1))
        rows.append((f"{steps} steps together", f"{cost:.2f}"))
    for depth in (1, 8, 32, 64):
        chain = (
            Step(1, Rule((Cycle(3, 127),))),
            *(
                Step(at, Rule((), (Fraction(9, 10),), None, None, (If(None, True),)))
                for at in range(2, depth + 2)
            ),
        )
        cost = took(
            lambda chain=chain: Pattern("t", 128, tracks=(Track("a", 128, 6, chain),)),
            lambda p, depth=depth: chance_at(p, "a", depth + 1, FAR),
        )
        rows.append((f"`if` chain of {depth}: chance at pass 10^45", f"{cost:.2f}"))
    table("Growth (ms)", ("question", "cost"), rows)


def main() -> None:
    """Print all tables."""
    questions()
    forecasts()
    growth()


if __name__ == "__main__":
    main()
