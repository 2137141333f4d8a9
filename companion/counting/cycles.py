"""When a pattern repeats and when a step next sounds, in closed form; meetings are elsewhere.

Ticks count from the start of the part; `carried_passes` and `fill` are as in `odds`. Nothing here
walks through the full cycle, which may have any number of digits, except where said.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import lcm

from companion.counting.compiled import CompiledPattern, CompiledStep, compile_pattern
from companion.counting.lineage import lineage, memory_cycle
from companion.counting.memory import Memory, OutOfReach
from companion.counting.outlook import memory_of
from companion.counting.pattern import Pattern
from companion.counting.standing import standing

# Passes tried one by one where no closed form is at hand, before the question is given up.
MAX_TRIED = 4096


@dataclass(frozen=True, slots=True)
class Sounding:
    """A step that may sound: `tick` from the start of the part, `pass_number` its track's own."""

    track: str
    step: int
    what: str
    tick: int
    pass_number: int
    chance: float


def repeat_passes(pattern: Pattern) -> int:
    """Passes of the pattern after which everything but chance repeats exactly; of any size.

    The least common multiple of the pattern's pass and of each track's pass times the cycles of
    its rules. Cycles count for what they come to: `pass 1 of 1`, and terms that can never hold
    together, add nothing. `first pass` does not count, for it does not come back. Where `if` terms
    look back without end, what they remember may take several rounds to come back (a lone
    `if last silent` plays on every other pass); that is counted by playing their steps through,
    and left out if that would take more than 20,000 steps.
    """
    compiled = compile_pattern(pattern)
    ticks = pattern.pass_ticks
    for track in compiled.tracks:
        cycles = (step.passes.period for step in track.steps if not step.never)
        ticks = lcm(ticks, track.pass_ticks * lcm(*cycles))
    remembered = set()
    for step in compiled.steps:
        for fill in (False, True) if step.reads else ():
            line = lineage(compiled, step, fill)
            if line.endless:
                remembered.add((line.steps, line.cycle, fill))
    for steps, cycle, fill in remembered:
        ticks = lcm(ticks, memory_cycle(compiled, steps, cycle, fill) or 1)
    return ticks // pattern.pass_ticks


def next_step(
    pattern: Pattern,
    track: str,
    number: int,
    from_tick: int = 0,
    *,
    carried_passes: int = 0,
    fill: bool = False,
) -> Sounding | None:
    """When a step may next sound (its chance is above 0) at `from_tick` or later; None for never.

    In closed form, but for steps whose `if` terms look back without end: those are tried pass by
    pass for one round of their memory. Raises KeyError for a step the pattern does not have, and
    OutOfReach if no answer was found within 4096 passes and a round is longer.
    """
    compiled = compile_pattern(pattern)
    step = compiled.step(track, number)
    start = carried_passes * pattern.pass_ticks
    memory = memory_of(compiled, start, fill)
    first = -((step.offset - start - max(0, from_tick)) // step.pass_ticks) + 1
    at = _next_pass(compiled, step, memory, first)
    return None if at is None else sounding(compiled, step, at, memory)


def sounding(compiled: CompiledPattern, step: CompiledStep, at: int, memory: Memory) -> Sounding:
    """The step on that pass of its track."""
    track = compiled.tracks[step.track].name
    tick = step.tick(at) - memory.start
    return Sounding(track, step.step.number, step.step.what, tick, at, memory.chance(step, at))


def _next_pass(
    compiled: CompiledPattern, step: CompiledStep, memory: Memory, first: int
) -> int | None:
    known = standing(compiled, step, memory.fill)
    if known is None:
        return _tried(compiled, step, memory, first)
    settled = -((step.offset - memory.start - known.settled) // step.pass_ticks) + 1
    for at in step.passes.between(first, settled - 1):
        if memory.chance(step, at) > 0.0:
            return at
    return known.at_or_after(max(first, settled))


def _tried(compiled: CompiledPattern, step: CompiledStep, memory: Memory, first: int) -> int | None:
    limit = one_round(compiled, [step], memory.fill)
    tried = 0
    at = step.passes.at_or_after(first)
    while at is not None:
        if memory.chance(step, at) > 0.0:
            return at
        tried += 1
        if limit is not None and (at - first) * step.pass_ticks > limit:
            return None
        if tried >= MAX_TRIED:
            raise OutOfReach(f"no pass was found on which step {step.step.number} can play")
        at = step.passes.at_or_after(at + 1)
    return None


def one_round(compiled: CompiledPattern, steps: list[CompiledStep], fill: bool) -> int | None:
    """Ticks by which all that the steps can do has shown itself, first passes included."""
    lines = [lineage(compiled, step, fill) for step in steps]
    cycle = lcm(*(line.cycle for line in lines))
    if any(line.endless for line in lines):
        mask = 0
        for line in lines:
            mask |= line.steps
        ticks = memory_cycle(compiled, mask, cycle, fill)
        return None if ticks is None else 4 * ticks
    return 2 * cycle
