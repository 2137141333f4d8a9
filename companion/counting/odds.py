"""How likely steps are: at a pass, in a stretch of ticks, and in the long run."""

from __future__ import annotations

from fractions import Fraction

from functools import lru_cache

from companion.counting.compiled import CompiledPattern, CompiledStep
from companion.counting.memory import Memory

# Passes looked at for the long-run rate of a step whose `if` terms repeat too rarely to be counted.
_SAMPLED = 4096


@lru_cache(maxsize=65536)
def long_run_rate(
    compiled: CompiledPattern, step: CompiledStep, fill: bool = False
) -> Fraction | float:
    """The share of passes on which the step plays in the long run.

    A fraction for steps without `if`, a float for the others.
    """
    rule = step.rule
    if step.never or rule.first is True or (rule.fill is not None and rule.fill != fill):
        return Fraction(0)
    if not step.reads:
        return step.passes.density * step.chance
    memory = Memory(compiled, 0, fill)
    first = 1000
    return sum(memory.chance(step, p) for p in range(first, first + _SAMPLED)) / _SAMPLED
