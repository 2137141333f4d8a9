"""What is coming: the steps that may play in a stretch of ticks, with their chances.

Ticks count from the start of the part. `carried_passes`, `fill` and `rare` mean the same
everywhere here:

- `carried_passes` are the passes of the pattern that the instrument had already counted when the
  part began. Rules and step grid go by the whole count; `first pass` is the pass of the track
  during which the part began, and `if` remembers nothing from before the part.
- `fill` says whether a fill is held all the time.
- `rare` is the long-run rate up to which a step is rare.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from companion.counting.compiled import compile_pattern
from companion.counting.odds import RARE, memory_of, outlooks, rare_steps
from companion.counting.pattern import Pattern


@dataclass(frozen=True, slots=True)
class StepEvent:
    """A step that may play: `tick` from the start of the part, the rest counted by its own track.

    `chance` is above 0 and at most 1; `rare` says whether it belongs on the agenda.
    """

    tick: int
    track: str
    pass_number: int
    step: int
    chance: float
    rare: bool
    what: str


def prepare(pattern: Pattern, *, rare: Fraction = RARE) -> None:
    """Work out once what every later forecast of this very pattern needs, fills included."""
    compiled = compile_pattern(pattern)
    rare_steps(compiled, rare)
    outlooks(compiled, False)
    outlooks(compiled, True)


def step_events(
    pattern: Pattern,
    from_tick: int,
    until_tick: int,
    *,
    carried_passes: int = 0,
    fill: bool = False,
    every_step: bool = False,
    rare: Fraction = RARE,
) -> list[StepEvent]:
    """The steps that may play at ticks in [from_tick, until_tick), soonest first.

    What comes at one tick is in the order of the file. Only rare steps are given unless
    `every_step` is set; steps whose chance is 0 are left out. Raises OutOfReach where `memory`
    does.
    """
    compiled = compile_pattern(pattern)
    start = carried_passes * pattern.pass_ticks
    memory = memory_of(compiled, start, fill)
    low, high = start + max(0, from_tick), start + until_tick
    agenda = rare_steps(compiled, rare)
    looks = outlooks(compiled, fill)
    if not every_step:
        looks = tuple(look for look in looks if look.step.index in agenda)
    found: list[tuple[int, int, int, float]] = []
    for look in looks:
        coming = look.between(memory, low, high)
        if coming:
            index, length = look.step.index, look.step.pass_ticks
            zero = look.step.offset - length - start
            found += [(at * length + zero, index, at, chance) for at, chance in coming]
    found.sort()
    facts = [
        (compiled.tracks[step.track].name, step.step.number, step.index in agenda, step.step.what)
        for step in compiled.steps
    ]
    events = []
    for tick, index, at, chance in found:
        track, number, is_rare, what = facts[index]
        events.append(StepEvent(tick, track, at, number, chance, is_rare, what))
    return events
