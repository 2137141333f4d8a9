"""One track's notes laid on a grid: its step, its swing, its length, and where it was quiet.

A track is heard in stretches, one for each time its pattern was played; ticks count from the start
of a stretch. Notes close together within a step are one hit (a roll, or a note that came twice).
How likely a length is follows from how well rules explain the steps it makes (`rules`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from companion.learn.rules import (
    Bits,
    Floats,
    Ints,
    Priors,
    log_factorials,
    log_sum,
    sets_for,
    weigh,
)

# Grids, and how likely each is before a note is heard: sixteenths by habit of the trade. Coarser
# steps show nothing that they do not.
STEPS = {6: 0.8, 8: 0.06, 4: 0.04, 3: 0.05, 2: 0.01}
# Every second sixteenth late by so many ticks; less is a place of its own for each step.
_SWINGS = {1.5: 0.01, 2.0: 0.03}
# Noise of the timing that may be, in ticks (root mean square), all alike.
_NOISES = np.array([0.05, 0.1, 0.2, 0.4, 0.7, 1.0, 1.4])
# A place in the bar may be played early or late throughout: how often, and by how much of a step.
_SHIFTED, _SHIFT = 0.03, 0.12
# A place in the bar is played as a roll.
_ROLLED = 0.02
# Notes of one hit follow each other within such a part of a step, and lie within such a part.
_CLOSE, _WITHIN = 0.55, 0.85
# A note that comes twice comes within so many ticks; slower is played.
TWICE = 0.75
# Lengths that people write, in bars; others have to be shown. A length that divides a bar is
# written as the bar: whatever repeats within it could be written shorter, and is not.
BARS = {1: 0.6, 2: 0.15, 4: 0.08, 8: 0.02}
LONGEST = 128
# What a track of a length or a step of its own has to be better by, in nats: the pattern's is
# the rule, and every periodic beat could be written shorter.
OWN_LENGTH = 5.0
# A performer mutes once in this many passes (as in the follower; no source).
_PASSES_BETWEEN = 64
# Cells that are enough to tell a length by.
_ENOUGH_CELLS = 6144
# With fewer hits than these all lengths up to four bars are weighed in full.
_FEW_HITS = 200
# Rules up to this N tell one length from another.
_SEARCH_N = 8


@dataclass(frozen=True)
class Onsets:
    """Note-ons of a track in one stretch of `ticks` ticks, ascending from its start."""

    ticks: int
    times: Floats
    numbers: Ints
    velocities: Ints


@dataclass(frozen=True)
class Placed:
    """Hits on a grid, by stretch: `cells` counts steps from the stretch's start.

    `counts` are the notes of each hit, `spans` the ticks from its first note to its last; `firsts`
    index the first note of each among the onsets. `offsets` are ticks from the grid.
    """

    step_ticks: int
    swing: float
    cells: tuple[Ints, ...]
    totals: tuple[int, ...]
    counts: tuple[Ints, ...]
    spans: tuple[Floats, ...]
    firsts: tuple[Ints, ...]
    offsets: tuple[Floats, ...]


@dataclass(frozen=True)
class Folded:
    """Bits of a track for one length: (steps, passes), and the numbers of the passes from 1.

    `stretch` says for each pass which stretch it is in.
    """

    heard: Bits
    valid: Bits
    passes: Ints
    stretch: Ints


def place(
    onsets: Sequence[Onsets],
    bar_ticks: int,
    priors: Priors,
    rates: tuple[float, float],
    step_ticks: int | None = None,
) -> Placed:
    """The hits on the grid that explains their times best, or on the step that is given.

    Which places of the bar are heard, and how often, is weighed with rules left out; on too fine a
    grid notes scatter over neighbouring places.
    """
    grids = [(ticks, 0.0, share) for ticks, share in STEPS.items()]
    grids += [(6, swing, share) for swing, share in _SWINGS.items()]
    if step_ticks is not None:
        grids = [(step_ticks, 0.0, 1.0)]
        grids += [(step_ticks, swing * step_ticks / 6, n) for swing, n in _SWINGS.items()]
    best: tuple[float, Placed] | None = None
    for ticks, swing, share in grids:
        placed = _on_grid(onsets, ticks, swing)
        there = max(1, round(bar_ticks / ticks))
        heard = heard_cells(placed)
        score = _screen(heard, [np.ones_like(each) for each in heard], there, priors, rates)
        score += _timing(placed, onsets, there) + float(np.log(share))
        if best is None or score > best[0]:
            best = score, placed
    assert best is not None
    return best[1]


def _timing(placed: Placed, onsets: Sequence[Onsets], there: int) -> float:
    """Log evidence of the times of all notes, given the cells they fall on; `there` are in a bar.

    Each note lies about its place with normal noise; a place may be shifted as a whole, by a normal
    shift that is integrated out; the notes of a roll are even.
    """
    cells = np.concatenate(placed.cells)
    if not len(cells):
        return 0.0
    _, index = np.unique(cells % there, return_inverse=True)
    offsets = np.concatenate(placed.offsets)
    counts = np.concatenate(placed.counts)
    many = np.bincount(index).astype(float)
    sums, squares = np.bincount(index, offsets), np.bincount(index, offsets**2)
    rolls = np.bincount(index, counts > 1)
    # A place that is rolled mostly costs once, close notes elsewhere each time.
    total = np.log(_ROLLED) * np.where(rolls > many / 2, 1, rolls).sum()
    uneven = _uneven(placed, onsets)
    variance = _NOISES[:, None] ** 2
    plain = -0.5 * (many * np.log(2 * np.pi * variance) + squares / variance)
    shift = (_SHIFT * placed.step_ticks) ** 2
    spread = variance + many * shift
    shifted = plain + 0.5 * (np.log(variance / spread) + shift * sums**2 / (variance * spread))
    logs = np.logaddexp(np.log1p(-_SHIFTED) + plain, np.log(_SHIFTED) + shifted).sum(1)
    logs -= 0.5 * (
        len(uneven) * np.log(2 * np.pi * variance[:, 0]) + (uneven**2).sum() / variance[:, 0]
    )
    return float(total + log_sum(logs) - np.log(len(_NOISES)))


def _uneven(placed: Placed, onsets: Sequence[Onsets]) -> Floats:
    """How far the later notes of each hit lie from even spacing, in ticks."""
    found = [np.zeros(0)]
    for each, firsts, counts, spans in zip(
        onsets, placed.firsts, placed.counts, placed.spans, strict=True
    ):
        for first, count, span in zip(
            *(x[counts > 1] for x in (firsts, counts, spans)), strict=True
        ):
            even = each.times[first] + span * np.arange(1, count) / (count - 1)
            found.append(each.times[first + 1 : first + count] - even)
    return np.concatenate(found)


def _on_grid(onsets: Sequence[Onsets], step_ticks: int, swing: float) -> Placed:
    cells, counts, spans, firsts, offsets, totals = [], [], [], [], [], []
    for each in onsets:
        first, count, span = _hits(each.times, step_ticks)
        times = each.times[first]
        cell = _nearest(times, step_ticks, swing)
        total = -(-each.ticks // step_ticks)
        inside = (cell >= 0) & (cell < total)
        cell, first, count, span = cell[inside], first[inside], count[inside], span[inside]
        cells.append(cell)
        counts.append(count)
        spans.append(span)
        firsts.append(first)
        offsets.append(times[inside] - _centre(cell, step_ticks, swing))
        totals.append(total)
    return Placed(
        step_ticks,
        swing,
        tuple(cells),
        tuple(totals),
        tuple(counts),
        tuple(spans),
        tuple(firsts),
        tuple(offsets),
    )


def _centre(cells: Ints, step_ticks: int, swing: float) -> Floats:
    found: Floats = cells * float(step_ticks) + swing * (cells % 2)
    return found


def _nearest(times: Floats, step_ticks: int, swing: float) -> Ints:
    low = np.floor(times / step_ticks).astype(np.int64)
    around = low[:, None] + np.arange(-1, 2)
    off = np.abs(times[:, None] - _centre(around, step_ticks, swing))
    found: Ints = around[np.arange(len(low)), off.argmin(1)]
    return found


def _hits(times: Floats, step_ticks: int) -> tuple[Ints, Ints, Floats]:
    """First notes of the hits, how many notes each has, and from its first to its last."""
    if not len(times):
        return np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0)
    apart = np.diff(times) >= _CLOSE * step_ticks
    starts = np.concatenate(([0], np.flatnonzero(apart) + 1))
    ends = np.concatenate((starts[1:], [len(times)]))
    if np.all(times[ends - 1] - times[starts] <= _WITHIN * step_ticks):
        return starts, ends - starts, times[ends - 1] - times[starts]
    # A run of close notes over several steps is cut where a step's worth of it is full.
    cut = []
    for start, end in zip(starts, ends, strict=True):
        at = int(start)
        while at < end:
            cut.append(at)
            beyond = times[at] + _WITHIN * step_ticks
            at += max(1, int(np.searchsorted(times[at:end], beyond, "right")))
    starts = np.array(cut)
    ends = np.concatenate((starts[1:], [len(times)]))
    return starts, ends - starts, times[ends - 1] - times[starts]


def heard_cells(placed: Placed) -> list[Bits]:
    """For each stretch, which of its cells were heard."""
    found = []
    for cells, total in zip(placed.cells, placed.totals, strict=True):
        bits = np.zeros(total, dtype=np.float32)
        bits[cells] = 1.0
        found.append(bits)
    return found


def fold(heard: Sequence[Bits], valid: Sequence[Bits], length: int) -> Folded:
    """Cells laid out as (steps, passes) of that length, stretch after stretch."""
    rows: list[Bits] = []
    masks: list[Bits] = []
    passes, stretch = [], []
    for index, (bits, mask) in enumerate(zip(heard, valid, strict=True)):
        count = -(-len(bits) // length)
        for given, rows_or_masks in ((bits * mask, rows), (mask, masks)):
            whole = np.zeros(count * length, dtype=np.float32)
            whole[: len(given)] = given
            rows_or_masks.append(whole.reshape(count, length).T)
        passes.append(np.arange(1, count + 1))
        stretch.append(np.full(count, index))
    return Folded(
        np.concatenate(rows, axis=1),
        np.concatenate(masks, axis=1),
        np.concatenate(passes),
        np.concatenate(stretch),
    )


def evidence(
    folded: Folded, priors: Priors, rates: tuple[float, float], largest: int = _SEARCH_N
) -> float:
    """How well rules of cycles up to `largest` explain a track of that length, in nats."""
    sets = sets_for(folded.passes, priors, largest)
    return float(weigh(folded.heard, folded.valid, sets, *rates).evidence.sum())


def _shortened(heard: Sequence[Bits], valid: Sequence[Bits]) -> tuple[list[Bits], list[Bits]]:
    """As many cells, from the start, as are enough to tell a length by."""
    left, bits, masks = _ENOUGH_CELLS, [], []
    for each, mask in zip(heard, valid, strict=True):
        if left <= 0:
            break
        bits.append(each[:left])
        masks.append(mask[:left])
        left -= len(each)
    return bits, masks


def lengths(
    heard: Sequence[Bits],
    valid: Sequence[Bits],
    priors: Priors,
    rates: tuple[float, float],
    bar: int,
    also: Sequence[int] = (),
) -> dict[int, float]:
    """The evidence of each length that may be the track's, in nats.

    `bar` is a bar's length in steps, `also` are lengths to weigh in any case. All are screened by
    what is heard on each step in all, rules left out; those that come out best are weighed in full,
    with their divisors and with those people write.
    """
    heard, valid = _shortened(heard, valid)
    longest = min(LONGEST, max(1, max(map(len, heard))))
    screened = {n: _screen(heard, valid, n, priors, rates) for n in range(1, longest + 1)}
    best = sorted(screened, key=lambda n: -screened[n])[:6]
    chosen = {bars * bar for bars in BARS if bars * bar <= max(longest, bar)} | set(also)
    chosen |= {d for n in best[:3] for d in range(2, n + 1) if n % d == 0} | set(best)
    if sum(float(bits.sum()) for bits in heard) < _FEW_HITS:
        # Where little is heard, rules hide the length from a look that leaves them out.
        chosen |= set(range(2, min(longest, 4 * bar) + 1))
    chosen = {n for n in chosen if n >= bar or bar % n or n in also}
    return {n: evidence(fold(heard, valid, n), priors, rates) for n in sorted(chosen)}


def _screen(
    heard: Sequence[Bits],
    valid: Sequence[Bits],
    length: int,
    priors: Priors,
    rates: tuple[float, float],
) -> float:
    hits, seen = np.zeros(length), np.zeros(length)
    for bits, mask in zip(heard, valid, strict=True):
        count = -(-len(bits) // length)
        whole = np.zeros((2, count * length), dtype=np.float32)
        whole[0, : len(bits)], whole[1, : len(bits)] = bits * mask, mask
        sums = whole.reshape(2, count, length).sum(1)
        hits += sums[0]
        seen += sums[1]
    plain = _plain(priors)
    lost, stray = rates
    missed = seen - hits
    logs = np.stack(
        (
            hits * np.log(stray) + missed * np.log1p(-stray) + plain[0],
            hits * np.log1p(-lost) + missed * np.log(lost) + plain[1],
            -np.log(seen + 1) - _log_choose(seen, hits) + plain[2],
        ),
        axis=1,
    )
    return float(log_sum(logs).sum())


def _plain(priors: Priors) -> Floats:
    rest = 1.0 - priors.never - priors.always
    found: Floats = np.log(np.array([priors.never, priors.always, rest]))
    return found


def _log_choose(n: Floats, k: Floats) -> Floats:
    logs = log_factorials(int(n.max(initial=0)))
    whole, part = n.astype(int), k.astype(int)
    found: Floats = logs[whole] - logs[part] - logs[whole - part]
    return found


def prior_length(length: int, bar: int) -> float:
    """Log prior of a pattern's length: those people write, and all others alike."""
    rest = (1.0 - sum(BARS.values())) / LONGEST
    bars, beside = divmod(length, bar)
    return float(np.log(rest if beside else BARS.get(bars, rest)))


def quiet_gaps(
    heard: Sequence[Bits],
    valid: Sequence[Bits],
    length: int,
    priors: Priors,
    rates: tuple[float, float],
) -> list[Bits]:
    """Which cells to believe: those in which the track seems to be muted are left out.

    A gap between two notes that is at least a pass long may be a mute. It is taken for one if the
    rules explain the rest so much better that it pays for two changes of state, each of which a
    performer makes once in 64 passes.
    """
    gaps = [
        (index, low, high) for index, bits in enumerate(heard) for low, high in _gaps(bits, length)
    ]
    if not gaps:
        return list(valid)
    cost = float(np.log(_PASSES_BETWEEN))

    def masked(chosen: Sequence[tuple[int, int, int]]) -> list[Bits]:
        masks = [each.copy() for each in valid]
        for index, low, high in chosen:
            masks[index][low:high] = 0.0
        return masks

    def worth(chosen: Sequence[tuple[int, int, int]]) -> float:
        changes = sum((low > 0) + (high < len(heard[index])) for index, low, high in chosen)
        masks = masked(chosen)
        return evidence(fold(heard, masks, length), priors, rates) - cost * changes

    plain = worth(())
    gaps.sort(key=lambda gap: gap[1] - gap[2])
    if len(gaps) > 12:
        # So many silences are the rule's, but for those that stand out.
        usual = np.median([high - low for _, low, high in gaps])
        gaps = [gap for gap in gaps if gap[2] - gap[1] > usual + length][:12]
    chosen, best = list(gaps), worth(gaps)
    moved = True
    while moved and chosen:
        moved = False
        for gap in sorted(chosen, key=lambda gap: gap[2] - gap[1]):
            fewer = [each for each in chosen if each is not gap]
            found = worth(fewer)
            if found >= best:
                chosen, best, moved = fewer, found, True
    if best <= plain or not chosen:
        return list(valid)
    return masked(chosen)


def _gaps(bits: Bits, length: int) -> list[tuple[int, int]]:
    """Silences of a pass or more between which the track is heard, as cells from and to.

    Heard means for two passes at least: what comes singly has a rule, and is not un-muted for it.
    """
    notes = np.flatnonzero(bits)
    edges = np.concatenate(([-1], notes, [len(bits)]))
    gaps = [
        (int(low) + 1, int(high))
        for low, high in pairwise(edges)
        if high - low > length and high - low <= len(bits)
    ]
    kept: list[tuple[int, int]] = []
    for at, (low, high) in enumerate(gaps):
        before = low - (gaps[at - 1][1] if at else 0)
        after = (gaps[at + 1][0] if at + 1 < len(gaps) else len(bits)) - high
        if (low == 0 or before >= 2 * length) and (high == len(bits) or after >= 2 * length):
            kept.append((low, high))
    return kept


def merged_channel(onsets: Sequence[Sequence[Onsets]]) -> list[Onsets]:
    """The notes of several tracks as one, stretch by stretch."""
    found = []
    for parts in zip(*onsets, strict=True):
        times = np.concatenate([part.times for part in parts])
        order = np.argsort(times, kind="stable")
        found.append(
            replace(
                parts[0],
                times=times[order],
                numbers=np.concatenate([part.numbers for part in parts])[order],
                velocities=np.concatenate([part.velocities for part in parts])[order],
            )
        )
    return found
