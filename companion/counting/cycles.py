"""When a pattern repeats, and when steps next sound or meet: closed forms over its cycles."""

from __future__ import annotations

from math import lcm

from companion.counting.compiled import compile_pattern
from companion.counting.pattern import Pattern


def repeat_passes(pattern: Pattern) -> int:
    """Passes of the pattern after which everything but chance repeats exactly; of any size.

    The least common multiple of the pattern's pass and of each track's pass times the cycles of
    its rules. Cycles count for what they come to: `pass 1 of 1`, and rules that can never hold,
    add nothing. `first pass` does not count, for it does not come back.
    """
    compiled = compile_pattern(pattern)
    ticks = pattern.pass_ticks
    for track in compiled.tracks:
        cycles = (step.passes.period for step in track.steps if not step.never)
        ticks = lcm(ticks, track.pass_ticks * lcm(*cycles))
    return ticks // pattern.pass_ticks
