"""A pattern made ready for counting: one record a step, and which step an `if` looks at.

Everything here is worked out once for a pattern. Chances themselves belong in `odds`.

Positions are count ticks: ticks of the instrument's own count, which began `start` ticks before
the part did (0 where the instrument restarts its count with the part).
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from fractions import Fraction

from companion.counting.passes import PassSet
from companion.counting.pattern import Pattern, Step
from companion.counting.rules import Rule

# Patterns kept; a large one with its forecasts takes about 3 MB.
_KEEP = 32
_KEPT: dict[int, CompiledPattern] = {}


@dataclass(frozen=True, eq=False)
class CompiledStep:
    """One step: when it begins in a pass of its track, and what its rule comes to.

    `passes` are those its cycle terms allow; `reads` are the tracks its `if` terms look at and
    whether they must have played. `never` is set where the terms cannot hold together.
    """

    index: int
    track: int
    offset: int
    pass_ticks: int
    step: Step
    passes: PassSet
    chance: Fraction
    odds: float
    reads: tuple[tuple[int, bool], ...]
    never: bool

    @property
    def rule(self) -> Rule:
        """The rule as written."""
        return self.step.rule

    def tick(self, pass_number: int) -> int:
        """The count tick at which the step begins in that pass of its track."""
        return (pass_number - 1) * self.pass_ticks + self.offset


@dataclass(frozen=True, eq=False)
class CompiledTrack:
    """One track: all its steps, and those with a rule, by the ticks at which they begin."""

    index: int
    name: str
    pass_ticks: int
    steps: tuple[CompiledStep, ...]
    ruled: tuple[CompiledStep, ...]
    offsets: tuple[int, ...] = field(repr=False)

    def latest(self, tick: int) -> tuple[CompiledStep, int] | None:
        """The latest step with a rule that begins at `tick` or earlier, and its pass number."""
        if not self.offsets:
            return None
        passes, off = divmod(tick, self.pass_ticks)
        at = bisect_right(self.offsets, off) - 1
        return self.ruled[at], passes + (at >= 0)


@dataclass(frozen=True, eq=False)
class CompiledPattern:
    """A pattern made ready. `steps` holds every step, in the order of the file.

    `fills` says whether it makes any difference that a fill is held.
    """

    pattern: Pattern
    tracks: tuple[CompiledTrack, ...]
    steps: tuple[CompiledStep, ...]
    by_name: dict[str, int]
    fills: bool

    def step(self, track: str, number: int) -> CompiledStep:
        """The step of that number on that track. Raises KeyError if either is not there."""
        for each in self.tracks[self.by_name[track]].steps:
            if each.step.number == number:
                return each
        raise KeyError(number)


def compile_pattern(pattern: Pattern) -> CompiledPattern:
    """The pattern made ready for counting, worked out once for each object and kept.

    Kept by identity: to hash a large pattern takes longer than to forecast it.
    """
    kept = _KEPT.get(id(pattern))
    if kept is None or kept.pattern is not pattern:
        kept = _compile(pattern)
        while len(_KEPT) >= _KEEP:
            _KEPT.pop(next(iter(_KEPT)), None)
        _KEPT[id(pattern)] = kept
    return kept


def _compile(pattern: Pattern) -> CompiledPattern:
    by_name: dict[str, int] = {}
    for index, track in enumerate(pattern.tracks):
        by_name.setdefault(track.name, index)
    tracks = []
    every: list[CompiledStep] = []
    for index, track in enumerate(pattern.tracks):
        steps: list[CompiledStep] = []
        for step in sorted(track.steps, key=lambda each: each.number):
            offset = (step.number - 1) * track.step_ticks
            number = len(every) + len(steps)
            steps.append(_compiled(number, index, offset, track.pass_ticks, step, by_name))
        ruled = tuple(each for each in steps if each.rule.conditional)
        offsets = tuple(each.offset for each in ruled)
        tracks.append(
            CompiledTrack(index, track.name, track.pass_ticks, tuple(steps), ruled, offsets)
        )
        every.extend(steps)
    fills = any(step.rule.fill is not None for step in every)
    return CompiledPattern(pattern, tuple(tracks), tuple(every), by_name, fills)


def _compiled(
    index: int, track: int, offset: int, pass_ticks: int, step: Step, by_name: dict[str, int]
) -> CompiledStep:
    rule = step.rule
    passes = PassSet.of(rule.cycles)
    reads = set()
    # A track the pattern does not have never played.
    never = rule.impossible or passes.empty or not rule.chance
    for condition in rule.conditions:
        other = track if condition.track is None else by_name.get(condition.track)
        if other is not None:
            reads.add((other, condition.played))
        elif condition.played:
            never = True
    never = never or any((other, not played) in reads for other, played in reads)
    return CompiledStep(
        index=index,
        track=track,
        offset=offset,
        pass_ticks=pass_ticks,
        step=step,
        passes=passes,
        chance=rule.chance,
        odds=float(rule.chance),
        reads=tuple(sorted(reads)),
        never=never,
    )
