"""Which rule a step follows, told from the passes on which it was heard: exact Bayesian comparison.

The data are bits: was the step heard on that pass. A hypothesis is a set of passes on which the
step plays, surely or with a chance of its own. With `lost` the share of played notes that never
arrive and `stray` the share of silent steps at which one is heard all the same, its marginal
likelihood has a closed form:

- a step that plays surely on the passes of a set: (1 - lost)^a lost^b stray^c (1 - stray)^d, with a
  the passes in the set on which it was heard, b those in the set on which it was not, c and d the
  same outside;
- one that plays with a chance, all chances being alike before: the beta function B(a + 1, b + 1) in
  place of the first two factors (Laplace 1774; the Beta-binomial distribution with a flat prior).

All sets are laid out as columns of one matrix, so all steps and all hypotheses are weighed by one
product. What was believed before is `Priors`, the one table of it. `if` terms look at what other
steps did, so they are weighed afterwards, against these results.

Grids, lengths and mutes are `track`'s; how rules are played is counting's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property, lru_cache
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from companion.counting import If

Bits = NDArray[np.float32]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# The format's largest N in `pass K of N`.
LARGEST = 128
# Up to these N every set of passes is weighed, and every pair of passes.
_EVERY_SET, _PAIRS = 8, 16
# A set that plays with a chance: so far all sets, and single passes.
_CHANCE_SETS = 4
# A rule this likely is taken for settled.
SETTLED = 0.95
# Stray notes and lost ones that a cycle of more than _PAIRS passes may have to explain.
_SPARE = 4


def _common() -> dict[int, float]:
    """How often a cycle has that length: by habit of the trade, fours and eights before all."""
    shares = {2: 0.20, 3: 0.12, 4: 0.28, 5: 0.05, 6: 0.05, 7: 0.03, 8: 0.15, 16: 0.03}
    rest = {n: (4.0 if n & (n - 1) == 0 else 1.0) / n for n in range(9, LARGEST + 1)}
    del rest[16]
    left = (1.0 - sum(shares.values())) / sum(rest.values())
    return shares | {n: weight * left for n, weight in rest.items()}


@dataclass(frozen=True)
class Priors:
    """What is believed of a step before anything is heard; judgement all of it, no source.

    The first seven are shares of the steps of a track and sum to one with `condition`. `cycles` is
    how often a cycle has that N; `single` and `negated` are the shares of `pass K of N` and of its
    negation among the sets of a cycle, the rest goes to several passes; of a cycle of more than 8
    passes both have a quarter of that. `lost` and `stray` are the
    rates that may be, and how likely each is: a hearing takes the pair that explains it best.
    """

    never: float = 0.60
    always: float = 0.20
    cycle: float = 0.09
    chance: float = 0.06
    both: float = 0.015
    first: float = 0.006
    after_first: float = 0.002
    condition: float = 0.027
    cycles: dict[int, float] = field(default_factory=_common)
    single: float = 0.65
    negated: float = 0.20
    lost: tuple[tuple[float, float], ...] = (
        *((0.0005, 0.4), (0.002, 0.2), (0.005, 0.1), (0.01, 0.1)),
        *((0.02, 0.1), (0.04, 0.05), (0.08, 0.05)),
    )
    stray: tuple[tuple[float, float], ...] = (
        *((0.00001, 0.9), (0.0001, 0.07), (0.0005, 0.02), (0.002, 0.007), (0.008, 0.003)),
    )


PRIORS = Priors()


@dataclass(frozen=True)
class LearnedRule:
    """A play rule as it is learned. With nothing set it is `always`; `n` 0 is no cycle.

    `passes` are the K of `pass K of N`, ascending, and no smaller N says the same. `first` is True
    for `first pass`, False for `after first pass`. `chance` says that the draw decides, `percent`
    is the chance itself where it is known. `never` is a step of which only stray notes were heard.
    """

    n: int = 0
    passes: tuple[int, ...] = ()
    first: bool | None = None
    chance: bool = False
    condition: If | None = None
    fill: bool | None = None
    never: bool = False
    percent: Fraction | None = None

    @property
    def conditional(self) -> bool:
        """Whether it is anything but `always`, as `if` terms see it."""
        return self not in (ALWAYS, NEVER)

    def __str__(self) -> str:
        """The rule as a set list writes it."""
        if self.never:
            return "never"
        terms = []
        if self.first is not None:
            terms.append("first pass" if self.first else "after first pass")
        if self.n:
            terms.append(_cycle_text(self.n, self.passes))
        if self.fill is not None:
            terms.append("fill" if self.fill else "no fill")
        if self.condition is not None:
            terms.append(str(self.condition))
        if self.chance:
            terms.append(_chance_text(self.percent))
        return ", ".join(terms) or "always"


ALWAYS, NEVER = LearnedRule(), LearnedRule(never=True)


def _cycle_text(n: int, passes: tuple[int, ...]) -> str:
    negated = 2 * len(passes) > n
    named = [k for k in range(1, n + 1) if (k in passes) != negated]
    return f"{'not ' if negated else ''}pass {', '.join(map(str, named))} of {n}"


def _chance_text(percent: Fraction | None) -> str:
    if percent is None:
        return "chance"
    if percent.denominator in (3, 6, 7, 9):
        return f"chance {percent.numerator} in {percent.denominator}"
    return f"chance {float(percent * 100):g}%"


def primitive(n: int, passes: Sequence[int]) -> bool:
    """Whether no smaller N says the same as these passes of N."""
    members = set(passes)
    for part in range(1, n):
        if n % part == 0 and all((k + part - 1) % n + 1 in members for k in members):
            return False
    return True


class Sets:
    """The sets of passes that are weighed for a hearing of these passes, as columns.

    `passes` are the numbers of the passes that were heard, from 1; where a pattern came up several
    times the same number stands several times. A cycle longer than the hearing shows at most one of
    its passes; all such with the same one stand in one column, under the likeliest N.
    """

    def __init__(self, passes: Ints, priors: Priors, largest: int = LARGEST) -> None:
        self.passes = passes
        heard = int(passes.max(initial=1))
        # Rules by column, their masks, and prior shares: as sure sets, and with a chance.
        self.rules: list[LearnedRule] = [NEVER, ALWAYS]
        blocks: list[NDArray[Any]] = [np.zeros((len(passes), 1)), np.ones((len(passes), 1))]
        sure: list[Sequence[float] | Floats] = [[priors.never, priors.always]]
        drawn: list[Sequence[float] | Floats] = [[0.0, priors.chance]]
        if heard > 1:
            self.rules += [LearnedRule(first=True), LearnedRule(first=False)]
            blocks += [(passes == 1)[:, None], (passes > 1)[:, None]]
            sure.append([priors.first, priors.after_first])
            drawn.append([0.0, priors.both * 0.1])
        longest = min(max(heard, _PAIRS), largest)
        # Not all cycles are weighed with a chance too: those that are share the prior of all.
        drawable = sum(
            priors.cycles[n] * float(family(n, priors).with_chance.sum())
            for n in range(2, _PAIRS + 1)
        )
        # From here on every set has few passes, or all but few.
        self.core = 0
        for n in range(2, longest + 1):
            if n == _PAIRS + 1:
                self.core = len(self.rules)
            kin = family(n, priors)
            self.rules += kin.rules
            blocks.append(kin.masks[(passes - 1) % n])
            sure.append(priors.cycle * priors.cycles[n] * kin.shares)
            drawn.append(priors.both * 0.9 * priors.cycles[n] / drawable * kin.with_chance)
        beyond = {n: priors.cycles[n] for n in range(longest + 1, LARGEST + 1)}
        if beyond and largest == LARGEST:
            likely = max(beyond, key=lambda n: (beyond[n] / n, -n))
            per_k = sum(share / n for n, share in beyond.items())
            weight = priors.cycle * per_k
            whole = range(1, likely + 1)
            ones = passes[:, None] == np.arange(1, heard + 1)
            self.rules += [LearnedRule(likely, (k,)) for k in range(1, heard + 1)]
            self.rules += [
                LearnedRule(likely, tuple(k for k in whole if k != out))
                for out in range(1, heard + 1)
            ]
            blocks += [ones, ~ones]
            one, without = (family(likely, priors).shares[at] * likely for at in (0, -1))
            sure += [[weight * one] * heard, [weight * without] * heard]
            drawn.append([0.0] * 2 * heard)
        self.core = self.core or len(self.rules)
        # The share of a column's weight that is its rule's own.
        self.named: Floats = np.zeros(len(self.rules))
        if beyond and largest == LARGEST:
            self.named[-2 * heard :] = np.log(beyond[likely] / likely / per_k)
        self.few = int(np.bincount(passes).max(initial=1)) * (heard // (_PAIRS + 1) + 1)
        shares = np.concatenate(drawn)
        self.draws: Ints = np.flatnonzero(shares > 0)
        matrix: Bits = np.concatenate(blocks, axis=1, dtype=np.float32)
        # Each piece lies in memory as it is multiplied.
        self.short: Bits = np.ascontiguousarray(matrix[:, : self.core])
        self.long: Bits = np.ascontiguousarray(matrix[:, self.core :])
        self.by_chance: Bits = np.ascontiguousarray(matrix[:, self.draws])
        self.sure: Floats = np.log(np.concatenate(sure))
        self.drawn: Floats = np.log(shares[self.draws])

    @cached_property
    def drawn_rules(self) -> list[LearnedRule]:
        """The rules of the columns that may play with a chance."""
        return [replace(self.rules[at], chance=True) for at in self.draws]


@dataclass(frozen=True)
class _Family:
    """The sets of one cycle: masks (n, sets), shares of its prior, those with a chance."""

    rules: list[LearnedRule]
    masks: NDArray[np.bool_]
    shares: Floats
    with_chance: Floats


@lru_cache(maxsize=512)
def _sets_of(n: int, single: float, negated: float) -> _Family:
    whole = range(1, n + 1)
    ones = [(k,) for k in whole]
    # With two passes the one negated is the other; with more, several are what is left.
    without = [tuple(k for k in whole if k != out) for out in whole] if n > 2 else []
    sizes = range(2, n - 1) if n <= _EVERY_SET else range(2, 3 if n <= _PAIRS else 2)
    several = [ks for size in sizes for ks in combinations(whole, size) if primitive(n, ks)]
    rest = 1.0 - single - negated
    if n > _EVERY_SET:
        negated, rest = negated / 4, rest / 4
    parts = ((ones, single), (without, negated), (several, rest))
    total = sum(part for sets, part in parts if sets)
    shares = np.array([part / total / len(sets) for sets, part in parts for _ in sets])
    sets = [*ones, *without, *several]
    masks = np.zeros((n, len(sets)), dtype=bool)
    for at, ks in enumerate(sets):
        masks[np.array(ks) - 1, at] = True
    drawn = shares.copy()
    if n > _PAIRS:
        drawn[:] = 0.0
    elif n > _CHANCE_SETS:
        drawn[len(ones) + len(without) :] = 0.0
    return _Family([LearnedRule(n, ks) for ks in sets], masks, shares, drawn)


def family(n: int, priors: Priors) -> _Family:
    """The sets of a cycle of n passes."""
    return _sets_of(n, priors.single, priors.negated)


_KEPT_SETS: dict[tuple[bytes, int, int], Sets] = {}


def sets_for(passes: Ints, priors: Priors, largest: int = LARGEST) -> Sets:
    """The sets for these passes, kept for the next who asks."""
    key = (passes.tobytes(), id(priors), largest)
    if key not in _KEPT_SETS:
        if len(_KEPT_SETS) > 64:
            _KEPT_SETS.clear()
        _KEPT_SETS[key] = Sets(passes, priors, largest)
    return _KEPT_SETS[key]


def log_factorials(most: int) -> Floats:
    """Log of 0!, 1! ... up to `most`! at least."""
    return _logs_up_to(1 << most.bit_length())


@lru_cache(maxsize=32)
def _logs_up_to(most: int) -> Floats:
    return np.concatenate(([0.0], np.cumsum(np.log(np.arange(1, most + 1)))))


def log_sure(
    heard_in: Floats, in_set: Floats, heard: Floats, all_: Floats, lost: float, stray: float
) -> Floats:
    """Log likelihood of steps that play surely on a set; the counts broadcast.

    `heard_in` of the `in_set` passes of the set it was heard, and `heard` of `all_` passes at all.
    """
    out = heard - heard_in
    silent = all_ - in_set - out
    found: Floats = (
        heard_in * np.log1p(-lost)
        + (in_set - heard_in) * np.log(lost)
        + out * np.log(stray)
        + silent * np.log1p(-stray)
    )
    return found


def log_drawn(
    heard_in: Floats, in_set: Floats, heard: Floats, all_: Floats, lost: float, stray: float
) -> Floats:
    """The same of steps that play with an unknown chance on a set, all chances being as likely.

    Beta-binomial, but for what is lost: no step is heard on more than 1 - lost of its passes.
    """
    factorials = log_factorials(int(in_set.max(initial=0)) + 1)
    hits, most = heard_in.astype(int), in_set.astype(int)
    out = heard - heard_in
    found: Floats = factorials[hits] + factorials[most - hits] - factorials[most + 1]
    found += _log_kept(int(in_set.max(initial=0)), lost)[hits, most - hits] - np.log1p(-lost)
    found += out * np.log(stray) + (all_ - in_set - out) * np.log1p(-stray)
    return found


def _log_kept(most: int, lost: float) -> Floats:
    """For hits and misses up to `most`: log of the share of the beta function below 1 - lost."""
    # In rows of 32, so that one more pass seldom makes another table.
    return _log_incomplete((most // 32 + 1) * 32, lost)


@lru_cache(maxsize=64)
def _log_incomplete(size: int, lost: float) -> Floats:
    """Log of I_x(h + 1, m + 1) at x = 1 - lost as (h, m), by its recurrence in m.

    I_x(a, b + 1) = I_x(a, b) + x^a (1 - x)^b / (b B(a, b)), and I_x(a, 1) = x^a (Abramowitz and
    Stegun 26.5.16; from memory). It is the chance of no more than m failures before h + 1
    successes, each of chance x; twelve standard deviations beyond the mean and more it is one.
    """
    odds = lost / (1.0 - lost)
    wide = min(size, int(size * odds + 12.0 * np.sqrt(size * odds / (1.0 - lost))) + 40)
    a = np.arange(1, size + 1)[:, None]
    b = np.arange(1, wide)[None, :]
    factorials = log_factorials(2 * size)
    log_beta = factorials[a - 1] + factorials[b - 1] - factorials[a + b - 1]
    terms = a * np.log1p(-lost) + b * np.log(lost) - np.log(b) - log_beta
    whole = np.concatenate((np.exp(a * np.log1p(-lost)), np.exp(terms)), axis=1)
    found = np.zeros((size, size))
    found[:, :wide] = np.log(np.minimum(np.cumsum(whole, axis=1), 1.0))
    return found


@dataclass(frozen=True)
class Weighed:
    """Steps weighed: joint log weights of (steps, rules), and the evidence of each step.

    `rules` belong to the columns; `log` is prior times likelihood. Where rules cannot be told apart
    yet the likeliest stands for all, with its own weight; the evidence is that of all.
    """

    rules: list[LearnedRule]
    log: Floats
    evidence: Floats

    @property
    def posterior(self) -> Floats:
        """The probability of each rule; what a row lacks to one is that of rules not named."""
        found: Floats = np.exp(self.log - self.evidence[:, None])
        return found


def weigh(heard: Bits, valid: Bits, sets: Sets, lost: float, stray: float) -> Weighed:
    """Weigh all rules without `if` for steps. `heard` and `valid` are (steps, passes), 0 or 1.

    A pass that is not valid says nothing, and is not heard there.
    """
    total = heard.sum(1, dtype=np.float64)
    seen = valid.sum(1, dtype=np.float64)
    gain = np.log1p(-lost) - np.log(lost) - np.log(stray) + np.log1p(-stray)
    loss = np.log(lost) - np.log1p(-stray)
    # `log_sure` is linear in the bits, so that all sets take one product.
    bits = heard * np.float32(gain) + valid * np.float32(loss)
    silent = total * (np.log(stray) - np.log1p(-stray)) + seen * np.log1p(-stray)
    core = sets.core
    sure = np.full((len(heard), len(sets.rules)), -np.inf)
    sure[:, :core] = bits @ sets.short + silent[:, None] + sets.sure[:core]
    # Long cycles cannot explain a step that is heard, and is not, on more passes than they have.
    some = np.minimum(total, seen - total) <= sets.few + _SPARE
    if core < len(sets.rules) and some.any():
        sure[some, core:] = bits[some] @ sets.long
        sure[some, core:] += silent[some, None] + sets.sure[core:]
    inside = (heard @ sets.by_chance).astype(np.float64)
    most = (valid @ sets.by_chance).astype(np.float64)
    drawn = log_drawn(inside, most, total[:, None], seen[:, None], lost, stray)
    log = np.concatenate((sure[:, :core], drawn + sets.drawn, sure[:, core:]), axis=1)
    evidence = log_sum(log[:, : core + len(sets.draws)])
    if core < len(sets.rules) and some.any():
        evidence[some] = np.logaddexp(evidence[some], log_sum(log[some, core + len(sets.draws) :]))
        log[:, core + len(sets.draws) :] += sets.named[core:]
    rules = sets.rules[:core] + sets.drawn_rules + sets.rules[core:]
    return Weighed(rules, log, evidence)


def log_sum(log: Floats) -> Floats:
    """Log of the sum of exponentials over the last axis."""
    top = log.max(-1, keepdims=True)
    found: Floats = (top + np.log(np.exp(log - top).sum(-1, keepdims=True)))[..., 0]
    return found


def rates(
    heard: Sequence[Bits], valid: Sequence[Bits], sets: Sequence[Sets], priors: Priors
) -> tuple[float, float]:
    """The rates of lost and of stray notes that explain these tracks best."""

    def worth(lost: tuple[float, float], stray: tuple[float, float]) -> float:
        evidence = sum(
            float(weigh(x, v, s, lost[0], stray[0]).evidence.sum())
            for x, v, s in zip(heard, valid, sets, strict=True)
        )
        return evidence + float(np.log(lost[1] * stray[1]))

    # One hardly moves the other: silent passes tell of stray notes, played ones of lost ones.
    lost = max(priors.lost, key=lambda each: worth(each, priors.stray[0]))
    stray = max(priors.stray, key=lambda each: worth(lost, each))
    return lost[0], stray[0]


@dataclass(frozen=True)
class Chance:
    """A chance: its posterior mean, and its central 95 percent interval."""

    mean: float
    low: float
    high: float


def chance_of(hits: int, passes: int, lost: float) -> Chance:
    """The chance of a step that was heard on `hits` of `passes` passes, a share of notes lost.

    The rate that is heard has the posterior Beta(hits + 1, passes - hits + 1) below 1 - lost; the
    chance is that divided by 1 - lost.
    """
    kept = 1.0 - lost
    below = _log_kept(passes + 1, lost)
    whole = float(np.exp(below[hits, passes - hits]))
    more = float(np.exp(below[hits + 1, passes - hits]))
    low, high = (beta_quantile(share * whole, hits, passes) for share in (0.025, 0.975))
    mean = (hits + 1) / (passes + 2) * more / whole
    return Chance(mean / kept, low / kept, high / kept)


def beta_quantile(share: float, hits: int, passes: int) -> float:
    """The point below which Beta(hits + 1, passes - hits + 1) has that share.

    By halving: its distribution function at x is the chance of more than `hits` successes in
    passes + 1 trials of chance x (Abramowitz and Stegun 26.5.24; from memory).
    """
    factorials = log_factorials(passes + 1)
    successes = np.arange(hits + 1, passes + 2)
    ways = factorials[passes + 1] - factorials[successes] - factorials[passes + 1 - successes]
    low, high = 0.0, 1.0
    for _ in range(40):
        x = (low + high) / 2
        logs = ways + successes * np.log(x) + (passes + 1 - successes) * np.log1p(-x)
        if np.exp(logs).sum() < share:
            low = x
        else:
            high = x
    return (low + high) / 2


# Chances that people write: every 5 percent, and a few in so many.
_WRITTEN = sorted({Fraction(k, 20) for k in range(1, 20)} | {Fraction(k, 3) for k in (1, 2)})


def written_chance(hits: int, passes: int, lost: float) -> Fraction:
    """The chance to write for so many hits: the likeliest that people write, or whole percents.

    A round chance is taken where it explains the hits a tenth as well as the best one could.
    """

    def log(chance: float) -> float:
        rate = min(max(chance * (1.0 - lost), 1e-9), 1 - 1e-9)
        return float(hits * np.log(rate) + (passes - hits) * np.log1p(-rate))

    best = min(max(hits / max(passes, 1) / (1.0 - lost), 0.01), 0.99)
    rounded = max(_WRITTEN, key=lambda each: log(float(each)))
    if log(float(rounded)) > log(best) - np.log(10.0):
        return rounded
    return Fraction(min(max(round(best * 100), 1), 99), 100)


def passes_to_settle(
    rules: Sequence[LearnedRule],
    log: Floats,
    likely: NDArray[np.float64],
    settled: float = SETTLED,
) -> int | None:
    """How many more passes would settle which rule it is, if the likeliest is right.

    `log` are the log weights of the rules, the likeliest first, `likely` for each (rule, coming
    pass) how likely it is to be heard then. Each coming pass takes from a rival, on average, what
    it differs by (Kullback-Leibler divergence). None if not within the passes given.
    """
    if _sure_of(log) >= settled:
        return 0
    if len(rules) < 2:
        return None
    mine, others = likely[0], likely[1:]
    gains = mine * (np.log(mine) - np.log(others)) + (1 - mine) * (
        np.log1p(-mine) - np.log1p(-others)
    )
    after = log[1:, None] - np.cumsum(gains, axis=1)
    odds = np.exp(after - log[0]).sum(0)
    found = np.flatnonzero(1.0 / (1.0 + odds) >= settled)
    return int(found[0]) + 1 if len(found) else None


def _sure_of(log: Floats) -> float:
    return float(1.0 / np.exp(log - log[0]).sum())


def plays(rule: LearnedRule, passes: Ints) -> NDArray[np.bool_]:
    """On which of these passes the rule lets the step play; chances and `if` terms left out."""
    if rule.never:
        return np.zeros(len(passes), dtype=bool)
    found = np.ones(len(passes), dtype=bool)
    if rule.first is not None:
        found &= (passes == 1) == rule.first
    if rule.n:
        found &= np.isin((passes - 1) % rule.n + 1, rule.passes)
    return found
