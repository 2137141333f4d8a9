"""What is coming: the steps that may play in a stretch of ticks, with their chances."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from companion.counting.compiled import CompiledPattern, CompiledStep, compile_pattern
from companion.counting.memory import Memory
from companion.counting.odds import long_run_rate
from companion.counting.pattern import Pattern

RARE = Fraction(1, 3)


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

    Ticks count from the start of the part; what comes at one tick is in the order of the file.
    `carried_passes` are the passes of the pattern that the instrument had already counted when the
    part began: rules and step grid go by the whole count, while `first pass` is the pass of the
    track during which the part began, and `if` remembers nothing from before the part. `fill` says
    whether a fill is held all the time. `rare` is the long-run rate up to which a step is rare;
    only rare steps are given unless `every_step` is set. Steps whose chance is 0 are left out.
    """
    compiled = compile_pattern(pattern)
    start = carried_passes * pattern.pass_ticks
    memory = Memory(compiled, start, fill)
    low, high = start + max(0, from_tick), start + until_tick
    found: list[tuple[int, int, CompiledStep, int, bool]] = []
    for step in compiled.steps:
        is_rare = on_agenda(compiled, step, rare)
        if step.never or not (is_rare or every_step):
            continue
        first = -(-(low - step.offset) // step.pass_ticks) + 1
        last = (high - 1 - step.offset) // step.pass_ticks + 1
        for pass_number in step.passes.between(first, last):
            if memory.may_play(step, pass_number):
                tick = step.tick(pass_number)
                found.append((tick, step.index, step, pass_number, is_rare))
    found.sort(key=lambda each: each[:2])
    events = []
    for tick, _, step, pass_number, is_rare in found:
        chance = memory.chance(step, pass_number)
        if chance > 0.0:
            track = compiled.tracks[step.track].name
            number, what = step.step.number, step.step.what
            events.append(
                StepEvent(tick - start, track, pass_number, number, chance, is_rare, what)
            )
    return events


def on_agenda(compiled: CompiledPattern, step: CompiledStep, rare: Fraction = RARE) -> bool:
    """Whether the step is rare: what `watch` says, or else its long-run rate with no fill held."""
    if step.step.watch is not None:
        return step.step.watch
    return long_run_rate(compiled, step) <= rare
