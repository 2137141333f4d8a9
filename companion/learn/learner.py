"""From what was heard to patterns, parts and rules, each with how sure it is.

In this order: program changes cut the hearing into stretches; stretches of one program are one
pattern; each pattern's tracks are laid on grids (`track`); one pair of rates of lost and stray
notes is found for all; each step's rule is weighed (`rules`, `conditions`). What is written of it
is `draft`'s.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from companion.counting.pattern import STEP_TICKS, Meter
from companion.learn import track as tracks
from companion.learn.conditions import Condition, Voice, weigh_conditions
from companion.learn.heard import HeardError, HeardProgram, Hearing
from companion.learn.names import DRUM_CHANNEL, pitch, track_name
from companion.learn.rules import (
    ALWAYS,
    PRIORS,
    SETTLED,
    Bits,
    Chance,
    Floats,
    Ints,
    LearnedRule,
    Priors,
    chance_of,
    log_sum,
    passes_to_settle,
    plays,
    sets_for,
    weigh,
    written_chance,
)
from companion.learn.rules import rates as find_rates
from companion.learn.track import Folded, Onsets, Placed

# A note may be played so many ticks before the boundary it belongs to.
_EARLY = 2.0
# A program change so close to a boundary is on it.
_ON_BOUNDARY = 1.5
# What a change says again within a beat from where its part began is an echo.
_ECHO = 24
# Changes of several instruments within two bars of 4/4 belong together.
_TOGETHER = 192
# How likely an instrument is to take a change at the end of its pass, and at once.
_AT_END, _AT_ONCE = 0.8, 0.2
# Rivals of a step's rule that are looked at, and passes ahead.
_RIVALS, _AHEAD = 10, 256
# Odds at which two halves of a hearing are said to be different patterns.
_CHANGED = 20.0
# Where a change is looked for first, and the rules that are weighed on both sides of it.
_CUTS, _CHANGE_N = 8, 4
# What of a step's hits differs is said from this probability on.
_VARIES = 0.9
_LOUDER = 12
STEP_NAMES = {ticks: name for name, ticks in STEP_TICKS.items()}


@dataclass(frozen=True)
class LearnedStep:
    """A step that was heard. `number` counts from 1; `rule` is the likeliest, then the next.

    `chance` is that of a rule with one; `heard` of `of` passes it was heard. `passes_to_settle` is
    how many more would make it sure, 0 if it is, None if no number in reach would.
    """

    number: int
    rule: LearnedRule
    probability: float
    chance: Chance | None
    runner_up: tuple[LearnedRule, float] | None
    passes_to_settle: int | None
    what: str
    heard: int
    of: int


@dataclass(frozen=True)
class LearnedTrack:
    """A track; `channel` 0-15, `note` None for a whole channel. `quiet_passes` count from 1.

    `strays` are steps of which only stray notes were heard: number, and how many.
    """

    name: str
    channel: int
    note: int | None
    length: int
    step_ticks: int
    swing: float
    passes: int
    quiet_passes: tuple[int, ...]
    steps: tuple[LearnedStep, ...]
    strays: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class LearnedPattern:
    """A pattern: `length` steps of `step_ticks`, heard for `passes` passes in all."""

    name: str
    program: int | None
    bank: int | None
    length: int
    step_ticks: int
    meter: Meter
    passes: int
    tracks: tuple[LearnedTrack, ...]
    remarks: tuple[str, ...] = ()

    @property
    def pass_ticks(self) -> int:
        """Ticks in one pass."""
        return self.length * self.step_ticks


@dataclass(frozen=True)
class LearnedPart:
    """A part as it was played: its pattern, the changes it began with, and how long it was."""

    pattern: int
    begin: int
    ticks: int
    changes: tuple[HeardProgram, ...] = ()
    tempo: float | None = None


@dataclass(frozen=True)
class Learned:
    """All that was learned. `lost` and `stray` are the rates of lost and of stray notes."""

    source: str
    tempo: float | None
    patterns: tuple[LearnedPattern, ...]
    parts: tuple[LearnedPart, ...]
    lost: float
    stray: float

    @property
    def doubtful(self) -> int:
        """How many steps are not settled."""
        return sum(
            step.probability < SETTLED
            for pattern in self.patterns
            for track in pattern.tracks
            for step in track.steps
        )


@dataclass(frozen=True)
class Wanted:
    """What the performer says beforehand: channel 0-15, steps in a pass, ticks in a step."""

    channel: int | None = None
    length: int | None = None
    step_ticks: int | None = None
    one: bool = False
    name: str | None = None
    meter: Meter = field(default_factory=Meter)

    def bar(self, placed: Placed) -> int:
        """Steps in a bar on that grid, rounded where it has no whole number."""
        return max(1, round(self.meter.bar_ticks / placed.step_ticks))


class _Hits(NamedTuple):
    """Hits side by side: steps from 0, passes, notes of each, ticks from its first to its last.

    `numbers` and `velocities` are those of the first notes.
    """

    steps: Ints
    passes: Ints
    notes: Ints
    spans: Floats
    numbers: Ints
    velocities: Ints

    def by_step(self) -> _Hits:
        """The same in the order of the steps."""
        order = np.argsort(self.steps, kind="stable")
        return _Hits._make(each[order] for each in self)

    def of(self, step: int) -> _Hits:
        """Those of one step, if they are in the order of the steps."""
        low, high = np.searchsorted(self.steps, (step, step + 1))
        return _Hits._make(each[low:high] for each in self)


@dataclass
class _Track:
    """A track on its way: which notes, its onsets by stretch, and what they were found to be."""

    channel: int
    note: int | None
    onsets: list[Onsets]
    placed: Placed
    length: int = 16
    lengths: dict[int, float] = field(default_factory=dict)
    valid: list[Bits] = field(default_factory=list)

    @property
    def folded(self) -> Folded:
        """Its bits as (steps, passes)."""
        return tracks.fold(tracks.heard_cells(self.placed), self.valid, self.length)

    @cached_property
    def hits(self) -> _Hits:
        """All its hits. To be asked for once the length is known."""
        placed, onsets = self.placed, self.onsets
        steps, passes, numbers, velocities = [], [], [], []
        for each, cells, firsts in zip(onsets, placed.cells, placed.firsts, strict=True):
            steps.append(cells % self.length)
            passes.append(cells // self.length + 1)
            numbers.append(each.numbers[firsts])
            velocities.append(each.velocities[firsts])
        return _Hits(
            np.concatenate(steps),
            np.concatenate(passes),
            np.concatenate(placed.counts),
            np.concatenate(placed.spans),
            np.concatenate(numbers),
            np.concatenate(velocities),
        ).by_step()


@dataclass
class _Pattern:
    key: tuple[tuple[int, int, int | None], ...]
    stretches: list[tuple[int, int]]
    tracks: list[_Track]
    length: int = 16
    step_ticks: int = 6

    @property
    def evidence(self) -> float:
        return sum(each.lengths.get(each.length, 0.0) for each in self.tracks)


def learn(hearing: Hearing, wanted: Wanted = Wanted(), priors: Priors = PRIORS) -> Learned:
    """Everything that can be told of a hearing. Raises HeardError if there is nothing in it."""
    notes = [
        note for note in hearing.notes if wanted.channel is None or note.channel == wanted.channel
    ]
    if not notes:
        there = sorted({note.channel + 1 for note in hearing.notes})
        if there:
            raise HeardError(
                f"no notes on channel {(wanted.channel or 0) + 1}; there are some on "
                f"{', '.join(map(str, there))}"
            )
        raise HeardError("no notes in it; let the instrument send the notes that it plays")
    hearing = replace(hearing, notes=tuple(sorted(notes)))
    wanted = replace(wanted, meter=hearing.meter)
    stretches = _stretches(hearing, wanted, priors)
    patterns = _patterns(hearing, stretches, wanted, priors)
    rates = _common_rates(patterns, priors)
    quiet = [_find_quiet(pattern, priors, rates) for pattern in patterns]
    if any(quiet):
        rates = _common_rates(patterns, priors)
    found = [
        _learned_pattern(hearing, pattern, index, wanted, priors, rates)
        for index, pattern in enumerate(patterns, start=1)
    ]
    return _assembled(hearing, stretches, patterns, found, rates)


# Cutting the hearing into stretches ---------------------------------------------------------------


@dataclass(frozen=True)
class _Stretch:
    """A time in which one pattern was played, and the changes it began with."""

    begin: int
    end: int
    changes: tuple[HeardProgram, ...]
    key: tuple[tuple[int, int, int | None], ...]


def _stretches(hearing: Hearing, wanted: Wanted, priors: Priors) -> list[_Stretch]:
    last = max(hearing.end, hearing.notes[-1].tick + 1)
    programs = [] if wanted.one else list(hearing.programs)
    sounding = {note.channel for note in hearing.notes}
    before = [each for each in programs if each.tick <= _ON_BOUNDARY]
    after = [each for each in programs if each.tick > _ON_BOUNDARY]
    running = {each.channel: each for each in before}
    begins: list[tuple[int, dict[int, HeardProgram]]] = [(0, dict(running))]
    main = _main_channel(programs)
    starts = [round(tick) for tick in hearing.starts if tick > _ON_BOUNDARY]
    for change in after:
        while starts and starts[0] <= change.tick + _ON_BOUNDARY:
            begins.append((starts.pop(0), {}))
        begin = begins[-1][0]
        if _echo(change, *begins[-1]):
            continue
        # One of another instrument goes with the main one's that follows soon.
        told = next(
            (
                each.tick
                for each in after
                if each.channel == main and 0 <= each.tick - change.tick <= _TOGETHER
            ),
            change.tick,
        )
        following = (each.tick for each in after if each.channel == main and each.tick > told)
        until = min([last, *following, *starts])
        if change.tick > begin + _ON_BOUNDARY:
            begin = _boundary(hearing, wanted, priors, begin, told, until)
            if begin >= last - _ON_BOUNDARY:
                continue
            begins.append((begin, {}))
        begins[-1][1][change.channel] = change
    begins += [(tick, {}) for tick in starts]
    found = []
    for (begin, changes), end in zip(
        begins, [*(each[0] for each in begins[1:]), round(last)], strict=True
    ):
        running |= changes
        key = tuple(
            (channel, each.program, each.bank)
            for channel, each in sorted(running.items())
            if channel in sounding or channel == main
        )
        ordered = sorted(changes.values(), key=lambda each: (each.channel != main, each.channel))
        found.append(_Stretch(begin, end, tuple(ordered), key))
    return found


def _echo(change: HeardProgram, begin: int, changes: dict[int, HeardProgram]) -> bool:
    """Whether a change only says again what this part began with, as an instrument may tell it."""
    told = changes.get(change.channel)
    same = told is not None and told[2:] == change[2:]
    return same and change.tick < begin + _ECHO


def _main_channel(programs: Sequence[HeardProgram]) -> int | None:
    """The channel that changes most often; of equals the drums', or the lowest."""
    counts = Counter(each.channel for each in programs)
    if not counts:
        return None
    return min(counts, key=lambda channel: (-counts[channel], channel != DRUM_CHANNEL, channel))


def _boundary(
    hearing: Hearing, wanted: Wanted, priors: Priors, begin: int, told: float, until: float
) -> int:
    """The tick at which a change told at `told` took effect, in a part that began at `begin`.

    At the end of the pass, or at once: whichever explains better what was played around it.
    """
    now = round(told)
    before = _roughly(hearing, [(begin, now)], wanted, priors)
    ticks = before.length * before.step_ticks if before.tracks else 96
    turns = (now - begin) / ticks
    if abs(turns - round(turns)) * ticks <= _ON_BOUNDARY and round(turns) > 0:
        # Told on a boundary it may hold from there, or be a little late for it.
        now = begin + round(turns) * ticks
        candidates = {now: _AT_END, now + ticks: _AT_ONCE}
    else:
        candidates = {now: _AT_ONCE, begin + (int(turns) + 1) * ticks: _AT_END}
    candidates = {tick: share for tick, share in candidates.items() if tick < until} or {now: 1.0}
    if len(candidates) == 1:
        return next(iter(candidates))
    scores = {}
    for boundary, share in candidates.items():
        # The music up to the end of the pass after, so that both see the same notes.
        old = _roughly(hearing, [(begin, boundary)], wanted, priors)
        new = _roughly(hearing, [(boundary, round(until))], wanted, priors)
        scores[boundary] = old.evidence + new.evidence + float(np.log(share))
    return max(scores, key=lambda each: scores[each])


# Patterns and their grids -------------------------------------------------------------------------


def _patterns(
    hearing: Hearing, stretches: Sequence[_Stretch], wanted: Wanted, priors: Priors
) -> list[_Pattern]:
    """The patterns in the order in which they were first played."""
    by_key: dict[tuple[tuple[int, int, int | None], ...], list[tuple[int, int]]] = {}
    for each in stretches:
        by_key.setdefault(each.key, []).append((each.begin, each.end))
    found = []
    for key, times in by_key.items():
        pattern = _roughly(hearing, times, wanted, priors)
        pattern.key = key
        found.append(pattern)
    return found


def _roughly(
    hearing: Hearing, stretches: list[tuple[int, int]], wanted: Wanted, priors: Priors
) -> _Pattern:
    """A pattern's tracks on their grids, with their lengths; rules are still to come."""
    heard = hearing.table
    pieces = []
    for begin, end in stretches:
        # A note may come a little before the boundary that it belongs to.
        low = np.searchsorted(heard.ticks, begin - _EARLY)
        high = np.searchsorted(heard.ticks, end - (_EARLY if end < hearing.end else 0.0))
        pieces.append((begin, end, heard.cut(int(low), int(high))))
    tracks_there = {key for _, _, piece in pieces for key in np.unique(piece.keys).tolist()}
    made = []
    for key in sorted(tracks_there):
        onsets = []
        for begin, end, piece in pieces:
            mine = piece.keys == key
            onsets.append(
                Onsets(
                    end - begin,
                    piece.ticks[mine] - begin,
                    piece.keys[mine] & 0x7F,
                    piece.velocities[mine],
                )
            )
        made.append(_track(key >> 7, key & 0x7F, onsets, wanted, priors))
    pattern = _Pattern((), stretches, made)
    if made:
        _choose_lengths(pattern, wanted, priors)
        pattern.tracks = _as_channels(pattern, wanted, priors)
    return pattern


# The rates that are reckoned with before any are known.
_ROUGH = (0.01, 0.0005)
# How often the pitch of a melody's step changes from pass to pass; and what a channel that is one
# melody has to be better by, in nats: instruments with patterns mostly have a track to a note.
_TURNS, _MELODY = 0.15, 10.0


def _track(
    channel: int, note: int | None, onsets: list[Onsets], wanted: Wanted, priors: Priors
) -> _Track:
    placed = tracks.place(onsets, wanted.meter.bar_ticks, priors, _ROUGH, wanted.step_ticks)
    made = _Track(channel, note, onsets, placed)
    heard = tracks.heard_cells(placed)
    made.valid = [np.ones_like(bits) for bits in heard]
    also = (wanted.length,) if wanted.length else ()
    made.lengths = tracks.lengths(heard, made.valid, priors, _ROUGH, wanted.bar(placed), also)
    return made


def _choose_lengths(pattern: _Pattern, wanted: Wanted, priors: Priors) -> None:
    """The pattern's step and length, and each track's: its own only where that pays."""
    steps = Counter(each.placed.step_ticks for each in pattern.tracks)
    pattern.step_ticks = wanted.step_ticks or min(
        steps, key=lambda ticks: (-steps[ticks], -tracks.STEPS.get(ticks, 0.0))
    )
    same = [each for each in pattern.tracks if each.placed.step_ticks == pattern.step_ticks]
    own = {id(each): _own(each, wanted) for each in pattern.tracks}
    bar = wanted.bar(same[0].placed)
    if wanted.length:
        pattern.length = wanted.length
    else:
        scores = {
            length: tracks.prior_length(length, bar)
            + sum(
                max(each.lengths.get(length, -np.inf), own[id(each)][1] - tracks.OWN_LENGTH)
                for each in same
            )
            for length in set.union(*(set(each.lengths) for each in same))
        }
        pattern.length = max(scores, key=lambda length: (scores[length], -length))
    for each in pattern.tracks:
        length, score = own[id(each)]
        shared = each.lengths.get(pattern.length, -np.inf)
        if each in same and shared >= score - tracks.OWN_LENGTH:
            length = pattern.length
        each.length = length


def _own(track: _Track, wanted: Wanted) -> tuple[int, float]:
    """The best length of a track by itself, and how good it is."""
    bar = wanted.bar(track.placed)
    scores = {n: value + tracks.prior_length(n, bar) for n, value in track.lengths.items()}
    best = max(scores, key=lambda n: (scores[n], -n))
    return best, scores[best]


def _as_channels(pattern: _Pattern, wanted: Wanted, priors: Priors) -> list[_Track]:
    """The tracks, those of a channel as one where that explains them better.

    A melody has many notes, one at a time, and a pitch for each; drums have a track for each note.
    """
    found: list[_Track] = []
    for channel in sorted({each.channel for each in pattern.tracks}):
        apart = [each for each in pattern.tracks if each.channel == channel]
        if channel == DRUM_CHANNEL or len(apart) < 2:
            found += apart
            continue
        onsets = tracks.merged_channel([each.onsets for each in apart])
        whole = _track(channel, None, onsets, wanted, priors)
        whole.length = pattern.length if pattern.length in whole.lengths else _own(whole, wanted)[0]
        if whole.lengths[whole.length] < _own(whole, wanted)[1] - tracks.OWN_LENGTH:
            whole.length = _own(whole, wanted)[0]
        together = sum(int((counts > 1).sum()) for counts in whole.placed.counts)
        hits = sum(map(len, whole.placed.cells))
        separate = sum(each.lengths[each.length] for each in apart)
        joint = whole.lengths[whole.length] + _pitches(whole, priors) - _MELODY
        if together * 50 < hits and joint > separate:
            found.append(whole)
        else:
            found += apart
    return found


def _pitches(track: _Track, priors: Priors) -> float:
    """Log evidence of a melody's pitches: one to a step mostly, else each with its own rule."""
    hits = track.hits
    kinds = len(np.unique(hits.numbers))
    total = 0.0
    for step in np.unique(hits.steps).tolist():
        mine = hits.of(step)
        pitches = np.unique(mine.numbers)
        total -= float(np.log(kinds))
        if len(pitches) == 1:
            total += float(np.log1p(-_TURNS))
            continue
        bits = (mine.numbers == pitches[:, None]).astype(np.float32)
        sets = sets_for(mine.passes, priors, 8)
        weighed = weigh(bits, np.ones_like(bits), sets, *_ROUGH)
        total += float(np.log(_TURNS) + weighed.evidence.sum())
    return total


def _common_rates(patterns: Sequence[_Pattern], priors: Priors) -> tuple[float, float]:
    """The rates that explain all tracks best, by rules of short cycles; a few tracks are enough."""
    heard, valid, sets, left = [], [], [], 20_000
    for pattern in patterns:
        for each in pattern.tracks:
            if left <= 0:
                break
            folded = each.folded
            heard.append(folded.heard)
            valid.append(folded.valid)
            sets.append(sets_for(folded.passes, priors, 8))
            left -= folded.heard.size
    return find_rates(heard, valid, sets, priors)


def _find_quiet(pattern: _Pattern, priors: Priors, rates: tuple[float, float]) -> bool:
    """Leave out where tracks seem to be muted; whether there is any such place."""
    found = False
    for each in pattern.tracks:
        heard = tracks.heard_cells(each.placed)
        each.valid = tracks.quiet_gaps(heard, each.valid, each.length, priors, rates)
        found = found or not all(mask.all() for mask in each.valid)
    return found


# Rules --------------------------------------------------------------------------------------------


def _learned_pattern(
    hearing: Hearing,
    pattern: _Pattern,
    index: int,
    wanted: Wanted,
    priors: Priors,
    rates: tuple[float, float],
) -> LearnedPattern:
    folded = [each.folded for each in pattern.tracks]
    weighed = []
    voices = []
    names = _names(pattern.tracks)
    for name, each, bits in zip(names, pattern.tracks, folded, strict=True):
        rows = np.flatnonzero(bits.heard.any(1))
        found = weigh(bits.heard[rows], bits.valid[rows], sets_for(bits.passes, priors), *rates)
        weighed.append((rows, found))
        conditional, drawn = np.zeros((2, each.length), dtype=bool)
        best = [found.rules[at] for at in found.log.argmax(1)] if len(rows) else []
        conditional[rows] = [rule.conditional for rule in best]
        drawn[rows] = [rule.chance for rule in best]
        voices.append(Voice(name, each.placed.step_ticks, bits, conditional, drawn))
    fills = None
    if hearing.fills is not None:
        fills = [
            [(low - begin, high - begin) for low, high in hearing.fills]
            for begin, _ in pattern.stretches
        ]
    made = []
    for at, (each, (rows, found)) in enumerate(zip(pattern.tracks, weighed, strict=True)):
        steps: list[LearnedStep] = []
        strays: list[tuple[int, int]] = []
        best_logs = found.log.max(1) if len(rows) else np.zeros(0)
        extra = weigh_conditions(voices, at, rows, best_logs, priors, rates, fills)
        for place, row in enumerate(rows):
            terms = extra[place] if voices[at].conditional[row] else []
            step = _step(each, folded[at], int(row), found.rules, found.log[place], terms, rates)
            if step.rule.never:
                strays.append((step.number, step.heard))
            else:
                steps.append(step)
        made.append(
            LearnedTrack(
                names[at],
                each.channel,
                each.note,
                each.length,
                each.placed.step_ticks,
                each.placed.swing,
                folded[at].heard.shape[1],
                _quiet(folded[at]),
                tuple(steps),
                tuple(strays),
            )
        )
    program, bank = None, None
    if pattern.key:
        main = _main_channel(hearing.programs)
        _, program, bank = next((each for each in pattern.key if each[0] == main), pattern.key[0])
    ticks = sum(end - begin for begin, end in pattern.stretches)
    return LearnedPattern(
        wanted.name or f"learned {index}" if index == 1 else f"{wanted.name or 'learned'} {index}",
        program,
        bank,
        pattern.length,
        pattern.step_ticks,
        hearing.meter,
        -(-ticks // (pattern.length * pattern.step_ticks)),
        tuple(made),
        tuple(_changed(pattern, priors, rates)),
    )


def _names(found: Sequence[_Track]) -> list[str]:
    names = [track_name(each.channel, each.note) for each in found]
    counts = Counter(names)
    return [
        name if counts[name] == 1 else f"{name} {each.channel + 1}/{each.note}"
        for name, each in zip(names, found, strict=True)
    ]


def _quiet(folded: Folded) -> tuple[int, ...]:
    """Passes of which nothing is believed, from 1 through all that was heard."""
    inside = folded.valid.any(0)
    return tuple(int(at) + 1 for at in np.flatnonzero(~inside))


def _step(
    track: _Track,
    folded: Folded,
    row: int,
    rules: list[LearnedRule],
    log: Floats,
    extra: list[Condition],
    rates: tuple[float, float],
) -> LearnedStep:
    heard, valid = folded.heard[row], folded.valid[row]
    if extra:
        rules = rules + [each.rule for each in extra]
        log = np.concatenate((log, [each.log for each in extra]))
    whole = float(log_sum(log))
    order = np.argpartition(-log, min(_RIVALS, len(log) - 1))[: _RIVALS + 1]
    order = order[np.argsort(-log[order], kind="stable")]
    best = [rules[at] for at in order]
    weights = log[order]
    hits, of = int(heard.sum()), int(valid.sum())
    lost = rates[0]
    rule = best[0]
    chance = None
    if rule.chance:
        inside = plays(rule, folded.passes) & (valid > 0)
        played, draws = next(
            ((each.played, each.draws) for each in extra if each.rule == rule),
            (int(heard[inside].sum()), int(inside.sum())),
        )
        chance = chance_of(played, draws, lost)
        rule = replace(rule, percent=written_chance(played, draws, lost))
    probability = float(np.exp(weights[0] - whole))
    settle: int | None = 0
    if probability < SETTLED:
        coming = int(folded.passes[-1]) + np.arange(1, _AHEAD + 1)
        likely = np.array([_likely(each, coming, hits, of, rates) for each in best])
        settle = passes_to_settle(best, weights, likely)
    second = None
    if len(best) > 1:
        second = (best[1], float(np.exp(weights[1] - whole)))
    return LearnedStep(
        row + 1, rule, probability, chance, second, settle, _what(track, row), hits, of
    )


def _likely(
    rule: LearnedRule, passes: Ints, hits: int, of: int, rates: tuple[float, float]
) -> NDArray[np.float64]:
    """How likely a step with that rule is to be heard on coming passes."""
    lost, stray = rates
    inside = plays(rule, passes)
    if rule.condition is not None or rule.fill is not None:
        return np.full(len(passes), min(max(hits / max(of, 1), 0.01), 0.99))
    rate = 1.0 - lost
    if rule.chance:
        share = float(plays(rule, np.arange(1, of + 1)).mean()) if of else 1.0
        rate = min(max((hits + 1) / (of * max(share, 0.02) + 2), 0.02), 0.98)
    found: NDArray[np.float64] = np.where(inside, rate, stray)
    return found


# What of a step differs from pass to pass ---------------------------------------------------------


def _what(track: _Track, row: int) -> str:
    """What a performer would want to know of a step: its rolls, pitches and accents."""
    hits = track.hits.of(row)
    said = []
    rolls = (hits.notes > 1) & (hits.spans > tracks.TWICE)
    if rolls.mean() > 0.5 or (rolls.sum() > 1 and rolls.mean() > 0.1):
        many = Counter(hits.notes[rolls].tolist())
        text = f"roll of {many.most_common(1)[0][0]}"
        said.append(text if rolls.mean() > 0.9 else _varies(text, rolls, hits))
    if track.note is None:
        usual = [number for number, _ in Counter(hits.numbers.tolist()).most_common(3)]
        said.append(pitch(usual[0]))
        said += [_varies(pitch(each), hits.numbers == each, hits) for each in usual[1:]]
    velocities = hits.velocities
    ordered = np.sort(velocities)
    tenth = len(ordered) // 10
    if ordered[-1 - tenth] - ordered[tenth] >= _LOUDER:
        loud = velocities > (velocities.min() + velocities.max()) / 2
        text = "louder" if loud.mean() <= 0.5 else "softer"
        bits = loud if loud.mean() <= 0.5 else ~loud
        said.append(_varies(text, bits, hits))
    return ", ".join(each for each in said if each)


def _varies(text: str, bits: NDArray[np.bool_], hits: _Hits) -> str:
    """The text with the passes on which it is so, if a rule for them is likely enough."""
    weighed = weigh(
        bits.astype(np.float32)[None, :],
        np.ones((1, len(bits)), dtype=np.float32),
        sets_for(hits.passes, PRIORS, 16),
        0.01,
        0.01,
    )
    best = int(weighed.log[0].argmax())
    rule = weighed.rules[best]
    if rule == ALWAYS:
        return text
    if not rule.chance and not rule.never and weighed.posterior[0, best] > _VARIES:
        return f"{text} on {rule}" if rule.first is None else f"{text} {rule}"
    return f"{text} now and then"


# Patterns that changed while one listened ---------------------------------------------------------


def _changed(pattern: _Pattern, priors: Priors, rates: tuple[float, float]) -> Iterable[str]:
    """Where the notes are explained much better by two patterns than by one."""
    ticks = pattern.length * pattern.step_ticks
    for begin, end in pattern.stretches:
        passes = (end - begin) // ticks
        if passes < 8:
            continue
        index = pattern.stretches.index((begin, end))
        best, where = 0.0, 0
        for at in sorted({passes * k // _CUTS for k in range(1, _CUTS)} - {0, 1, passes}):
            gain = _cut_gain(pattern, index, at * ticks, priors, rates)
            if gain > best:
                best, where = gain, at
        if best <= _CHANGED:
            continue
        step = max(1, passes // _CUTS)
        finer = {
            at: _cut_gain(pattern, index, at * ticks, priors, rates)
            for at in range(max(2, where - step), min(passes - 1, where + step) + 1)
        }
        where = max(finer, key=lambda at: finer[at])
        yield (
            f"from pass {where + 1} on something else seems to be played, without a program "
            "change: learn the two apart"
        )


def _cut_gain(
    pattern: _Pattern, stretch: int, tick: int, priors: Priors, rates: tuple[float, float]
) -> float:
    """By how much two sets of rules explain a stretch better than one, cut at a tick."""
    total = -float(np.log(len(pattern.tracks) * 64.0))
    for each in pattern.tracks:
        bits = tracks.heard_cells(each.placed)[stretch]
        cells = np.arange(len(bits)) * each.placed.step_ticks
        for side, sign in ((cells < tick, 1.0), (cells >= tick, 1.0), (cells >= 0, -1.0)):
            some = each.valid[stretch] * side.astype(np.float32)
            folded = tracks.fold([bits], [some], each.length)
            total += sign * tracks.evidence(folded, priors, rates, _CHANGE_N)
    return total


# Putting it together ------------------------------------------------------------------------------


def _assembled(
    hearing: Hearing,
    stretches: Sequence[_Stretch],
    patterns: Sequence[_Pattern],
    found: list[LearnedPattern],
    rates: tuple[float, float],
) -> Learned:
    """Parts in the order played; patterns that are alike step for step are one."""
    kept: list[LearnedPattern] = []
    stands_for = []
    for each in found:
        twin = next((at for at, other in enumerate(kept) if _alike(each, other)), None)
        if twin is None:
            twin = len(kept)
            kept.append(each)
        stands_for.append(twin)
    keys = [each.key for each in patterns]
    parts = []
    for stretch in stretches:
        at = stands_for[keys.index(stretch.key)]
        parts.append(
            LearnedPart(
                at,
                stretch.begin,
                stretch.end - stretch.begin,
                stretch.changes,
                _tempo_at(hearing, stretch.begin),
            )
        )
    if parts:
        # The last was cut off by the end of the hearing, a moment after its last note perhaps.
        ticks = kept[parts[-1].pattern].pass_ticks
        whole = max(1, round(parts[-1].ticks / ticks)) * ticks
        if abs(whole - parts[-1].ticks) <= 24:
            parts[-1] = replace(parts[-1], ticks=whole)
    return Learned(hearing.source, hearing.tempo, tuple(kept), tuple(parts), *rates)


def _tempo_at(hearing: Hearing, tick: int) -> float | None:
    """The tempo a part begins with, or that of the whole."""
    before = [bpm for at, bpm in hearing.tempi if at <= tick + _ON_BOUNDARY]
    return before[-1] if before else hearing.tempo


def _alike(one: LearnedPattern, other: LearnedPattern) -> bool:
    def shape(pattern: LearnedPattern) -> object:
        return (
            pattern.pass_ticks,
            [
                (
                    each.channel,
                    each.note,
                    each.length,
                    each.step_ticks,
                    [(step.number, replace(step.rule, percent=None)) for step in each.steps],
                )
                for each in pattern.tracks
            ],
        )

    return shape(one) == shape(other)
