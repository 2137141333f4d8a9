"""How well rules are learned by listening: python -m tests.bench.bench_learn [--patterns N]

Patterns come from a generator with a fresh seed, which is printed; the tests' own instrument plays
them, with 2 percent of the notes lost and timing noise of a tenth of a step. A deterministic step
is right if it is learned to play on the same passes, all 840 of the common round of N up to 8.
Beside it stands the best possible: the same Bayes rule told the generator's own priors and rates.
"""

from __future__ import annotations

import argparse
import random
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from scipy.stats import binom, binomtest

from companion.counting import Cycle, Pattern, Rule, Step, Track
from companion.learn.heard import Hearing
from companion.learn.learner import learn
from companion.learn.rules import (
    PRIORS,
    LearnedRule,
    Priors,
    chance_of,
    plays,
    sets_for,
    weigh,
)
from tests.learn.judge import Said, hearing_of
from tests.learn.player import Hand, struck

# What the generator draws a step from: its kind, and how often.
KINDS = {
    "silent": 0.60,
    "always": 0.18,
    "cycle": 0.12,
    "negated": 0.04,
    "chance": 0.045,
    "both": 0.015,
}
LARGEST = 8
HAND = Hand(lost=0.02, noise=0.10)
ROUND = 840


def a_rule(rng: random.Random) -> tuple[str, Rule | None]:
    """A kind of step and its rule, None for a step that never plays."""
    kind = rng.choices(list(KINDS), list(KINDS.values()))[0]
    n = rng.randint(2, LARGEST)
    cycle = Cycle(rng.randint(1, n), n, negated=kind == "negated")
    odds = Fraction(rng.randint(1, 99), 100)
    match kind:
        case "silent":
            return kind, None
        case "always":
            return kind, Rule()
        case "chance":
            return kind, Rule(chances=(odds,))
        case "both":
            return kind, Rule((cycle,), (odds,))
        case _:
            return kind, Rule((cycle,))


def a_pattern(rng: random.Random, tracks: int = 8) -> tuple[Pattern, dict[tuple[str, int], str]]:
    """A pattern of 16 steps, and the kind of each of its steps."""
    made = []
    kinds = {}
    for at in range(tracks):
        steps = []
        for number in range(1, 17):
            kind, rule = a_rule(rng)
            if rule is not None:
                steps.append(Step(number, rule))
                kinds[f"track {at}", number] = kind
        made.append(Track(f"track {at}", 16, 6, tuple(steps)))
    return Pattern("slack water", tracks=tuple(made)), kinds


def notes_of(pattern: Pattern) -> dict[str, tuple[int, int]]:
    return {track.name: (9, 36 + at) for at, track in enumerate(pattern.tracks)}


@dataclass
class Tally:
    """How many were right of how many."""

    right: int = 0
    of: int = 0

    def add(self, right: bool) -> None:
        self.right += right
        self.of += 1

    def __str__(self) -> str:
        if not self.of:
            return "none"
        low, high = binomtest(self.right, self.of).proportion_ci(0.95, "exact")
        return f"{self.right / self.of:7.2%} of {self.of:5d} ({low:.1%} to {high:.1%})"


def truth(rule: Rule, passes: np.ndarray) -> np.ndarray:
    """On which passes a deterministic rule plays."""
    found = np.ones(len(passes), dtype=bool)
    for cycle in rule.cycles:
        found &= ((passes - cycle.k) % cycle.n == 0) != cycle.negated
    if rule.first is not None:
        found &= (passes == 1) == rule.first
    return found


def heard_after(rng: random.Random, pattern: Pattern, passes: int) -> Hearing:
    ticks = passes * pattern.pass_ticks
    return hearing_of(struck(pattern, ticks, notes_of(pattern), rng, hand=HAND), ticks)


def judged(
    pattern: Pattern, hearing: Hearing, priors: Priors = PRIORS
) -> Iterator[tuple[str, Step, bool]]:
    """Each deterministic step, and whether it was learned to play on the same passes."""
    said = Said(learn(hearing, priors=priors).patterns[0])
    passes = np.arange(1, ROUND + 1)
    for name, (_, note) in notes_of(pattern).items():
        track = next(each for each in pattern.tracks if each.name == name)
        for step in track.steps:
            if step.rule.chances:
                continue
            ticks = (passes - 1) * track.pass_ticks + (step.number - 1) * track.step_ticks
            yield (
                name,
                step,
                bool(np.all(said.plays_surely(note, ticks) == truth(step.rule, passes))),
            )


def by_n_and_sign(rng: random.Random, patterns: int) -> None:
    print("After 32 passes, 2 % lost, noise 10 % of a step:")
    found: dict[tuple[int, bool], Tally] = defaultdict(Tally)
    for _ in range(patterns):
        pattern, _ = a_pattern(rng)
        for _, step, right in judged(pattern, heard_after(rng, pattern, 32)):
            key = (
                (step.rule.cycles[0].n, step.rule.cycles[0].negated)
                if step.rule.cycles
                else (1, False)
            )
            found[key].add(right)
    total = Tally()
    for key, tally in sorted(found.items()):
        n, negated = key
        name = "always" if n == 1 else f"{'not ' if negated else ''}pass K of {n}"
        print(f"  {name:16} {tally}")
        total.right += tally.right
        total.of += tally.of
    print(f"  {'all':16} {total}")


def ideal_priors() -> Priors:
    """The generator's own beliefs."""
    cycles = dict.fromkeys(range(2, 129), 1e-12)
    signed = KINDS["cycle"] + KINDS["negated"]
    for n in range(2, LARGEST + 1):
        cycles[n] = 1.0 / (LARGEST - 1)
    return replace(
        PRIORS,
        never=KINDS["silent"],
        always=KINDS["always"],
        cycle=signed,
        chance=KINDS["chance"],
        both=KINDS["both"],
        first=1e-9,
        after_first=1e-9,
        condition=1e-9,
        cycles=cycles,
        single=KINDS["cycle"] / signed,
        negated=KINDS["negated"] / signed,
        lost=((HAND.lost, 1.0),),
        stray=((1e-6, 1.0),),
    )


def by_passes(rng: random.Random, patterns: int) -> None:
    print("Deterministic steps right, by passes; beside it with the generator's own priors:")
    ideal = ideal_priors()
    for passes in (4, 8, 12, 16, 24, 32, 48, 64):
        ours, best = Tally(), Tally()
        for _ in range(patterns):
            pattern, _ = a_pattern(rng)
            hearing = heard_after(rng, pattern, passes)
            for _, _, right in judged(pattern, hearing):
                ours.add(right)
            for _, _, right in judged(pattern, hearing, ideal):
                best.add(right)
        print(f"  {passes:3} passes  {ours}   best {best}")


def apart(rng: random.Random, steps: int) -> None:
    """`first pass`, and cycles of more than 16, by what can be known of them."""
    print("`first pass` and long cycles, 2 % lost, steps alone; right means the same passes:")
    for passes in (32, 64, 128):
        numbers = np.arange(1, passes + 1)
        sets = sets_for(numbers, PRIORS)
        rows: dict[str, Tally] = defaultdict(Tally)
        sure: dict[str, list[float]] = defaultdict(list)
        for _ in range(steps):
            n = rng.randint(17, 64)
            wanted = {
                "first pass": LearnedRule(first=True),
                "after first pass": LearnedRule(first=False),
                "pass K of 17-64": LearnedRule(n, (rng.randint(1, n),)),
            }
            for name, rule in wanted.items():
                bits = plays(rule, numbers) & (
                    np.array([rng.random() for _ in numbers]) > HAND.lost
                )
                if not bits.any():
                    continue
                if rule.n and plays(rule, numbers).sum() < 2:
                    name += ", once"
                elif rule.n:
                    name += ", twice or more"
                found = weigh(
                    bits.astype(np.float32)[None],
                    np.ones((1, passes), np.float32),
                    sets,
                    0.02,
                    1e-5,
                )
                best = int(found.log[0].argmax())
                rows[name].add(found.rules[best] == rule)
                sure[name].append(float(found.posterior[0, best]))
        for name, tally in sorted(rows.items()):
            print(
                f"  {passes:3} passes  {name:28} {tally}  said to be {np.mean(sure[name]):.1%} sure"
            )


def coverage(rng: random.Random, steps: int) -> None:
    print("95 % intervals of chances; ours and Clopper-Pearson's (scipy):")
    for passes in (8, 16, 32, 64):
        ours, theirs, widths = Tally(), Tally(), [0.0, 0.0]
        for _ in range(steps):
            chance = rng.random()
            hits = sum(rng.random() < chance * (1 - HAND.lost) for _ in range(passes))
            mine = chance_of(hits, passes, HAND.lost)
            low, high = binomtest(hits, passes).proportion_ci(0.95, "exact")
            ours.add(mine.low <= chance <= mine.high)
            theirs.add(low <= chance * (1 - HAND.lost) <= high)
            widths[0] += mine.high - mine.low
            widths[1] += high - low
        print(
            f"  {passes:3} passes  ours {ours}, wide {widths[0] / steps:.3f};"
            f"  exact {theirs}, wide {widths[1] / steps:.3f}"
        )


def calibration(rng: random.Random, patterns: int) -> None:
    """Of steps said to be so sure, how many are right; patterns drawn from the table of priors.

    Ten bins of as many steps each, the least sure first; beside each whether it is within the 99
    percent interval of a binomial of the mean that was said.
    """
    print("Calibration, rules drawn from the priors, 3 to 16 passes:")
    judged: list[tuple[float, bool]] = []
    weights = np.exp(sets_for(np.arange(1, 129), PRIORS).sure)
    everything = sets_for(np.arange(1, 129), PRIORS)
    drawn = np.exp(everything.drawn)
    rules = everything.rules + everything.drawn_rules
    shares = np.concatenate((weights, drawn))
    generator = np.random.default_rng(rng.randrange(1 << 30))
    for _ in range(patterns):
        passes = int(generator.integers(3, 17))
        numbers = np.arange(1, passes + 1)
        sets = sets_for(numbers, PRIORS)
        chosen = generator.choice(len(rules), size=64, p=shares / shares.sum())
        bits = np.array([plays(rules[at], numbers) for at in chosen])
        odds = generator.random(64)
        for row, at in enumerate(chosen):
            if rules[at].chance:
                bits[row] &= generator.random(passes) < odds[row]
        bits &= generator.random(bits.shape) > 0.02
        heard = bits.any(1)
        if not heard.any():
            continue
        found = weigh(
            bits[heard].astype(np.float32),
            np.ones((int(heard.sum()), passes), np.float32),
            sets,
            0.02,
            1e-5,
        )
        posterior = found.posterior
        for row, best in enumerate(posterior.argmax(1)):
            right = found.rules[best] == rules[chosen[heard][row]]
            judged.append((float(posterior[row, best]), right))
    # By what was said alone: many say the same.
    judged.sort(key=lambda each: each[0])
    for at in range(10):
        part = judged[at * len(judged) // 10 : (at + 1) * len(judged) // 10]
        said, tally = float(np.mean([each for each, _ in part])), Tally()
        for _, right in part:
            tally.add(right)
        low, high = binom.ppf((0.005, 0.995), tally.of, said)
        within = "within" if low <= tally.right <= high else "OUTSIDE"
        bounds = f"{low / tally.of:.1%}-{high / tally.of:.1%}"
        print(f"  said {said:6.1%}  right {tally}  {within} {bounds}")


def speed() -> None:
    rng = random.Random(1)
    tracks = []
    for at in range(16):
        steps = []
        for number in range(1, 65):
            _, rule = a_rule(rng)
            if rule is not None:
                steps.append(Step(number, rule))
        tracks.append(Track(f"track {at}", 64, 6, tuple(steps)))
    pattern = Pattern("slack water", 64, tracks=tuple(tracks))
    hearing = heard_after(rng, pattern, 256)
    learn(hearing.cut(pattern.pass_ticks))
    begun, used = time.perf_counter(), time.process_time()
    learned = learn(hearing)
    took, used = time.perf_counter() - begun, time.process_time() - used
    print(
        f"16 tracks of 64 steps, 256 passes, {len(hearing.notes)} notes: {took:.2f} s"
        f" ({used:.2f} of processor); length {learned.patterns[0].length}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--patterns", type=int, default=40)
    parser.add_argument("--steps", type=int, default=300)
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(1 << 30))
    parser.add_argument("--only", default="")
    options = parser.parse_args()
    print(f"seed {options.seed}")
    rng = random.Random(options.seed)
    sections = {
        "speed": lambda: speed(),
        "n": lambda: by_n_and_sign(rng, options.patterns),
        "passes": lambda: by_passes(rng, max(1, options.patterns // 4)),
        "apart": lambda: apart(rng, options.steps),
        "coverage": lambda: coverage(rng, options.steps * 4),
        "calibration": lambda: calibration(rng, options.patterns * 40),
    }
    for name, section in sections.items():
        if not options.only or options.only == name:
            section()


if __name__ == "__main__":
    main()
