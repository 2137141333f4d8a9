"""Equal rules and steps of one file as one object each, read once.

A long set says the same few things thousands of times; kept apart they would cost the engine most
of its memory. What a rule's text means belongs in `ruletext`.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import replace
from typing import TypeVar, cast

from companion.counting.pattern import Step
from companion.counting.rules import Rule
from companion.setlist.ruletext import parse_rule

_Piece = TypeVar("_Piece", bound=Hashable)


class Sharing:
    """What one read has built so far. Values are frozen, so whoever meets one may keep it."""

    def __init__(self) -> None:
        self._read: dict[tuple[str, tuple[str, ...]], Rule] = {}
        self._pieces: dict[Hashable, Hashable] = {}
        self._steps: dict[tuple[int, int, str, bool | None], Step] = {}
        self._runs: dict[tuple[int, ...], tuple[Step, ...]] = {}

    def rule(self, text: str, tracks: Sequence[str], suggest: bool = True) -> Rule:
        """The rule that `text` says, as `parse_rule` reads it. Raises BadText."""
        # Only `if` terms look at the names.
        key = (text, tuple(tracks) if "if" in text.casefold() else ())
        rule = self._read.get(key)
        if rule is None:
            rule = parse_rule(text, tracks, suggest)
            rule = self._read[key] = self._shared(
                replace(
                    rule,
                    cycles=self._shared(tuple(map(self._shared, rule.cycles))),
                    chances=self._shared(tuple(map(self._shared, rule.chances))),
                    conditions=self._shared(rule.conditions),
                )
            )
        return rule

    def _shared(self, piece: _Piece) -> _Piece:
        return cast(_Piece, self._pieces.setdefault(piece, piece))

    def step(self, number: int, rule: Rule, what: str = "", watch: bool | None = None) -> Step:
        """A step with a rule that came from here."""
        # Rules are kept above, so each has its identity to itself; to hash one takes longer.
        key = (number, id(rule), what, watch)
        step = self._steps.get(key)
        if step is None:
            step = self._steps[key] = Step(number, rule, what, watch)
        return step

    def steps(self, steps: Sequence[Step]) -> tuple[Step, ...]:
        """The steps of a track, all of which came from here."""
        return self._runs.setdefault(tuple(map(id, steps)), tuple(steps))
