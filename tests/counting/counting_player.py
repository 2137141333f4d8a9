"""A player that is simple and obviously right: it plays a pattern step by step, in time order.

Nothing here is taken from the code under test but the values that describe a pattern.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from companion.counting import Pattern, Rule, Step


@dataclass(frozen=True)
class Moment:
    """One step on one pass: `tick` from the start of the part, `track` its place in the file."""

    tick: int
    track: int
    step: int
    pass_number: int


def moments(pattern: Pattern, until: int, carried: int = 0) -> list[tuple[Moment, Step]]:
    """Every step of every pass that begins in the first `until` ticks, in the order of playing."""
    start = carried * pattern.pass_ticks
    found = []
    for index, track in enumerate(pattern.tracks):
        for step in track.steps:
            pass_number = start // track.pass_ticks + 1
            while True:
                tick = (pass_number - 1) * track.pass_ticks
                tick += (step.number - 1) * track.step_ticks - start
                if tick >= until:
                    break
                if tick >= 0:
                    found.append((Moment(tick, index, step.number, pass_number), step))
                pass_number += 1
    found.sort(key=lambda each: (each[0].tick, each[0].track))
    return found


def sure_part(pattern: Pattern, rule: Rule, moment: Moment, carried: int, fill: bool) -> bool:
    """Whether everything but chance and `if` allows it."""
    first = carried * pattern.pass_ticks // pattern.tracks[moment.track].pass_ticks + 1
    if rule.impossible or not all(cycle.holds(moment.pass_number) for cycle in rule.cycles):
        return False
    if rule.first is not None and rule.first != (moment.pass_number == first):
        return False
    return rule.fill is None or rule.fill == fill


def ifs_hold(pattern: Pattern, rule: Rule, track: int, last: list[bool]) -> bool:
    """Whether every `if` term finds what it wants."""
    names = [each.name for each in pattern.tracks]
    for condition in rule.conditions:
        looked_at = track if condition.track is None else names.index(condition.track)
        if last[looked_at] != condition.played:
            return False
    return True


def play(
    pattern: Pattern,
    until: int,
    draw: Callable[[Fraction], bool],
    carried: int = 0,
    fill: bool = False,
) -> set[Moment]:
    """What sounds in one performance; `draw` says how a draw with that chance turns out."""
    last = [False] * len(pattern.tracks)
    sounded = set()
    for moment, step in moments(pattern, until, carried):
        rule = step.rule
        if not rule.conditional:
            sounded.add(moment)
            continue
        plays = (
            sure_part(pattern, rule, moment, carried, fill)
            and ifs_hold(pattern, rule, moment.track, last)
            and draw(rule.chance)
        )
        last[moment.track] = plays
        if plays:
            sounded.add(moment)
    return sounded


def performances(
    pattern: Pattern, until: int, carried: int = 0, fill: bool = False
) -> Iterator[tuple[Fraction, set[Moment]]]:
    """Every possible performance, each draw tried both ways, with its exact probability."""
    script: list[bool] = []
    while True:
        weight = Fraction(1)
        used = 0

        def draw(chance: Fraction) -> bool:
            nonlocal weight, used
            if chance in (0, 1):
                return chance == 1
            if used == len(script):
                script.append(True)
            used += 1
            weight *= chance if script[used - 1] else 1 - chance
            return script[used - 1]

        sounded = play(pattern, until, draw, carried, fill)
        yield weight, sounded
        while script and not script[-1]:
            script.pop()
        if not script:
            return
        script[-1] = False


def exact_chances(
    pattern: Pattern, until: int, carried: int = 0, fill: bool = False
) -> dict[Moment, Fraction]:
    """The chance of every step on every pass, by trying all draws; 0 is left out."""
    chances: dict[Moment, Fraction] = {}
    for weight, sounded in performances(pattern, until, carried, fill):
        for moment in sounded:
            chances[moment] = chances.get(moment, Fraction(0)) + weight
    return chances


def carried_along(
    pattern: Pattern,
    until: int,
    carried: int = 0,
    fill: bool = False,
    watched: Callable[[Moment], int] = lambda moment: 0,
) -> tuple[dict[Moment, float], dict[int, float]]:
    """The same by carrying along the chance of every state, for longer stretches.

    The state is what each track's latest step with a rule did, and which flags have been raised:
    a moment that sounds raises the flags `watched` gives for it (bits). Returns the chances, and
    for every set of flags the chance to end with exactly those.
    """
    states: dict[tuple[tuple[bool, ...], int], float] = {((False,) * len(pattern.tracks), 0): 1.0}
    chances: dict[Moment, float] = {}
    for moment, step in moments(pattern, until, carried):
        rule = step.rule
        after: dict[tuple[tuple[bool, ...], int], float] = {}
        total = 0.0
        for (last, flags), weight in states.items():
            chance = 1.0
            if rule.conditional:
                allowed = sure_part(pattern, rule, moment, carried, fill)
                allowed = allowed and ifs_hold(pattern, rule, moment.track, list(last))
                chance = float(rule.chance) if allowed else 0.0
            for plays, share in ((True, weight * chance), (False, weight * (1.0 - chance))):
                if share == 0.0:
                    continue
                memory = list(last)
                if rule.conditional:
                    memory[moment.track] = plays
                raised = flags | watched(moment) if plays else flags
                key = (tuple(memory), raised)
                after[key] = after.get(key, 0.0) + share
                total += share if plays else 0.0
        states = after
        if total:
            chances[moment] = total
    ends: dict[int, float] = {}
    for (_, flags), weight in states.items():
        ends[flags] = ends.get(flags, 0.0) + weight
    return chances, ends
