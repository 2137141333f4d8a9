"""Which parts of a set can be found by ear, how soon, and what would help. Pure.

What a track tells of one pass against another is the divergence of what is heard of both (Kullback
and Leibler 1951, from memory), as much as `ears` believes of one step or track, added up over the
passes of the part. Draws are taken at their mean, so this is an estimate; a trial of it is
`companion rehearse --join`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from math import gcd, lcm, log

from companion.counting import Pattern, Track, compile_pattern
from companion.counting.heard import heard_chance
from companion.follow.ears import CHANCES, chances_by_pass
from companion.setlist import Part, SetList, recounts
from companion.setlist.model import listed_and

# Passes of a part that are looked into, at most, as places to join and as places to be taken for.
MOST_JOINED, MOST_TAKEN_FOR = 16, 64
# Joined within a pass, and found there only once the beat is known: so much later, in passes.
BEFORE = 1.0


@dataclass(frozen=True, slots=True)
class Outlook:
    """How it is with one part.

    From the share `found` of its passes it is found before its end, `bars` after it was joined, on
    average; 0 where it never is. `alike` are two passes (1 is the first) of which the notes cannot
    tell which one it is, `hardly` two that one step alone tells apart. `twins` are the numbers of
    all parts that play the same, itself included, if there are others; `goes_on` says that its
    instrument does not begin to count anew with it, `at_once` that it changes at any tick.
    """

    part: Part
    found: float = 0.0
    bars: float = 0.0
    alike: tuple[int, int] | None = None
    hardly: tuple[int, int] | None = None
    twins: tuple[int, ...] = ()
    goes_on: bool = False
    at_once: bool = False

    @property
    def notice(self) -> str:
        """How it is, in plain words."""
        who = f"part {self.part.number}, {self.part.name},"
        if self.goes_on:
            return f"{who} cannot be found by ear: its instrument counts on from the part before"
        if self.twins:
            which = listed_and([str(number) for number in self.twins])
            return f"parts {which} play the same: which of them it is cannot be heard"
        pair = self.alike or self.hardly
        if pair is not None and not self.found:
            how = "nothing tells" if self.alike else "one step alone tells"
            return f"{who} is not found by ear: {how} pass {pair[0]} from pass {pair[1]}"
        share = round(100 * self.found)
        where = "" if share == 100 else f" from {share}% of its passes"
        after = f"{where}, {self.bars:.0f} bars after joining it on average"
        if self.at_once:
            return f"{who} is heard{after}; its instrument changes at once, so it waits for c"
        return f"{who} is found by ear{after}"

    @property
    def better(self) -> str:
        """What would help."""
        if self.goes_on or self.twins:
            return "say which it is: choose the part and press 1 on the one"
        if self.found == 1.0:
            return "try it: companion rehearse --join"
        passes = _passes(self.part)
        return f"one rare step on another track would help, such as `pass {passes} of {passes}`"


def outlook(setlist: SetList) -> list[Outlook]:
    """Each part of the set whose tracks name their notes, in order; of those alike the first."""
    found = []
    noted = [part for part in setlist.parts if setlist.notes_of(part)]
    for part in noted:
        twins = tuple(
            other.number
            for other in noted
            if (other.pattern, other.instrument) == (part.pattern, part.instrument)
        )
        if twins[0] != part.number:
            continue
        if len(twins) > 1:
            found.append(Outlook(part, twins=twins))
        elif not recounts(setlist, part):
            found.append(Outlook(part, goes_on=True))
        else:
            found.append(_alone(setlist, part))
    return found


@dataclass(frozen=True)
class _Witness:
    """What tells passes apart: by the pass of the pattern, modulo `cycle`, the chances it has.

    `most` is how much it is believed, in nats.
    """

    cycle: int
    chances: tuple[tuple[float, ...], ...]
    most: float

    def tells(self, here: int, there: int) -> float:
        """What is heard in pass `here` against its being pass `there`, in nats, on average."""
        return _divergence(self.chances[here % self.cycle], self.chances[there % self.cycle])


@cache
def _divergence(here: tuple[float, ...], there: tuple[float, ...]) -> float:
    total = 0.0
    for one, other in zip(here, there, strict=True):
        if one != other:
            p, q = heard_chance(one, CHANCES.heard), heard_chance(other, CHANCES.heard)
            total += p * log(p / q) + (1 - p) * log((1 - p) / (1 - q))
    return total


def _witnesses(setlist: SetList, part: Part) -> Iterator[_Witness]:
    pattern, notes = part.pattern, setlist.notes_of(part)
    keys = list(notes.values())
    for track in pattern.tracks:
        key = notes.get(track.name)
        if key is None or keys.count(key) > 1:
            continue
        if pattern.pass_ticks % track.pass_ticks:
            yield _odd_length(pattern, track)
            continue
        for step in compile_pattern(pattern).tracks[_index(pattern, track)].steps:
            chances = chances_by_pass(step, fill=False)
            if len(set(chances)) == 1:
                continue
            # A shorter track goes round several times in a pass.
            times = pattern.pass_ticks // track.pass_ticks
            cycle = len(chances) // gcd(len(chances), times)
            rows = tuple(
                tuple(chances[(n * times + k) % len(chances)] for k in range(times))
                for n in range(cycle)
            )
            yield _Witness(cycle, rows, log(len(chances) / CHANCES.other_rule))


def _odd_length(pattern: Pattern, track: Track) -> _Witness:
    """A track that drifts against the pattern tells passes apart by all of its steps."""
    length, whole = track.pass_ticks, pattern.pass_ticks
    steps = compile_pattern(pattern).tracks[_index(pattern, track)].steps
    chances = {step.offset: chances_by_pass(step, fill=False) for step in steps}
    cycle = lcm(length, whole) // whole
    cycle *= max((len(each) for each in chances.values()), default=1)
    cycle = min(cycle, MOST_TAKEN_FOR)
    rows = []
    for number in range(cycle):
        row = []
        for at in range(number * whole, (number + 1) * whole, track.step_ticks):
            turn, offset = divmod(at, length)
            each = chances.get(offset - offset % track.step_ticks, (0.0,))
            row.append(each[turn % len(each)])
        rows.append(tuple(row))
    return _Witness(cycle, tuple(rows), log(length / track.step_ticks / CHANCES.other_track))


def _index(pattern: Pattern, track: Track) -> int:
    return next(n for n, each in enumerate(pattern.tracks) if each is track)


def _passes(part: Part) -> int:
    """How many passes there are to be told apart: of the part, or of a phrase of an open one."""
    ticks = part.planned_ticks or part.pattern.phrase_ticks
    return max(-(-ticks // part.pattern.pass_ticks), 1)


def _alone(setlist: SetList, part: Part) -> Outlook:
    witnesses = list(_witnesses(setlist, part))
    passes = _passes(part)
    ends = part.planned_ticks is not None
    enough = log(CHANCES.odds * passes)
    joined = range(0, passes, -(-passes // MOST_JOINED))
    found, waited = 0, 0.0
    alike: tuple[int, int] | None = None
    hardly: tuple[int, int] | None = None
    for true in joined:
        after = 0
        for other in _others(true, passes):
            until = passes - max(true, other) if ends else 4 * passes
            told, took = _told(witnesses, true, other, until, enough)
            # One that would be over by then is out as well.
            if took is None and ends and other > true:
                took = passes - other
            if took is None:
                if told == 0.0 and alike is None:
                    alike = min(true, other) + 1, max(true, other) + 1
                hardly = hardly or (min(true, other) + 1, max(true, other) + 1)
                after = -1
                break
            after = max(after, took)
        if after >= 0 and (not ends or true + after + BEFORE < passes):
            found += 1
            waited += after + BEFORE
    bars = part.pattern.pass_ticks / part.pattern.meter.bar_ticks
    share = found / len(joined)
    average = waited / found * bars if found else 0.0
    name = part.instrument
    at_once = name is not None and setlist.instruments[name].at_once
    return Outlook(part, share, average, alike, hardly, at_once=at_once)


def _others(true: int, passes: int) -> Sequence[int]:
    """The passes that one may be taken for, the nearest by powers of two first."""
    by_halves = sorted(range(1, passes), key=lambda off: (-(off & -off), off))
    return [(true + off) % passes for off in by_halves[:MOST_TAKEN_FOR]]


def _told(
    witnesses: Sequence[_Witness], true: int, other: int, until: int, enough: float
) -> tuple[float, int | None]:
    """What tells the passes apart that begin with `true` and `other`, and after how many passes."""
    each = [0.0] * len(witnesses)
    for heard in range(until):
        for n, witness in enumerate(witnesses):
            each[n] = min(each[n] + witness.tells(true + heard, other + heard), witness.most)
        if sum(each) >= enough:
            return sum(each), heard + 1
    return sum(each), None
