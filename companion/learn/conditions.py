"""Whether a step follows what other steps did, or a fill: `if` and `fill` terms weighed.

The set of passes on which such a step plays is what was heard of another, so it is laid out from
the hearing and weighed as any other set. A lost note of the other step makes it look silent though
it played; how often that is follows from the rate of lost notes and from how often the other plays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from math import lcm
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from companion.counting import If
from companion.learn.rules import (
    Bits,
    Floats,
    Ints,
    LearnedRule,
    Priors,
    log_drawn,
    log_sure,
    plays,
)
from companion.learn.track import Folded

# Of the prior of `condition`: the track's own latest step, the rest shared by the other tracks;
# `played` against `silent`; and alone, with a chance, with one cycle of up to so many passes.
_OWN, _PLAYED = 0.6, 0.75
_ALONE, _DRAWN, _CYCLED = 0.6, 0.2, 0.2
_LARGEST = 8
_ROUND = lcm(*range(1, _LARGEST + 1))
_BEST = 4
# Nats below the best rule without such a term.
_HOPELESS = 14.0


@dataclass(frozen=True, eq=False)
class Voice:
    """A track as others see it: its bits, where its cells lie, and which steps have a rule.

    `drawn` are those of them that chance decides. Only what follows one of these is told from a
    step with a cycle of its own, so that no other is looked at.
    """

    name: str
    step_ticks: int
    folded: Folded
    conditional: NDArray[np.bool_]
    drawn: NDArray[np.bool_]

    @cached_property
    def looked(self) -> _Looked:
        """What its latest step with a rule did, in time."""
        return _looked(self)


@dataclass(frozen=True)
class Condition:
    """A rule with prior times likelihood in logs; of a chance, its draws and those that played."""

    rule: LearnedRule
    log: float
    played: int
    draws: int


@dataclass(frozen=True)
class _Looked:
    """What a track's latest step with a rule did, in time: moments by stretch, -1 for not known.

    `drawn` says whether chance decides that step.
    """

    times: list[Floats]
    played: list[NDArray[np.int8]]
    drawn: list[NDArray[np.bool_]]
    rate: float


def weigh_conditions(
    voices: Sequence[Voice],
    at: int,
    rows: Ints,
    best: Floats,
    priors: Priors,
    rates: tuple[float, float],
    fills: Sequence[Sequence[tuple[float, float]]] | None,
) -> list[list[Condition]]:
    """Rules with an `if` or a fill for steps of a track, weighed; a list for each of `rows`.

    Rows count from 0; `best` is the log weight of each one's best rule without such a term, and
    what is far below that is left out. `fills` are the stretches of ticks in which a fill was held,
    for each stretch that was heard, None where that is not told.
    """
    voice = voices[at]
    folded = voice.folded
    moments = np.array([_moments(voice, int(row)) for row in rows]).reshape(len(rows), -1)
    found: list[list[Condition]] = [[] for _ in rows]
    lost, stray = rates
    if fills is not None and any(fills):
        held = np.zeros(moments.shape, dtype=bool)
        for stretch, times in enumerate(fills):
            for low, high in times:
                held |= (folded.stretch == stretch) & (moments >= low) & (moments < high)
        for wanted, part in ((True, 0.7), (False, 0.3)):
            term = _Term(
                LearnedRule(fill=wanted), held == wanted, priors.condition * part, lost, stray
            )
            _weigh_term(term, folded, rows, folded.valid[rows], best, priors, found)
    for other, seen in enumerate(voices):
        if not seen.drawn.any():
            continue
        own = other == at
        share = priors.condition * (_OWN if own else (1.0 - _OWN) / max(1, len(voices) - 1))
        looked = seen.looked
        last, drawn = _latest(looked, moments, folded, own=own, before=other < at)
        known = folded.valid[rows] * (last >= 0)
        known[drawn.mean(1) < 0.5] = 0.0
        name = None if own else seen.name
        # How likely it is that the other played, though it was not heard.
        missed = lost * looked.rate / (lost * looked.rate + 1.0 - looked.rate + 1e-9)
        for played in (True, False):
            term = _Term(
                LearnedRule(condition=If(name, played)),
                (last == 1) == played,
                share * (_PLAYED if played else 1.0 - _PLAYED),
                lost if played else min(0.5, lost + missed),
                max(stray, missed) if played else stray,
            )
            _weigh_term(term, folded, rows, known, best, priors, found)
    return found


@dataclass(frozen=True)
class _Term:
    """A term, where it holds as (rows, passes), its prior, and the rates that it makes."""

    rule: LearnedRule
    inside: NDArray[np.bool_]
    share: float
    lost: float
    outside: float


def _weigh_term(
    term: _Term,
    folded: Folded,
    rows: Ints,
    known: Bits,
    best: Floats,
    priors: Priors,
    found: list[list[Condition]],
) -> None:
    """Weigh the term alone and with a chance for each row, and with cycles where that promises."""
    valid, heard = folded.valid[rows], folded.heard[rows]
    bits = (heard * known).astype(np.float64)
    inner, most = (bits * term.inside).sum(1), (known * term.inside).sum(1, dtype=np.float64)
    total, all_ = bits.sum(1), known.sum(1, dtype=np.float64)
    # Passes on which the other is not known say what any step of that rate would.
    rate = np.clip(heard.sum(1) / np.maximum(valid.sum(1), 1), 1e-6, 1 - 1e-6)
    blank = (valid.sum(1) - all_) * (rate * np.log(rate) + (1 - rate) * np.log1p(-rate))
    alone = log_sure(inner, most, total, all_, term.lost, term.outside)
    alone += np.log(term.share * _ALONE) + blank
    drawn = log_drawn(inner, most, total, all_, term.lost, term.outside)
    drawn += np.log(term.share * _DRAWN) + blank
    usable = (all_ > 0) & (total > 0)
    for row in np.flatnonzero(usable & (np.maximum(alone, drawn) > best - _HOPELESS)):
        with_chance = replace(term.rule, chance=True)
        found[row] += [
            Condition(term.rule, float(alone[row]), 0, 0),
            Condition(with_chance, float(drawn[row]), int(inner[row]), int(most[row])),
        ]
        # With a cycle no more than a chance can explain all that it leaves out.
        cycles = _cycles()
        masks = cycles.masks[(folded.passes - 1) % _ROUND] & term.inside[row][:, None]
        matrix = masks.astype(np.float64)
        in_, of = bits[row] @ matrix, known[row].astype(np.float64) @ matrix
        shares = np.array([priors.cycles[cycle.n] for cycle in cycles.rules]) * cycles.shares
        logs = log_sure(in_, of, total[row], all_[row], term.lost, term.outside)
        logs += np.log(term.share * _CYCLED * shares) + blank[row]
        for cycle, log in sorted(zip(cycles.rules, logs, strict=True), key=_log)[-_BEST:]:
            rule = replace(term.rule, n=cycle.n, passes=cycle.passes)
            found[row].append(Condition(rule, float(log), 0, 0))


def _log(pair: tuple[LearnedRule, float]) -> float:
    return pair[1]


@dataclass(frozen=True)
class _Cycles:
    """One K of each N and its negation: masks by pass in a round of all cycles, shares by N."""

    rules: list[LearnedRule]
    masks: NDArray[np.bool_]
    shares: Floats


@lru_cache(maxsize=1)
def _cycles() -> _Cycles:
    rules, shares = [], []
    for n in range(2, _LARGEST + 1):
        for k in range(1, n + 1):
            rest = tuple(each for each in range(1, n + 1) if each != k)
            for ks in ((k,), rest) if n > 2 else ((k,),):
                rules.append(LearnedRule(n, ks))
                shares.append(1.0 / n / (2 if n > 2 else 1))
    numbers = np.arange(1, _ROUND + 1)
    masks = np.array([plays(rule, numbers) for rule in rules]).T
    return _Cycles(rules, masks, np.array(shares))


def _moments(voice: Voice, step: int) -> Floats:
    """Ticks of a step's passes, each from the start of its stretch."""
    length = voice.folded.heard.shape[0]
    found: Floats = ((voice.folded.passes - 1) * length + step) * float(voice.step_ticks)
    return found


def _looked(voice: Voice) -> _Looked:
    folded = voice.folded
    chosen = np.flatnonzero(voice.conditional)
    times, played, drawn = [], [], []
    for stretch in range(int(folded.stretch.max()) + 1):
        mine = folded.stretch == stretch
        ticks = np.concatenate([_moments(voice, int(step))[mine] for step in chosen])
        bits = np.concatenate(
            [
                np.where(folded.valid[step, mine] > 0, folded.heard[step, mine], -1)
                for step in chosen
            ]
        )
        by_chance = np.repeat(voice.drawn[chosen], int(mine.sum()))
        order = np.argsort(ticks, kind="stable")
        times.append(ticks[order])
        drawn.append(by_chance[order])
        played.append(bits[order].astype(np.int8))
    seen = folded.valid[chosen].sum()
    return _Looked(times, played, drawn, float(folded.heard[chosen].sum() / max(1.0, seen)))


def _latest(
    looked: _Looked, moments: Floats, folded: Folded, *, own: bool, before: bool
) -> tuple[NDArray[np.int8], NDArray[np.bool_]]:
    """What the other's latest step did at these moments, (rows, passes): 1, 0, or -1 if not known.

    And whether chance decided it. At the same tick only a track that stands before it in the file
    counts.
    """
    found = np.zeros(moments.shape, dtype=np.int8)
    by_chance = np.zeros(moments.shape, dtype=bool)
    side: Literal["left", "right"] = "right" if before and not own else "left"
    for stretch, (times, played, drawn) in enumerate(
        zip(looked.times, looked.played, looked.drawn, strict=True)
    ):
        mine = folded.stretch == stretch
        place = np.searchsorted(times, moments[:, mine], side=side) - 1
        found[:, mine] = np.where(place >= 0, played[np.maximum(place, 0)], 0)
        by_chance[:, mine] = drawn[np.maximum(place, 0)]
    return found, by_chance
