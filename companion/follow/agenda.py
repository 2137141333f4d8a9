"""The agenda: rare steps, fills, cues and changes ahead, soonest first. Pure, and without words.

The part that follows is looked into as well, so that what is due on its first tick is announced
before the boundary and not after it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import Enum

from companion.counting.forecast import StepEvent, step_events
from companion.follow.changes import Outcome
from companion.follow.conductor import Standing
from companion.setlist.cues import cue_ticks, hold_ticks
from companion.setlist.model import Action, Cue, Part, ProgramChange, SetList, WhenKind

# Most items handed out: more than any screen shows, few enough to publish often.
MOST = 32


class Kind(Enum):
    """What an item is. The values are the words of `companion status`."""

    STEP = "step"
    FILL = "fill"
    CUE = "cue"
    CHANGE = "change"


@dataclass(frozen=True, slots=True)
class Item:
    """Something that comes at `tick`, counted from the start of the running part.

    Rare steps have `event` and whether the plan has their track `muted` then, fills and cues have
    `cue`; `part` is the one it belongs to, for a change the one it leads to, with the program
    `change` if one goes out and what became of it.
    """

    tick: int
    kind: Kind
    part: Part
    event: StepEvent | None = None
    muted: bool = False
    cue: Cue | None = None
    change: ProgramChange | None = None
    outcome: Outcome | None = None


class Agenda:
    """Keeps the agenda of one set up to date; works out steps about once a pass, not each tick."""

    def __init__(self, setlist: SetList) -> None:
        self._setlist = setlist
        self._key: tuple[object, ...] = ()
        self._items: list[Item] = []

    def coming(self, standing: Standing, fill: bool = False) -> list[Item]:
        """At most `MOST` items, soonest first; cues and changes stay for one beat after their tick.

        A fill stays for as long as it is to be held, and a beat more.
        `fill` says whether a fill is held now.
        """
        pattern = standing.part.pattern
        pass_start = standing.tick - standing.tick % pattern.pass_ticks
        key = (
            standing.part.number,
            standing.carried_passes,
            standing.end,
            standing.staying,
            standing.pending,
            None if standing.following is None else standing.following.number,
            pass_start,
            fill,
        )
        if key != self._key:
            self._items = self._look_ahead(standing, pass_start, fill)
            self._key = key
        now = standing.tick
        items = [i for i in self._items if i.tick + _stays(i) > now]
        if len(items) > MOST:
            # Rare steps may be many; they never push out what the performer has to do.
            steps = [i for i in items if i.kind is Kind.STEP]
            others = [i for i in items if i.kind is not Kind.STEP][:MOST]
            items = sorted(others + steps[: MOST - len(others)], key=_by_tick)
        return items

    def _look_ahead(self, standing: Standing, from_tick: int, fill: bool) -> list[Item]:
        part, end = standing.part, standing.end
        until = from_tick + part.pattern.pass_ticks + _reach(part)
        items = list(
            self._of_part(
                part, from_tick, until if end is None else min(until, end), standing, fill
            )
        )
        following = standing.following
        if end is not None and end < until and following is not None:
            items += self._of_change(end, following, standing)
            items += self._of_following(end, following, until, standing, fill)
        return sorted(items, key=_by_tick)

    def _of_part(
        self, part: Part, from_tick: int, until: int, standing: Standing, fill: bool
    ) -> Iterator[Item]:
        end = standing.planned_end
        yield from self._steps(part, end, range(from_tick, until), standing.carried_passes, fill)
        held = max((hold_ticks(cue, part.pattern) for cue in part.cues), default=0)
        yield from _cues(part, end, max(0, from_tick - part.pattern.meter.beat_ticks - held), until)

    def _of_change(self, end: int, following: Part, standing: Standing) -> Iterator[Item]:
        if not standing.pending:
            yield Item(end, Kind.CHANGE, following)
        for pending in standing.pending:
            yield Item(end, Kind.CHANGE, following, change=pending.change, outcome=pending.outcome)

    def _of_following(
        self, end: int, following: Part, until: int, standing: Standing, fill: bool
    ) -> Iterator[Item]:
        carried = 0
        if following.instrument is not None:
            instrument = self._setlist.instruments[following.instrument]
            if not instrument.recount:
                carried = standing.carried_passes + end // standing.part.pattern.pass_ticks
        planned = following.planned_ticks
        reach = until - end if planned is None else min(until - end, planned)
        for item in self._steps(following, planned, range(reach), carried, fill):
            yield replace(item, tick=end + item.tick)
        for item in _cues(following, planned, 0, reach):
            yield replace(item, tick=end + item.tick)

    def _steps(
        self, part: Part, end: int | None, ticks: range, carried: int, fill: bool
    ) -> Iterator[Item]:
        mutes = any(cue.action is Action.MUTE for cue in part.cues)
        for event in step_events(
            part.pattern,
            ticks.start,
            ticks.stop,
            carried_passes=carried,
            fill=fill,
            rare=self._setlist.rare,
        ):
            muted = mutes and event.track in planned_mutes(part, end, event.tick)
            yield Item(event.tick, Kind.STEP, part, event=event, muted=muted)


def planned_mutes(part: Part, end: int | None, tick: int) -> frozenset[str]:
    """Names of the tracks that the plan has muted at `tick` of a part that ends at `end`."""
    latest: list[tuple[int, int, Cue]] = []
    for order, cue in enumerate(part.cues):
        if cue.action in (Action.MUTE, Action.UNMUTE):
            # A deque keeps the last of many at the speed of C.
            due = deque(cue_ticks(cue.when, part.pattern, end, 0, tick + 1), maxlen=1)
            if due:
                latest.append((due[0], order, cue))
    muted: set[str] = set()
    for _, _, cue in sorted(latest, key=lambda entry: entry[:2]):
        if cue.action is Action.MUTE:
            muted.update(cue.tracks)
        else:
            muted.difference_update(cue.tracks)
    return frozenset(muted)


def _cues(part: Part, end: int | None, from_tick: int, until: int) -> Iterator[Item]:
    for cue in part.cues:
        kind = Kind.FILL if cue.action is Action.FILL else Kind.CUE
        # What is due at the end happens on the boundary itself; a phrase that would begin there
        # is the next part's.
        last = until + (cue.when.kind is WhenKind.END and until == end)
        for tick in cue_ticks(cue.when, part.pattern, end, from_tick, last):
            yield Item(tick, kind, part, cue=cue)


def _stays(item: Item) -> int:
    """For how many ticks after its own an item is still shown."""
    if item.kind is Kind.STEP:
        return 1
    pattern = item.part.pattern
    held = 0 if item.cue is None else hold_ticks(item.cue, pattern)
    return held + pattern.meter.beat_ticks


def _reach(part: Part) -> int:
    """How far ahead the agenda looks: two phrases, but no further than 64 bars."""
    return min(2 * part.pattern.phrase_ticks, 64 * part.pattern.meter.bar_ticks)


_ORDER = {Kind.CHANGE: 0, Kind.FILL: 1, Kind.CUE: 2, Kind.STEP: 3}


def _by_tick(item: Item) -> tuple[int, int]:
    return item.tick, _ORDER[item.kind]
