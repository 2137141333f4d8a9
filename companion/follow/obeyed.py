"""Whether an instrument took a program change, told from what it plays after the boundary. Pure.

Two stories are weighed over the first pass: the new pattern began, or the old one goes on. Wald's
sequential probability ratio test (Wald 1945, from memory) decides, with an error of 1 in 1,000 on
either side. Each story allows for tracks that are muted, and for a set list that leaves steps out:
the likelihoods are means over those cases. Steps with an `if` are passed over, for their chances
hang together.

Ticks count from the boundary, which is tick 0 of the new part.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from itertools import pairwise
from math import exp, log, log1p

from companion.counting.pattern import Pattern
from companion.follow.hearing import EARLY, LATE, LOST, STRAY, Memories, occasions
from companion.setlist.controls import NoteKey

# Odds at which one story is believed.
ODDS = 999.0
# Chance that a track is muted when nobody knows, when it was heard, and when it was found muted:
# the boundary is where performers change their minds (presumed, as all chances here).
MUTED_UNKNOWN, MUTED_NOT, MUTED_SO = 0.2, 0.02, 0.9
# Chance that a pattern plays more than the set list says.
UNLISTED = 0.1


class Verdict(Enum):
    """What is known of a change."""

    OPEN = "not decided yet"
    OBEYED = "the new pattern plays"
    IGNORED = "the old pattern goes on"
    UNTOLD = "the two sound too much alike"


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two patterns: `start` is its tick at the boundary, 0 for the new one.

    `notes` are those of its tracks, `muted` what is known of their mutes, `program` the wire
    program it goes by; `carried_passes` as the forecast has it.
    """

    pattern: Pattern
    notes: Mapping[str, NoteKey]
    start: int = 0
    carried_passes: int = 0
    program: int | None = None
    muted: Mapping[str, bool] = field(default_factory=dict)


@dataclass
class _Slot:
    """A note at a tick that either side may play; a chance is None where that side lists none."""

    opens: int
    closes: int
    old: float | None = None
    new: float | None = None
    unclear: bool = False
    heard: bool = False


class _Story:
    """The likelihood of what was heard, if one side's pattern plays. Logarithms throughout."""

    def __init__(self, side: Side, notes: set[NoteKey]) -> None:
        self._chance_muted: dict[NoteKey, float] = {}
        for track, note in side.notes.items():
            known = side.muted.get(track)
            chance = MUTED_UNKNOWN if known is None else MUTED_SO if known else MUTED_NOT
            self._chance_muted[note] = chance
        # For each note: as the list says, with steps left out, and muted.
        self._sums = {note: [0.0, 0.0, 0.0] for note in notes}

    def take(self, note: NoteKey, chance: float | None, other: float | None, heard: bool) -> None:
        """Take in one slot; `other` is its chance in the other story."""
        listed = _note(0.0 if chance is None else chance)
        # What may be left out of a list may be what the other pattern plays: variations are alike.
        more = _note(other or 0.0) if chance is None else listed
        sums = self._sums[note]
        for case, p in enumerate((listed, more, STRAY)):
            sums[case] += log(p) if heard else log1p(-p)

    def likelihood(self) -> float:
        """The logarithm of the likelihood of all that was taken in."""
        cases = [log1p(-UNLISTED), log(UNLISTED)]
        for note, sums in self._sums.items():
            muted = self._chance_muted.get(note, 0.0)
            for case in (0, 1):
                cases[case] += _mean(muted, sums[case], sums[2]) if muted else sums[case]
        return _sum(*cases)


class ObeyedWatch:
    """Watches the first pass after a change. Not thread-safe: one caller at a time."""

    def __init__(self, old: Side, new: Side, *, fill: bool | None = False) -> None:
        self._old, self._new = old, new
        self.verdict = Verdict.OPEN
        self._until = max(old.pattern.pass_ticks, new.pattern.pass_ticks)
        self._slots: dict[int, dict[NoteKey, _Slot]] = {}
        self._lay_out(old, "old", fill)
        self._lay_out(new, "new", fill)
        self._drop_crowded()
        notes = {note for slots in self._slots.values() for note in slots}
        self._of_old, self._of_new = _Story(old, notes), _Story(new, notes)
        self._waiting = sorted(self._slots)
        self._hears = False

    def heard(self, tick: int, channel: int, note: int) -> None:
        """Take a note that began at `tick`. Releases do not belong here."""
        for at in range(tick - LATE, tick + EARLY + 1):
            for key, slot in self._slots.get(at, {}).items():
                fits = key.number == note and key.channel in (None, channel)
                if fits and slot.opens <= tick <= slot.closes:
                    slot.heard = self._hears = True

    def passed(self, tick: int) -> Verdict:
        """Tell that `tick` has come, and with it all notes before it. Returns the verdict."""
        if self.verdict is not Verdict.OPEN:
            return self.verdict
        took = False
        while self._waiting and self._waiting[0] + LATE < tick:
            for key, slot in self._slots[self._waiting.pop(0)].items():
                self._of_old.take(key, slot.old, slot.new, slot.heard)
                self._of_new.take(key, slot.new, slot.old, slot.heard)
                took = True
        # An instrument that has sent no note at all may send none.
        if took and self._hears:
            odds = self._of_old.likelihood() - self._of_new.likelihood()
            if odds >= log(ODDS):
                self.verdict = Verdict.IGNORED
            elif odds <= -log(ODDS):
                self.verdict = Verdict.OBEYED
        if self.verdict is Verdict.OPEN and not self._waiting:
            self.verdict = Verdict.UNTOLD
        return self.verdict

    def announced(self, program: int) -> Verdict:
        """Take the instrument's own word of the program it is on; no echo of ours belongs here."""
        if self._old.program != self._new.program and self.verdict is not Verdict.IGNORED:
            if program == self._old.program:
                self.verdict = Verdict.IGNORED
            elif program == self._new.program:
                self.verdict = Verdict.OBEYED
        return self.verdict

    # -- inside ------------------------------------------------------------------------------

    def _lay_out(self, side: Side, name: str, fill: bool | None) -> None:
        memories = Memories(side.pattern)
        memories.forget()
        keys = list(side.notes.values())
        until = side.start + self._until
        for each in occasions(side.pattern, side.start, until, side.carried_passes):
            key = side.notes.get(each.track)
            if key is None:
                continue
            opens, closes = each.opens - side.start, each.closes - side.start
            slots = self._slots.setdefault(each.tick - side.start, {})
            slot = slots.setdefault(key, _Slot(opens, closes))
            slot.opens, slot.closes = max(slot.opens, opens), min(slot.closes, closes)
            chance = memories.chance(each, fill)
            setattr(slot, name, chance)
            slot.unclear = slot.unclear or chance is None or keys.count(key) > 1

    def _drop_crowded(self) -> None:
        """Leave out what cannot be told from its neighbour, and what nobody knows the chance of."""
        ticks: dict[NoteKey, list[int]] = {}
        for tick in sorted(self._slots):
            for key in self._slots[tick]:
                ticks.setdefault(key, []).append(tick)
        for key, found in ticks.items():
            for tick, after in pairwise(found):
                one, other = self._slots[tick][key], self._slots[after][key]
                if one.closes >= other.opens:
                    one.unclear = other.unclear = True
        for slots in self._slots.values():
            for key in [key for key, slot in slots.items() if slot.unclear]:
                del slots[key]


def _note(chance: float) -> float:
    """The chance that a note is heard at a step that plays with `chance`."""
    arrives = chance * (1 - LOST)
    return arrives + (1 - arrives) * STRAY


def _mean(weight: float, one: float, other: float) -> float:
    """The logarithm of the mean of two likelihoods; `weight` is that of the other."""
    return _sum(log1p(-weight) + one, log(weight) + other)


def _sum(one: float, other: float) -> float:
    """The logarithm of the sum of two numbers, given by theirs."""
    high, low = max(one, other), min(one, other)
    return high + log1p(exp(low - high))
