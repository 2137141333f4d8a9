"""When cues are due, in ticks of their part. Pure arithmetic over the checked model."""

from __future__ import annotations

from collections.abc import Iterator

from companion.counting.pattern import Pattern
from companion.setlist.model import Cue, Span, Unit, When, WhenKind


def cue_ticks(
    when: When, pattern: Pattern, end_tick: int | None, from_tick: int, until_tick: int
) -> Iterator[int]:
    """Ticks in [from_tick, until_tick) at which `when` is due, ascending.

    `end_tick` is where the part ends, in ticks from its start, or None while that is open: then
    `end` and `last` are not due at all. What would fall before the part's start is not due.
    """
    match when.kind:
        case WhenKind.START:
            yield from _one(0, from_tick, until_tick)
        case WhenKind.END:
            if end_tick is not None:
                yield from _one(end_tick, from_tick, until_tick)
        case WhenKind.NTH:
            yield from _one(_nth(when, pattern), from_tick, until_tick)
        case WhenKind.LAST:
            if end_tick is not None:
                yield from _one(end_tick - _span(when).ticks(pattern), from_tick, until_tick)
        case WhenKind.EVERY:
            period = _span(when).ticks(pattern)
            if when.from_pass is None:
                first = _nth(when, pattern)
            else:
                first = (when.from_pass - 1) * pattern.pass_ticks
            rounds = max(0, -(-(from_tick - first) // period))
            yield from range(first + rounds * period, until_tick, period)


def hold_ticks(cue: Cue, pattern: Pattern) -> int:
    """How long a fill cue asks the fill to be held, in ticks; 0 for any other cue."""
    return cue.hold.ticks(pattern) if cue.hold is not None else 0


def _one(tick: int, from_tick: int, until_tick: int) -> Iterator[int]:
    if tick >= 0 and from_tick <= tick < until_tick:
        yield tick


def _nth(when: When, pattern: Pattern) -> int:
    span = _span(when)
    return (span.count - 1) * Unit.ticks(span.unit, pattern)


def _span(when: When) -> Span:
    if when.span is None:
        raise ValueError(f"a cue of kind {when.kind.value} needs a span")
    return when.span
