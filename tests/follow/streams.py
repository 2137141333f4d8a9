"""Clocks with known truth for whoever counts ticks: what is sent, and what comes of it.

The law, all of it (`Laws` has the rates; whoever knows them knows the generator exactly):

- Tick n is sent at s(n); s(n + 1) = s(n) + p(n). The period p stays as it is, but before each step
  the knob may be touched (chance `turned`, up or down alike) or let go (`let_go`); while it is
  touched each tick's period is `turn` larger or smaller in its logarithm than the one before; and
  the tempo may jump (chance `jumps`) to one even in its logarithm within `span` of the first. And
  the sender may stand still (chance `slips`) for an even draw from `slip_ms`: all later ticks come
  so much later, as with the clock of a program that was kept waiting (see `recorded/`).
- A tick that is not lost (`lost`; never the first, so that tick 0 is what is heard first) is late
  by |N(0, `jitter_ms`)|, or with chance `held` by an even draw from `hold_ms` in its place.
- The line keeps order: a message arrives no sooner than an exponential gap of BUNCH_MS after the
  one before it. So what is held up holds back all that was sent behind it, and they come at once.
- With chance `doubled` a message comes again, an even draw from COPY_MS later, ahead of all behind.

Times are nanoseconds from 0 on; a seed makes a stream again exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

MS = 1e6
# 60 s x 1e9 / 24 ticks to the quarter note (MIDI 1.0): period in ns = this / beats a minute.
NS_PER_BPM = 2.5e9
# How closely messages follow each other in a bunch: 10 to 50 us in the recorded clocks.
BUNCH_MS = 0.05
COPY_MS = (0.05, 1.2)


@dataclass(frozen=True, slots=True)
class Laws:
    """The rates of a generated clock: chances a tick, milliseconds, logarithms of the period."""

    bpm: float
    jitter_ms: float = 1.0
    held: float = 0.0
    hold_ms: tuple[float, float] = (5.0, 40.0)
    lost: float = 0.0
    doubled: float = 0.0
    jumps: float = 0.0
    span: float = 0.25
    turned: float = 0.0
    let_go: float = 1 / 60
    slips: float = 0.0
    slip_ms: tuple[float, float] = (2.0, 15.0)
    turn: float = 0.0015


@dataclass(frozen=True, slots=True)
class Stream:
    """What arrives, and the truth.

    `t_ns` are the arrivals in order. `tick` is the tick that each message is, counted from 0: the
    right count once it has arrived is the number of ticks sent up to its own. A tick that was sent
    after it and is still on its way does not count yet, for nothing was heard of it (in a bunch the
    instrument is some ticks ahead of each message but the last, and the bunch is over in a
    millisecond); a copy is the tick it copies; lost ticks count with the next one that arrives.
    `sent_ns` is when each tick was sent.
    """

    t_ns: NDArray[np.int64]
    tick: NDArray[np.int64]
    sent_ns: NDArray[np.float64]
    laws: Laws
    seed: int


ORDINARY = Laws(bpm=120)
_HELD = replace(ORDINARY, bpm=128, held=1 / 60)
_FAULTY = replace(_HELD, lost=1 / 200, doubled=1 / 400)
_ALL = replace(_FAULTY, held=1 / 40, jumps=1 / 3000, turned=1 / 2000)

# The rows of the table in the order of the page that asks for them, and mixtures besides.
ROWS: dict[str, Laws] = {
    "steady, delay 1 ms": ORDINARY,
    "held 1/60, 128": _HELD,
    "held 1/60, 174": replace(_HELD, bpm=174),
    "held 1/20, 140": replace(_HELD, bpm=140, held=1 / 20),
    "lost 1/200": replace(ORDINARY, lost=1 / 200),
    "held 1/60, lost 1/200": replace(_HELD, lost=1 / 200),
    "doubled 1/200": replace(ORDINARY, doubled=1 / 200),
    "held 1/60, jumps": replace(_HELD, jumps=5 / 12000),
    "steady, delay 3 ms": replace(ORDINARY, bpm=140, jitter_ms=3.0),
    "steady, delay 3 ms, 200": replace(ORDINARY, bpm=200, jitter_ms=3.0),
    "held, lost, doubled, 40": replace(_FAULTY, bpm=40),
    "held, lost, doubled, 300": replace(_FAULTY, bpm=300),
    "held 1/10 by 5-80": replace(_HELD, held=1 / 10, hold_ms=(5.0, 80.0)),
    "turned by hand": replace(ORDINARY, turned=1 / 1000),
    "turned, held 1/60": replace(_HELD, turned=1 / 1000),
    "slips 1/400, 122": replace(ORDINARY, bpm=122, slips=1 / 400),
    "slips, held, lost": replace(_HELD, slips=1 / 3000, lost=1 / 500),
    **{
        f"all faults, {bpm}": replace(_ALL, bpm=bpm, jitter_ms=jitter)
        for bpm, jitter in ((50, 2.0), (70, 1.0), (100, 0.3), (140, 1.5), (190, 1.0), (240, 0.5))
    },
    "no turns, 40": replace(_ALL, bpm=40, jumps=0, turned=0, jitter_ms=3.0),
    "no turns, 300": replace(_ALL, bpm=300, jumps=0, turned=0, jitter_ms=0.5),
}


def stream(laws: Laws, seed: int, ticks: int = 12_000) -> Stream:
    """So many ticks sent by these laws, and what arrives of them."""
    rng = np.random.default_rng(seed)
    sent = np.concatenate([[0.0], np.cumsum(_periods(laws, rng, ticks - 1))])
    sent += rng.uniform(0, 1e9)
    late = np.abs(rng.normal(0, laws.jitter_ms * MS, ticks))
    held = rng.random(ticks) < laws.held
    held[0] = False
    late[held] = rng.uniform(*laws.hold_ms, ticks)[held] * MS
    arrives = rng.random(ticks) >= laws.lost
    arrives[0] = True
    number = np.flatnonzero(arrives)
    tick = np.repeat(number, 1 + (rng.random(len(number)) < laws.doubled))
    copy = np.concatenate([[False], tick[1:] == tick[:-1]])
    # Each comes when it would, or a gap after the one before it, whichever is later.
    own = np.where(copy, -np.inf, (sent + late)[tick])
    gap = rng.exponential(BUNCH_MS * MS, len(tick))
    gap[copy] = rng.uniform(*COPY_MS, int(copy.sum())) * MS
    gaps = np.cumsum(gap)
    arrived = gaps + np.maximum.accumulate(own - gaps)
    # In whole nanoseconds, a copy never at the very time of the first.
    return Stream(np.floor(arrived).astype(np.int64), tick, sent, laws, seed)


def _periods(laws: Laws, rng: np.random.Generator, steps: int) -> NDArray[np.float64]:
    """The period after each tick, in ns."""
    turn = np.zeros(steps)
    at = 0
    while laws.turned and (at := at + int(rng.geometric(laws.turned)) - 1) < steps:
        until = at + int(rng.geometric(laws.let_go))
        turn[at:until] = laws.turn if rng.random() < 0.5 else -laws.turn
        at = until
    log = np.cumsum(turn)
    jumps = np.flatnonzero(rng.random(steps) < laws.jumps)
    for jump, end in pairwise([*jumps, steps]):
        log[jump:end] += rng.uniform(-laws.span, laws.span) - log[jump]
    still = (rng.random(steps) < laws.slips) * rng.uniform(*laws.slip_ms, steps) * MS
    return NS_PER_BPM / laws.bpm * np.exp(log) + still
