"""How a take went: cues due and done, parts planned and played, what was in doubt. Pure.

Everything is read off the events. A cue is held against what was done: a mute that was heard, or
that an instrument told of or was told; a fill that was held; the word `done`. Which act belongs to
which cue is the one matching with the most hits and, of those, the least lateness; an act beyond
the window of every cue of its kind is unplanned, and a cue without one is missed.

Lateness is positive for late. A transition goes by the cues within a phrase of its boundary, each
cue counted with the boundary that is nearest.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from statistics import fmean, linear_regression, stdev
from typing import Any

from companion.setlist import Span, Unit
from companion.takes.export import closed
from companion.takes.store import Store, Take
from companion.takes.story import Event

WITHIN = Span(1, Unit.BEATS)
# What a lateness may be measured in.
UNITS = (Unit.TICKS, Unit.STEPS, Unit.BEATS, Unit.BARS, Unit.MILLISECONDS)
# No more takes than so many are looked back on.
MOST_TAKES = 200
_KINDS = ("part", "cue", "mute", "wish", "fill", "sent", "start", "stop")


@dataclass(frozen=True, slots=True)
class PartPlayed:
    """A part as it was played. `clock` is where it began in the take's own ticks.

    `planned_ticks` is None for a part that the performer ends. `goes_on` is whether the next one
    followed it without a stop. `ticks` are those of its units by name (`step`, `beat` ...),
    `layers` the (pattern, instrument, ticks counted by then) of what played beside it.
    """

    part: int
    name: str
    song: str
    clock: int
    at_ns: int
    planned_ticks: int | None
    played_ticks: int
    goes_on: bool
    ticks: Mapping[str, int]
    layers: tuple[tuple[str, str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class CueScore:
    """A cue and what became of it.

    `done_tick` counts from the start of the cue's own part, as `due_tick` does. `by` is `heard`,
    `told`, `wish` or `done`. `audible` is whether anybody could hear if it was done.
    """

    part: int
    do: str
    tracks: tuple[str, ...]
    text: str
    due_tick: int
    clock: int
    at_ns: int
    audible: bool
    done_tick: int | None = None
    by: str | None = None
    late_steps: float | None = None
    late_ms: float | None = None

    @property
    def hit(self) -> bool:
        """Whether it was done in time."""
        return self.done_tick is not None


@dataclass(frozen=True, slots=True)
class Unplanned:
    """A mute that no cue asked for."""

    part: int
    tick: int
    do: str
    tracks: tuple[str, ...]
    at_ns: int


@dataclass(frozen=True, slots=True)
class Transition:
    """From one part to another, over all takes up to this one in which it was played.

    The figures are those of the cues around it, in ms; None where there are too few.
    """

    before: int
    after: int
    takes: int
    mean_ms: float | None
    sd_ms: float | None
    trend_ms_per_take: float | None


@dataclass(frozen=True, slots=True)
class Review:
    """How a take went. `sure` is the share of the time it played; None if it never did."""

    take: Take
    sure: float | None
    parts: tuple[PartPlayed, ...]
    cues: tuple[CueScore, ...]
    unplanned: tuple[Unplanned, ...]
    transitions: tuple[Transition, ...]
    doubts: tuple[Event, ...]
    bars: tuple[Event, ...] = ()
    marks: tuple[Event, ...] = ()
    faults: tuple[Event, ...] = ()


@dataclass(slots=True)
class _Act:
    """Something that was done at a tick of the take, and how it is known."""

    clock: int
    at_ns: int
    by: str


def review(store: Store, take: Take, within: Span = WITHIN) -> Review:
    """How `take` went, its transitions beside those of the takes before. Raises TakesError."""
    events = closed(store.events(take.take), take)
    by_kind: dict[str, list[Event]] = {}
    for event in events:
        by_kind.setdefault(event.kind, []).append(event)
    parts = played(events, take)
    cues, unplanned = scored(events, parts, within)
    doubts = by_kind.get("doubt", [])
    return Review(
        take,
        sure_share(events, doubts, take),
        tuple(parts),
        tuple(cues),
        tuple(unplanned),
        tuple(_transitions(store, take, within, parts, cues)),
        tuple(doubts),
        tuple(by_kind.get("bar", [])),
        tuple(by_kind.get("mark", [])),
        tuple(by_kind.get("fault", [])),
    )


def played(events: Iterable[Event], take: Take) -> list[PartPlayed]:
    """The parts in the order in which they were played, each as often as it was."""
    begun: list[tuple[Event, bool]] = []
    for event in sorted(events, key=lambda each: each.number):
        if event.kind == "part":
            begun.append((event, True))
        elif event.kind == "stop" and begun:
            begun[-1] = begun[-1][0], False
        elif event.kind == "start" and event.body.get("continue") and begun:
            begun[-1] = begun[-1][0], True
    found = []
    for index, (event, _) in enumerate(begun):
        if index and event.body.get("placed"):
            # Nothing led there.
            begun[index - 1] = begun[index - 1][0], False
    ends = [each.clock for each, _ in begun[1:]] + [take.clocks] * bool(begun)
    for index, ((event, goes_on), end) in enumerate(zip(begun, ends, strict=True)):
        body = event.body
        units = {key[:-6]: body[key] for key in body if key.endswith("_ticks") and body[key]}
        found.append(
            PartPlayed(
                event.part,
                body["name"],
                body.get("song", ""),
                event.clock,
                event.at_ns,
                body["planned_ticks"],
                max(end - event.clock, 0),
                goes_on and index + 1 < len(begun),
                units,
                tuple((e["pattern"], e["on"], e["tick"]) for e in body.get("layers", ())),
            )
        )
    return found


def sure_share(events: Iterable[Event], doubts: Iterable[Event], take: Take) -> float | None:
    """The share of the time it played in which it was sure; None if it never played."""
    plays: list[tuple[int, int]] = []
    since: int | None = None
    for event in sorted(events, key=lambda each: each.number):
        if event.kind in ("start", "part") and since is None:
            since = event.at_ns
        elif event.kind == "stop" and since is not None:
            plays.append((since, event.at_ns))
            since = None
    if since is not None:
        plays.append((since, max(round(take.seconds * 1e9), since)))
    whole = sum(end - begin for begin, end in plays)
    if not whole:
        return None
    unsure = 0
    for doubt in doubts:
        end_ns = doubt.at_ns + round(doubt.body["seconds"] * 1e9)
        unsure += sum(max(min(end_ns, end) - max(doubt.at_ns, at), 0) for at, end in plays)
    return max(1 - unsure / whole, 0.0)


# -- cues ------------------------------------------------------------------------------------


def scored(
    events: Iterable[Event], parts: Sequence[PartPlayed], within: Span = WITHIN
) -> tuple[list[CueScore], list[Unplanned]]:
    """Every cue with what was done about it, and the mutes that no cue asked for."""
    events = sorted(events, key=lambda each: each.number)
    cues = [each for each in events if each.kind == "cue"]
    mutes = [each for each in events if each.kind == "mute"]
    acts, window = _Acts(events), _Window(parts, within)
    # By cue: for each of its tracks the act that did it, one of the whole for other cues.
    done: list[list[_Act | None]] = [[None] * max(len(c.body["tracks"]), 1) for c in cues]
    planned: set[int] = set()
    for key, slots in _asked(cues).items():
        for source in acts.of(key):
            open_slots = [s for s in slots if done[s[0]][s[1]] is None]
            due = [cues[index] for index, _ in open_slots]
            for slot, act in matched(due, source, window):
                index, track = open_slots[slot]
                done[index][track] = source[act]
                planned.add(id(source[act]))
    said = acts.of(("done", ""))[0]
    words = dict(matched(cues, said, window))
    found = []
    for index, cue in enumerate(cues):
        did = done[index]
        whole = [each for each in did if each is not None]
        latest = max(whole, key=lambda each: each.at_ns) if len(whole) == len(did) else None
        if latest is None and index in words:
            latest = said[words[index]]
        found.append(_score(cue, latest, parts))
    heard = acts.mutes
    return found, [
        Unplanned(
            event.part,
            event.tick,
            "mute" if event.body["muted"] else "unmute",
            (event.body["track"],),
            event.at_ns,
        )
        for event, act in zip(mutes, heard, strict=True)
        if id(act) not in planned and not event.body.get("first")
    ]


class _Acts:
    """What was done in a take, by what it may be an answer to."""

    def __init__(self, events: Sequence[Event]) -> None:
        self._by_key: dict[tuple[str, str], list[list[_Act]]] = {}
        self.mutes: list[_Act] = []
        for event in events:
            body = event.body
            act = _Act(event.clock, event.at_ns, "")
            match event.kind:
                case "mute":
                    act.by = body["by"]
                    self.mutes.append(act)
                    self._add(0, "mute" if body["muted"] else "unmute", body["track"], act)
                case "sent" if "track" in body:
                    act.by = "told"
                    self._add(1, "mute" if body["muted"] else "unmute", body["track"], act)
                case "fill" if body["held"]:
                    act.by = body.get("by", "wish")
                    self._add(0, "fill", "", act)
                case "wish" if body["wish"] == "done" and body["taken"]:
                    act.by = "done"
                    self._add(0, "done", "", act)

    def of(self, key: tuple[str, str]) -> list[list[_Act]]:
        """The acts that may answer a cue to do that to that track, in the order of trust."""
        return self._by_key.get(key, [[], []])

    def _add(self, trust: int, do: str, track: str, act: _Act) -> None:
        self._by_key.setdefault((do, track), [[], []])[trust].append(act)


def _asked(cues: Sequence[Event]) -> dict[tuple[str, str], list[tuple[int, int]]]:
    """For each thing that is asked for the cues, by index, and which of their tracks it is."""
    found: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for index, cue in enumerate(cues):
        for track, name in enumerate(cue.body["tracks"] or [""]):
            found.setdefault((cue.body["do"], name), []).append((index, track))
    return found


class _Window:
    """By how much a cue may be missed and is still hit."""

    def __init__(self, parts: Sequence[PartPlayed], within: Span) -> None:
        self._ms = within.count if within.unit is Unit.MILLISECONDS else None
        unit = within.unit.value
        self._ticks = {each.part: within.count * each.ticks.get(unit, 1) for each in parts}

    def late(self, cue: Event, act: _Act) -> float | None:
        """How many ms late the act is for the cue; None if that is out of the window."""
        late_ms = (act.at_ns - cue.at_ns) / 1e6
        if self._ms is not None:
            return late_ms if abs(late_ms) <= self._ms else None
        return late_ms if abs(act.clock - cue.clock) <= self._ticks.get(cue.part, 0) else None


def matched(due: Sequence[Event], acts: Sequence[_Act], window: _Window) -> list[tuple[int, int]]:
    """Which act (its index) answers which cue (its index), each at most one.

    As many as there can be and, of those, with the least lateness in all. In order of time no two
    pairs of the best matching need cross, so that a table of beginnings holds it all.
    """
    cues = sorted(range(len(due)), key=lambda i: due[i].at_ns)
    done = sorted(range(len(acts)), key=lambda i: acts[i].at_ns)
    pairs: list[tuple[int, int]] = []
    for some, others in _clusters(due, cues, acts, done, window):
        pairs += _best(due, some, acts, others, window)
    return pairs


def _clusters(
    due: Sequence[Event],
    cues: Sequence[int],
    acts: Sequence[_Act],
    done: Sequence[int],
    window: _Window,
) -> Iterator[tuple[list[int], list[int]]]:
    """Cues and acts that may have to do with each other, apart from all others."""
    times = [acts[each].at_ns for each in done]
    some: list[int] = []
    first = last = 0
    for cue in cues:
        begin = end = bisect_left(times, due[cue].at_ns)
        while begin and window.late(due[cue], acts[done[begin - 1]]) is not None:
            begin -= 1
        while end < len(done) and window.late(due[cue], acts[done[end]]) is not None:
            end += 1
        if some and begin >= last:
            yield some, list(done[first:last])
            some = []
        if not some:
            first = last = begin
        if begin < end:
            some.append(cue)
            last = max(last, end)
            first = min(first, begin)
    if some:
        yield some, list(done[first:last])


def _best(
    due: Sequence[Event],
    cues: Sequence[int],
    acts: Sequence[_Act],
    done: Sequence[int],
    window: _Window,
) -> list[tuple[int, int]]:
    """The best matching of a cluster, both in the order of time."""
    # For the first i cues and j acts: how many pairs, and minus all their lateness.
    rows: list[list[tuple[int, float]]] = [[(0, 0.0)] * (len(done) + 1)]
    for i, cue in enumerate(cues):
        row = [(0, 0.0)]
        for j, act in enumerate(done):
            best = max(rows[i][j + 1], row[j])
            late = window.late(due[cue], acts[act])
            if late is not None:
                count, cost = rows[i][j]
                best = max(best, (count + 1, cost - abs(late)))
            row.append(best)
        rows.append(row)
    pairs: list[tuple[int, int]] = []
    i, j = len(cues), len(done)
    while i and j:
        if rows[i][j] == rows[i - 1][j]:
            i -= 1
        elif rows[i][j] == rows[i][j - 1]:
            j -= 1
        else:
            i, j = i - 1, j - 1
            pairs.append((cues[i], done[j]))
    return pairs


def _score(cue: Event, act: _Act | None, parts: Sequence[PartPlayed]) -> CueScore:
    body = cue.body
    known = CueScore(
        cue.part,
        body["do"],
        tuple(body["tracks"]),
        body.get("text", ""),
        cue.tick,
        cue.clock,
        cue.at_ns,
        bool(body.get("heard")) or body["do"] == "fill",
    )
    if act is None:
        return known
    step = next((each.ticks["step"] for each in parts if each.part == cue.part), 6)
    off = act.clock - cue.clock
    return replace(
        known,
        done_tick=cue.tick + off,
        by=act.by,
        late_steps=round(off / step, 3),
        late_ms=round((act.at_ns - cue.at_ns) / 1e6, 3),
    )


# -- transitions -----------------------------------------------------------------------------


@dataclass(slots=True)
class _Over:
    """What one transition came to, over takes."""

    takes: int = 0
    # The ordinal of the take, from 0, and a lateness in ms.
    late: list[tuple[int, float]] = field(default_factory=list)


def _transitions(
    store: Store,
    take: Take,
    within: Span,
    parts: Sequence[PartPlayed],
    cues: Sequence[CueScore],
) -> list[Transition]:
    mine = around(parts, cues)
    over = {key: _Over() for key in mine}
    names = {each.part: each.name for each in parts}
    earlier = [each for each in store.takes() if each.file == take.file and each.take < take.take][
        :MOST_TAKES
    ]
    for each in reversed(earlier):
        events = store.events(each.take, _KINDS)
        before = played(events, each)
        if any(names.get(part.part, part.name) != part.name for part in before):
            # Another set by now, under the same numbers.
            continue
        _add(over, around(before, scored(events, before, within)[0]))
    _add(over, mine)
    found = []
    for (first, second), sums in over.items():
        late = [ms for _, ms in sums.late]
        ordinals = [at for at, _ in sums.late]
        trend = linear_regression(ordinals, late).slope if len(set(ordinals)) > 1 else None
        found.append(
            Transition(
                first,
                second,
                sums.takes,
                round(fmean(late), 3) if late else None,
                round(stdev(late), 3) if len(late) > 1 else None,
                None if trend is None else round(trend, 3),
            )
        )
    return found


def _add(
    over: Mapping[tuple[int, int], _Over], found: Mapping[tuple[int, int], list[CueScore]]
) -> None:
    for key, cues in found.items():
        if key in over:
            each = over[key]
            each.late += [(each.takes, c.late_ms) for c in cues if c.late_ms is not None]
            each.takes += 1


def around(
    parts: Sequence[PartPlayed], cues: Sequence[CueScore]
) -> dict[tuple[int, int], list[CueScore]]:
    """For each transition, by the numbers of its parts, the cues that belong to it."""
    found: dict[tuple[int, int], list[CueScore]] = {}
    boundaries = []
    for before, after in pairwise(parts):
        if before.goes_on:
            found[before.part, after.part] = []
            phrases = before.ticks.get("phrase", 0), after.ticks.get("phrase", 0)
            boundaries.append((after.clock, *phrases, (before.part, after.part)))
    at = 0
    for cue in sorted(cues, key=lambda each: each.clock):
        while at + 1 < len(boundaries) and (
            abs(boundaries[at + 1][0] - cue.clock) <= abs(boundaries[at][0] - cue.clock)
        ):
            at += 1
        if boundaries:
            clock, ahead, behind, key = boundaries[at]
            if clock - ahead <= cue.clock < clock + behind:
                found[key].append(cue)
    return found


def document(found: Review) -> dict[str, Any]:
    """The object of `review --json`, version 1."""
    return {
        "version": 1,
        "take": found.take.take,
        "sure": None if found.sure is None else round(found.sure, 6),
        "parts": [
            {
                "part": each.part,
                "name": each.name,
                "planned_ticks": each.planned_ticks,
                "played_ticks": each.played_ticks,
                "layers": [
                    {"pattern": pattern, "on": on, "tick": tick}
                    for pattern, on, tick in each.layers
                ],
            }
            for each in found.parts
        ],
        "cues": [
            {
                "part": each.part,
                "do": each.do,
                "tracks": list(each.tracks),
                "due_tick": each.due_tick,
                "done_tick": each.done_tick,
                "by": each.by,
                "late_steps": each.late_steps,
                "late_ms": each.late_ms,
                "result": "hit" if each.hit else "missed",
                "audible": each.audible,
            }
            for each in found.cues
        ],
        "unplanned": [
            {
                "part": each.part,
                "tick": each.tick,
                "do": each.do,
                "tracks": list(each.tracks),
            }
            for each in found.unplanned
        ],
        "transitions": [
            {
                "from": each.before,
                "to": each.after,
                "takes": each.takes,
                "mean_ms": each.mean_ms,
                "sd_ms": each.sd_ms,
                "trend_ms_per_take": each.trend_ms_per_take,
            }
            for each in found.transitions
        ],
        "doubts": [
            {
                "at_s": round(each.at_ns / 1e9, 6),
                "seconds": each.body["seconds"],
                "why": each.body["why"],
            }
            for each in found.doubts
        ],
    }
