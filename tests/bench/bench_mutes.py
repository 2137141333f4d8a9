"""False alarms and delays of the mute watch, over simulated passes of typical tracks.

Run: python -m tests.bench.bench_mutes [PASSES]   (default 1,000,000; about five minutes)

The instrument loses 1 note in 1,000 and sends a stray one at 1 silent step in 10,000. Delays are in
passes from the moment the mute is pressed or released, at a random step; un-mutes also in notes
that sounded until then. 95% upper bounds of rates are exact Poisson (Garwood 1936, from memory).
"""

from __future__ import annotations

import random
import statistics
import sys
from math import exp, sqrt

from companion.counting import Pattern
from companion.follow.notes import MuteWatch
from tests.follow.noisy import NoisyDrum, notes_of, typical

BAR = 96
CHUNK = 64


class Night:
    """A watch and an instrument that play together; `found` are (tick, track, muted)."""

    def __init__(self, pattern: Pattern, seed: int, muted: set[str]) -> None:
        self.drum = NoisyDrum(pattern, notes_of(pattern), seed, muted=set(muted))
        known = {t.name: t.name in muted for t in pattern.tracks}
        self.watch = MuteWatch(pattern, notes_of(pattern), known=known, hears=True)
        self.names = {note.number: name for name, note in notes_of(pattern).items()}
        self.tick = 0
        self.found: list[tuple[int, str, bool]] = []
        self.sounded: list[tuple[int, str]] = []

    def play(self, ticks: int) -> None:
        """Go on by so many ticks."""
        until = self.tick + ticks
        passed = self.tick
        # Notes of the last step may come late; they are heard in the next stretch all the same.
        for tick, channel, note in self.drum.play(until, self.tick):
            while passed < tick:
                passed = min(tick, passed + 6)
                self._passed(passed)
            self.watch.heard(tick, channel, note)
            self.sounded.append((tick, self.names[note]))
        while passed < until:
            passed = min(until, passed + 6)
            self._passed(passed)
        self.tick = until

    def _passed(self, tick: int) -> None:
        self.found += [(c.tick, c.track, c.muted) for c in self.watch.passed(tick)]


def poisson_upper(count: int) -> float:
    """Upper 95% bound of a Poisson mean from a count, by halving."""
    low, high = float(count), count + 10 + 5 * sqrt(count)

    def tail(mean: float) -> float:
        term = total = exp(-mean)
        for k in range(1, count + 1):
            term *= mean / k
            total += term
        return total

    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if tail(middle) > 0.05 else (low, middle)
    return high


def false_alarms(passes: int, muted: bool) -> dict[str, int]:
    """Wrong verdicts of each track while all tracks sound, or all are muted, all the time."""
    pattern = typical()
    names = [t.name for t in pattern.tracks]
    night = Night(pattern, 11 + muted, set(names) if muted else set())
    wrong = dict.fromkeys(names, 0)
    for _ in range(passes // CHUNK):
        night.play(CHUNK * BAR)
        for _, track, found in night.found:
            wrong[track] += found != muted
        night.found.clear()
        night.sounded.clear()
    return wrong


def delays(rounds: int, muted: bool) -> dict[str, list[tuple[float, int]]]:
    """(passes, notes sounded) from each track's change to the verdict, `muted` the new state.

    Each round is a new night of eight to twelve passes, then the change in the middle of a pass.
    """
    rng = random.Random(5)
    out: dict[str, list[tuple[float, int]]] = {}
    for track in typical().tracks:
        name = track.name
        needed = tuple(t for t in typical().tracks if t.name in (name, "shaker"))
        took = []
        for seed in range(rounds):
            night = Night(Pattern("alone", tracks=needed), seed, set() if muted else {name})
            night.play(rng.randint(8, 12) * BAR + rng.randrange(16) * 6)
            begin = night.tick
            night.found.clear()
            night.sounded.clear()
            (night.drum.muted.add if muted else night.drum.muted.discard)(name)
            right: list[int] = []
            while not right and night.tick - begin < 2000 * BAR:
                night.play(6)
                right = [t for t, found, state in night.found if (found, state) == (name, muted)]
            count = sum(1 for _, sounded in night.sounded if sounded == name)
            took.append(((night.tick - begin) / BAR, count))
        out[name] = took
    return out


def main() -> None:
    """Print the tables."""
    passes = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    passes = passes // CHUNK * CHUNK
    for muted in (False, True):
        print(f"\nfalse {'un-mutes' if muted else 'mutes'} in {passes} passes, and a pass at most")
        for name, count in false_alarms(passes, muted).items():
            print(f"  {name:10}{count:8}   {poisson_upper(count) / passes:.1e}")
    for muted in (True, False):
        print(f"\n{'mute' if muted else 'un-mute'} found, passes: median, 90%, 99%, most; notes")
        for name, took in delays(400, muted).items():
            waits = sorted(t for t, _ in took)
            heard = sorted(n for _, n in took)
            figures = (statistics.median(waits), waits[359], waits[395], waits[-1])
            print(
                f"  {name:10}"
                + "".join(f"{f:8.2f}" for f in figures)
                + f"   {statistics.median(heard):.0f}, {heard[395]}"
            )


if __name__ == "__main__":
    main()
