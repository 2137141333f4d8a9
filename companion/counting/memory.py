"""What `if` terms remember: the exact chance of a step, given that its `if` terms look back.

The state that matters is one bit a track: whether its latest step with a rule played. A question
about the state is a polynomial in those bits, `{mask: factor}`, mask 0 being the constant; since
a bit is its own square no bit stands in a term twice. To answer it the steps are walked backwards
from the question: a step's own bit is replaced by what its rule makes of the bits before it.
Draws are independent of all before them, so each chance enters as a plain factor, and what two
tracks have in common is carried along exactly. Only tracks that can still matter are in the
polynomial, and the walk ends as soon as none is left. Factors are floats.
"""

from __future__ import annotations

from companion.counting.compiled import CompiledPattern, CompiledStep

Terms = dict[int, float]


class Memory:
    """The chances of one pattern from one start: `start` is the count tick at which it began."""

    def __init__(self, compiled: CompiledPattern, start: int = 0, fill: bool = False) -> None:
        self.compiled = compiled
        self.start = start
        self.fill = fill
        self._first = [start // track.pass_ticks + 1 for track in compiled.tracks]
        self._known: dict[tuple[int, int], float] = {}

    def may_play(self, step: CompiledStep, pass_number: int) -> bool:
        """Whether all but chance and `if` allows the step on that pass."""
        rule = step.rule
        return (
            not step.never
            and (rule.fill is None or rule.fill == self.fill)
            and (rule.first is None or rule.first == (pass_number == self._first[step.track]))
            and pass_number in step.passes
        )

    def chance(self, step: CompiledStep, pass_number: int) -> float:
        """The chance that the step plays on that pass, all earlier draws unknown.

        0 for a pass of the step that lies before the start.
        """
        if step.tick(pass_number) < self.start or not self.may_play(step, pass_number):
            return 0.0
        if not step.reads:
            return step.odds
        key = (step.index, pass_number)
        known = self._known.get(key)
        if known is None:
            terms = {0: step.odds}
            for track, played in step.reads:
                terms = _times_bit(terms, 1 << track, played)
            known = self.expect(terms, step.tick(pass_number), step.track)
            if len(self._known) > 200_000:
                self._known.clear()
            self._known[key] = known
        return known

    def expect(self, terms: Terms, tick: int, order: int) -> float:
        """The expected value of a polynomial in the bits just before track `order` at `tick`."""
        tracks = self.compiled.tracks
        cursors: dict[int, tuple[int, int, CompiledStep, int] | None] = {}
        while True:
            mask = 0
            for each in terms:
                mask |= each
            if not mask:
                return terms.get(0, 0.0)
            best = None
            while mask:
                track = (mask & -mask).bit_length() - 1
                mask &= mask - 1
                found = cursors.get(track)
                if track not in cursors or (found is not None and found[:2] >= (tick, order)):
                    found = None
                    latest = tracks[track].latest(tick if track < order else tick - 1)
                    if latest is not None:
                        at = latest[0].tick(latest[1])
                        if at >= self.start:
                            found = (at, track, *latest)
                    cursors[track] = found
                if found is None:
                    terms = _set_bit(terms, 1 << track, 0.0)
                elif best is None or found[:2] > best[:2]:
                    best = found
            if best is None:
                continue
            tick, order, step, pass_number = best
            del cursors[order]
            terms = self._before(terms, step, pass_number)

    def _before(self, terms: Terms, step: CompiledStep, pass_number: int) -> Terms:
        """The polynomial in the bits before the step that is worth `terms` after it."""
        bit = 1 << step.track
        if not self.may_play(step, pass_number):
            return _set_bit(terms, bit, 0.0)
        if not step.reads:
            return _set_bit(terms, bit, step.odds)
        known = self._known.get((step.index, pass_number))
        if known is not None and all(not mask & bit or mask == bit for mask in terms):
            return _set_bit(terms, bit, known)
        replaced: Terms = {}
        moved: Terms = {}
        for mask, factor in terms.items():
            if mask & bit:
                moved[mask ^ bit] = factor * step.odds
            else:
                replaced[mask] = factor
        for track, played in step.reads:
            moved = _times_bit(moved, 1 << track, played)
        for mask, factor in moved.items():
            replaced[mask] = replaced.get(mask, 0.0) + factor
        return {mask: factor for mask, factor in replaced.items() if factor}


def _set_bit(terms: Terms, bit: int, value: float) -> Terms:
    """The polynomial with the bit replaced by a number."""
    out: Terms = {}
    for mask, factor in terms.items():
        if mask & bit:
            mask ^= bit
            factor *= value
        out[mask] = out.get(mask, 0.0) + factor
    return {mask: factor for mask, factor in out.items() if factor}


def _times_bit(terms: Terms, bit: int, played: bool) -> Terms:
    """The polynomial times the bit, or times one minus the bit."""
    out: Terms = {} if played else dict(terms)
    sign = 1.0 if played else -1.0
    for mask, factor in terms.items():
        out[mask | bit] = out.get(mask | bit, 0.0) + sign * factor
    return {mask: factor for mask, factor in out.items() if factor}
