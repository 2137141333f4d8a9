"""What screens are told: snapshot, agenda, plan and pass map, in values and plain sentences.

A snapshot is made of one immutable look at the conductor and of what the engine knows beside it;
agenda, plan and map are worked out only when they changed. What is worth saying about ports, files
and the computer is said by those who look after them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum

from companion.counting import (
    GridRow,
    OutOfReach,
    Pattern,
    StepEvent,
    build_grid,
    position,
    rows_beside,
    step_events,
)
from companion.follow.conductor import LayerStanding, Outcome, Standing
from companion.follow.notes import Difference, TrackState, differs, planned_mutes
from companion.follow.transport import State
from companion.link.messages import (
    BadMessage,
    Coming,
    Later,
    LayerView,
    MapRow,
    Misfit,
    PatternMap,
    PlanPart,
    PlanSong,
    ProgramView,
    SetPlan,
    Snapshot,
    TrackView,
    Trouble,
    WhyNot,
    encode_map,
    encode_plan,
    level,
)
from companion.printable import percent
from companion.setlist import (
    Action,
    Cue,
    Layer,
    Part,
    ProgramChange,
    SetList,
    WhenKind,
    cue_sentence,
    cue_ticks,
    hold_ticks,
)
from companion.setlist.course import layer_ticks, seconds_of

# What an instrument has, whoever told it.
HELD = (Outcome.SENT, Outcome.TOLD)


@dataclass(frozen=True, slots=True)
class EngineStatus:
    """What the engine knows beside the conductor's standing. Times are monotonic nanoseconds.

    `fill` is whether a fill is held, `wish` what an undo would withdraw, in words, `refused` the
    wishes that would do nothing, `later` those that would miss the coming boundary, `notice_kind`
    why one was refused that the notice answers; `heard` is what is known of each track's mute,
    `found` the tick at which that was found; `misfits` are steps that do not play as written.
    `take` is the number of the take that is recorded, None if none is. `rehearsal` says that the
    instrument is our own, `alone` that no other is told anything, `count_in` how many beats are
    left until it starts.
    """

    now_ns: int
    tick_ns: int
    bpm: float
    jitter_ms: float
    clock_port: str
    clocks_lost: int
    demo: bool
    notice: str
    troubles: tuple[Trouble, ...]
    sending_note: str
    started_ns: int = 0
    fill: bool = False
    wish: str = ""
    refused: tuple[WhyNot, ...] = ()
    later: tuple[Later, ...] = ()
    notice_kind: str = ""
    heard: Mapping[str, TrackState] = field(default_factory=dict)
    found: Mapping[str, int] = field(default_factory=dict)
    misfits: tuple[Misfit, ...] = ()
    take: int | None = None
    rehearsal: bool = False
    alone: bool = False
    count_in: int = 0


class Viewer:
    """Builds snapshots of one set. Used by one thread at a time."""

    def __init__(self, setlist: SetList) -> None:
        self._setlist = setlist
        beyond: dict[str, str] = {}
        self._agenda = Agenda(setlist, beyond)
        self._overviews = Overviews(setlist, beyond)
        self._standing: Standing | None = None

    def overview(self) -> tuple[SetPlan | None, PatternMap | None]:
        """Plan and map as of the newest snapshot; the same objects while nothing changed."""
        return (None, None) if self._standing is None else self._overviews.at(self._standing)

    def snapshot(self, standing: Standing, engine: EngineStatus) -> Snapshot:
        """Everything a screen shows, as of `standing`."""
        self._standing = standing
        setlist, part, tick = self._setlist, standing.part, standing.tick
        pattern = part.pattern
        here = position(pattern, tick, standing.carried_passes, standing.carried_phrases)
        song, following, upcoming = setlist.songs[part.song], standing.following, standing.upcoming
        end = standing.planned_end
        muted = planned_mutes(part, end, tick)
        items = self._agenda.coming(standing, engine.fill)
        change = standing.pending[0] if standing.pending else None
        sending = standing.sends and standing.armed
        open_end = standing.end is None
        return Snapshot(
            at_ns=engine.now_ns,
            tick_ns=engine.tick_ns,
            started_ns=engine.started_ns,
            set_name=setlist.name,
            state=standing.state.value,
            sure=standing.sure,
            doubt=standing.doubt,
            doubt_kind=standing.doubt_kind,
            help=standing.help,
            sending=sending,
            sending_note="" if sending else engine.sending_note,
            tempo=engine.bpm,
            song=song.title,
            song_number=part.song + 1,
            songs=len(setlist.songs),
            part=part.number,
            parts=len(setlist.parts),
            pattern=pattern.name,
            instrument=part.instrument or "",
            tick=tick,
            pass_number=here.pass_number,
            step=here.step,
            bar=here.bar,
            beat=here.beat,
            step_ticks=pattern.step_ticks,
            beat_ticks=pattern.meter.beat_ticks,
            bar_ticks=pattern.meter.bar_ticks,
            pass_ticks=pattern.pass_ticks,
            phrase_ticks=pattern.phrase_ticks,
            phrase=here.phrase,
            phrase_pass=here.phrase_pass,
            phrase_ticks_left=_to_boundary(standing, here.phrase_ticks_left),
            phrases_planned=part.phrases,
            part_ticks_left=None if end is None or tick >= end else end - tick,
            name=part.name,
            about=part.about,
            song_notes=song.notes,
            song_part=part.number - song.parts[0] + 1,
            played=_ranges(standing.played),
            back=tuple(sorted(standing.back)),
            planned_tempo=song.tempo or 0.0,
            next_number=0 if upcoming is None else upcoming.number,
            next_part="" if upcoming is None else upcoming.name,
            next_song=""
            if upcoming is None or upcoming.song == part.song
            else setlist.songs[upcoming.song].title,
            next_ticks=None if open_end or upcoming is None else _left(standing, tick),
            stop_at_end=standing.stops,
            song_over=standing.over,
            layers=tuple(_layer(each) for each in standing.layers),
            wants=tuple(
                ProgramView(each.change.instrument, self._shown(each.change), each.told, each.other)
                for each in standing.wants
            ),
            change_ticks=None if open_end or following is None else _left(standing, tick),
            change_part=None if open_end or following is None else following.number,
            change_program=None if open_end or change is None else self._shown(change.change),
            change_sent=change is not None and change.outcome in HELD,
            staying=standing.staying,
            wish=engine.wish,
            refused=engine.refused,
            later=engine.later,
            fill=engine.fill,
            coming=(
                *differing(standing, muted, engine),
                *(self._coming(item, sending, engine.demo, standing) for item in items),
            ),
            tracks=tuple(
                _track(name, muted, engine.heard)
                for name in (
                    *(t.name for t in pattern.tracks),
                    *(b.called(t.name) for b in part.layers for t in b.pattern.tracks),
                )
            ),
            misfits=engine.misfits,
            clock_port=engine.clock_port,
            jitter_ms=engine.jitter_ms,
            clocks_lost=engine.clocks_lost,
            demo=engine.demo,
            notice=engine.notice,
            notice_kind=engine.notice_kind if engine.notice else "",
            troubles=engine.troubles,
            take=engine.take,
            rehearsal=engine.rehearsal,
            alone=engine.alone,
            count_in=engine.count_in,
        )

    def _shown(self, change: ProgramChange) -> int:
        return self._setlist.instruments[change.instrument].shown(change.program)

    def _coming(self, item: Item, sending: bool, demo: bool, standing: Standing) -> Coming:
        if item.event is not None:
            event, muted = item.event, "muted by then" if item.muted else ""
            return Coming(
                tick=item.tick,
                kind=item.kind.value,
                text=step_name(event.track, event.step, event.what),
                detail=", ".join(filter(None, (_odds(event.chance), muted, _on(item.layer)))),
                track=event.track,
                what=event.what,
                step=event.step,
                chance=event.chance,
                muted=item.muted,
                layer="" if item.layer is None else item.layer.pattern.name,
            )
        if item.cue is not None:
            cue, pattern = item.cue, item.part.pattern
            return Coming(
                tick=item.tick,
                kind=item.kind.value,
                text=cue_sentence(cue),
                what=cue.text,
                do=cue.action.value,
                tracks=cue.tracks,
                hold_ticks=hold_ticks(cue, pattern),
                warn_ticks=cue.warn.ticks(pattern),
            )
        outcome, text, detail = self._change_words(item, sending, demo, standing)
        return Coming(
            tick=item.tick,
            kind=item.kind.value,
            text=text,
            detail=detail,
            program=None if item.change is None else self._shown(item.change),
            part=item.part.number,
            outcome=outcome,
            warn_ticks=standing.part.pattern.meter.bar_ticks,
        )

    def _change_words(
        self, item: Item, sending: bool, demo: bool, standing: Standing
    ) -> tuple[str, str, str]:
        """What becomes of a change, what it is, and how it comes about."""
        to = item.part.name
        if item.part.song != standing.part.song:
            to = f"{self._setlist.songs[item.part.song].title}, {to}"
        change = f"change to {to}"
        if item.change is None:
            return "hand", f"{change} by hand", ""
        program = f"program {self._shown(item.change)}"
        name = item.change.instrument
        if item.outcome is Outcome.SENT:
            return "sent", change, f"{program} is sent to {name}"
        if item.outcome is Outcome.TOLD:
            return "told", change, f"{name} goes there itself"
        if item.outcome is Outcome.MISSED:
            text = f"{program} was not sent to {name}"
            return "missed", text, f"{to} does not come by itself"
        if demo:
            return "shown", change, f"{program} would go to {name}"
        if item.outcome is Outcome.BY_HAND or not sending:
            return "hand", f"{change} by hand", f"{program} on {name}"
        by_then = " if sure by then" if _in_doubt(standing) else ""
        return "open", f"{change}{by_then}", f"{program} goes to {name}"


def _track(name: str, muted: frozenset[str], heard: Mapping[str, TrackState]) -> TrackView:
    state = heard.get(name)
    if state is None:
        return TrackView(name, name in muted)
    likelihood = round(state.likelihood, 3)
    return TrackView(name, name in muted, state.muted, likelihood, state.told)


def _on(layer: Layer | None) -> str:
    return "" if layer is None else f"on {layer.instrument}"


def _layer(each: LayerStanding) -> LayerView:
    pattern = each.layer.pattern
    here = position(pattern, each.tick)
    return LayerView(
        pattern=pattern.name,
        instrument=each.on,
        tick=each.tick,
        pass_number=here.pass_number,
        step=here.step,
        pass_ticks=pattern.pass_ticks,
        assumed=each.assumed,
    )


def _ranges(numbers: Iterable[int]) -> tuple[tuple[int, int], ...]:
    """Numbers as ranges, each from its first to its last."""
    found: list[tuple[int, int]] = []
    for number in sorted(numbers):
        if found and found[-1][1] == number - 1:
            found[-1] = found[-1][0], number
        else:
            found.append((number, number))
    return tuple(found)


def differing(
    standing: Standing, planned: frozenset[str], engine: EngineStatus
) -> tuple[Coming, ...]:
    """The tracks that are not as planned, as something to do now.

    What no cue of the part speaks of is the performer's own idea: it is told for one phrase.
    """
    if not engine.heard or not standing.sure:
        return ()
    part, tick = standing.part, standing.tick
    spoken = {t for c in part.cues if c.action in (Action.MUTE, Action.UNMUTE) for t in c.tracks}
    return tuple(
        Coming(
            tick=tick,
            kind="differs",
            text=each.track,
            detail=_difference(each, engine.heard[each.track]),
            track=each.track,
            tracks=(each.track,),
            do="mute" if each.planned else "unmute",
            chance=each.likelihood if not each.planned else 1 - each.likelihood,
        )
        for each in differs(planned, engine.heard)
        if each.track in spoken
        or tick - engine.found.get(each.track, tick) < part.pattern.phrase_ticks
    )


def _difference(difference: Difference, state: TrackState) -> str:
    """In what a track is not as planned."""
    if difference.planned:
        sure = "" if state.told else f", {percent(1 - state.likelihood)}% likely"
        return f"sounds{sure}; planned: muted"
    if state.told:
        return "is muted; planned: sounding"
    if not state.ever_heard:
        return f"has not been heard, muted {percent(state.likelihood)}% likely"
    return f"is silent, muted {percent(state.likelihood)}% likely; planned: sounding"


def step_name(track: str, step: int, what: str) -> str:
    """A rare step in plain words, such as "reverse swell (shaker, step 5)"."""
    named = what and what != track
    return f"{what} ({track}, step {step})" if named else f"{track}, step {step}"


def _odds(chance: float) -> str:
    return "" if chance >= 1 else f"chance {percent(chance)}%"


def step_sentence(track: str, step: int, what: str, chance: float) -> str:
    """A rare step and how likely it is, such as "reverse swell (shaker, step 5), chance 50%"."""
    return ", ".join(filter(None, (step_name(track, step, what), _odds(chance))))


def _in_doubt(standing: Standing) -> bool:
    """Whether a count goes on that may be wrong, so that nothing is sent for now."""
    return not standing.sure and standing.state not in (State.WAITING, State.READY)


def _to_boundary(standing: Standing, phrase_ticks_left: int) -> int:
    """Ticks to the next phrase boundary, or to the part's end where that comes first."""
    if standing.end is None:
        return phrase_ticks_left
    return min(phrase_ticks_left, max(standing.end - standing.tick, 0))


def _left(standing: Standing, tick: int) -> int | None:
    return None if standing.end is None else max(standing.end - tick, 0)


# -- the agenda -------------------------------------------------------------------------------

# Rare steps, fills, cues and changes ahead, soonest first, without words. The part that follows is
# looked into as well, so that what is due on its first tick is announced before the boundary.

# Most items handed out: more than any screen shows, few enough to publish often.
MOST_ITEMS = 32


class ItemKind(Enum):
    """What an item is. The values are the words of `companion status`."""

    STEP = "step"
    FILL = "fill"
    CUE = "cue"
    CHANGE = "change"


@dataclass(frozen=True, slots=True)
class Item:
    """Something that comes at `tick`, counted from the start of the running part.

    Rare steps have `event` and whether the plan has their track `muted` then, and their `layer` if
    they are in one; fills and cues have `cue`; `part` is the one it belongs to, for a change the
    one it leads to, with the program `change` if one goes out and what became of it.
    """

    tick: int
    kind: ItemKind
    part: Part
    event: StepEvent | None = None
    muted: bool = False
    cue: Cue | None = None
    change: ProgramChange | None = None
    outcome: Outcome | None = None
    layer: Layer | None = None


class Agenda:
    """Keeps the agenda of one set up to date; works out steps about once a pass, not each tick."""

    def __init__(self, setlist: SetList, beyond: dict[str, str] | None = None) -> None:
        """`beyond` holds why nobody can work out a pattern, by name, and is added to."""
        self._setlist = setlist
        self._key: tuple[object, ...] = ()
        self._items: list[Item] = []
        # Seconds are spent on finding that out, and not again.
        self._beyond: dict[str, str] = {} if beyond is None else beyond

    def coming(self, standing: Standing, fill: bool = False) -> list[Item]:
        """At most `MOST_ITEMS`, soonest first; cues and changes stay for one beat after their tick.

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
            tuple(each.tick - standing.tick for each in standing.layers),
            pass_start,
            fill,
        )
        if key != self._key:
            self._items = self._look_ahead(standing, pass_start, fill)
            self._key = key
        now = standing.tick
        items = [i for i in self._items if i.tick + _stays(i) > now]
        if len(items) > MOST_ITEMS:
            # Rare steps may be many; they never push out what the performer has to do.
            steps = [i for i in items if i.kind is ItemKind.STEP]
            others = [i for i in items if i.kind is not ItemKind.STEP][:MOST_ITEMS]
            items = sorted(others + steps[: MOST_ITEMS - len(others)], key=_by_tick)
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
        began = tuple(each.tick - standing.tick for each in standing.layers)
        yield from self._beside(part, end, began, range(from_tick, until), fill)
        held = max((hold_ticks(cue, part.pattern) for cue in part.cues), default=0)
        yield from _cues(part, end, max(0, from_tick - part.pattern.meter.beat_ticks - held), until)

    def _of_change(self, end: int, following: Part, standing: Standing) -> Iterator[Item]:
        if not standing.pending:
            yield Item(end, ItemKind.CHANGE, following)
        for pending in standing.pending:
            yield Item(
                end, ItemKind.CHANGE, following, change=pending.change, outcome=pending.outcome
            )

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
        began = tuple(each.tick - standing.tick for each in standing.layers)
        told = [pending.change.instrument for pending in standing.pending]
        counted = layer_ticks(following, standing.part, began, end, told)
        for item in self._beside(following, planned, counted, range(reach), fill):
            yield replace(item, tick=end + item.tick)
        for item in _cues(following, planned, 0, reach):
            yield replace(item, tick=end + item.tick)

    def _steps(
        self, part: Part, end: int | None, ticks: range, carried: int, fill: bool
    ) -> Iterator[Item]:
        mutes = any(cue.action is Action.MUTE for cue in part.cues)
        for event in self._events(part.pattern, ticks, carried, fill):
            muted = mutes and event.track in planned_mutes(part, end, event.tick)
            yield Item(event.tick, ItemKind.STEP, part, event=event, muted=muted)

    def _events(
        self, pattern: Pattern, ticks: range, carried: int, fill: bool
    ) -> Sequence[StepEvent]:
        """The rare steps; none where they cannot be worked out, which the map says."""
        if pattern.name in self._beyond:
            return ()
        try:
            return step_events(
                pattern,
                ticks.start,
                ticks.stop,
                carried_passes=carried,
                fill=fill,
                rare=self._setlist.rare,
            )
        except OutOfReach as error:
            self._beyond[pattern.name] = str(error)
            return ()

    def _beside(
        self, part: Part, end: int | None, counted: tuple[int, ...], ticks: range, fill: bool
    ) -> Iterator[Item]:
        """The rare steps of the part's layers, which had counted so far when it began."""
        mutes = any(cue.action is Action.MUTE for cue in part.cues)
        for layer, before in zip(part.layers, counted, strict=True):
            own = range(ticks.start + before, ticks.stop + before)
            for event in self._events(layer.pattern, own, 0, fill):
                at, called = event.tick - before, layer.called(event.track)
                muted = mutes and called in planned_mutes(part, end, at)
                event = replace(event, tick=at)
                yield Item(at, ItemKind.STEP, part, event=event, muted=muted, layer=layer)


def _cues(part: Part, end: int | None, from_tick: int, until: int) -> Iterator[Item]:
    for cue in part.cues:
        kind = ItemKind.FILL if cue.action is Action.FILL else ItemKind.CUE
        # What is due at the end happens on the boundary itself; a phrase that would begin there
        # is the next part's.
        last = until + (cue.when.kind is WhenKind.END and until == end)
        for tick in cue_ticks(cue.when, part.pattern, end, from_tick, last):
            yield Item(tick, kind, part, cue=cue)


def _stays(item: Item) -> int:
    """For how many ticks after its own an item is still shown."""
    if item.kind is ItemKind.STEP:
        return 1
    pattern = item.part.pattern
    held = 0 if item.cue is None else hold_ticks(item.cue, pattern)
    return held + pattern.meter.beat_ticks


def _reach(part: Part) -> int:
    """How far ahead the agenda looks: two phrases, but no further than 64 bars."""
    return min(2 * part.pattern.phrase_ticks, 64 * part.pattern.meter.bar_ticks)


_ORDER = {ItemKind.CHANGE: 0, ItemKind.FILL: 1, ItemKind.CUE: 2, ItemKind.STEP: 3}


def _by_tick(item: Item) -> tuple[int, int]:
    return item.tick, _ORDER[item.kind]


# -- the plan and the pass map ---------------------------------------------------------------

# More than a screen shows; together they are worked out in about two milliseconds.
MOST_ROWS = 128
MOST_PASSES = 64
# No screen shows more phrases than this side by side, nor fewer passes than that.
MOST_PHRASES, LEAST_PASSES = 8, 16
# The map moves on a phrase at a time, or so many passes where a phrase has more.
MOST_BLOCK = MOST_PASSES // 2
# Parts of a set that go out in one plan; of a longer set those around the running one do.
MOST_PARTS = 256
# Longer names would push others out, and no screen has room for them.
MOST_NAME = 80
# Notes of a song, at its start on the screen; the running song's are in the snapshot whole.
MOST_NOTES = 160


class Overviews:
    """Keeps plan and map of one set up to date. Used by one thread."""

    def __init__(self, setlist: SetList, beyond: dict[str, str] | None = None) -> None:
        """`beyond` is as for the agenda."""
        self._setlist = setlist
        self._beyond: dict[str, str] = {} if beyond is None else beyond
        self._plan: SetPlan | None = None
        self._map: PatternMap | None = None
        self._map_key: tuple[object, ...] = ()

    def at(self, standing: Standing) -> tuple[SetPlan, PatternMap]:
        """Plan and map as of `standing`; the very same objects while nothing changed."""
        return self.plan(standing.part.number), self.map(standing)

    def plan(self, number: int) -> SetPlan:
        """The plan of the set, of a very long one the part around part `number`."""
        plan = self._plan
        if plan is None or not self._in_sight(plan, number):
            plan = self._plan = self._fitting_plan(number)
        return plan

    def map(self, standing: Standing) -> PatternMap:
        """The map of the running pattern from the phrase before the present one on."""
        pattern = standing.part.pattern
        phrase_passes = max(1, pattern.phrase_ticks // pattern.pass_ticks)
        if phrase_passes <= MOST_BLOCK:
            phrase = standing.tick // pattern.phrase_ticks
            first = max(0, phrase - 1) * pattern.phrase_ticks // pattern.pass_ticks
        else:
            block = standing.tick // pattern.pass_ticks // MOST_BLOCK
            first = max(0, block - 1) * MOST_BLOCK
        began = tuple(each.tick - standing.tick for each in standing.layers)
        key = (standing.part.number, first, standing.carried_passes, began)
        if self._map is None or key != self._map_key:
            self._map = self._fitting_map(standing, first)
            self._map_key = key
        return self._map

    def _in_sight(self, plan: SetPlan, number: int) -> bool:
        """Whether the plan holds part `number` and, unless the set ends, some that follow it."""
        last = plan.parts[-1].number
        ahead = last if last == len(self._setlist.parts) else last - len(plan.parts) // 4
        return plan.parts[0].number <= number <= ahead

    def _fitting_plan(self, number: int) -> SetPlan:
        count = MOST_PARTS
        while True:
            plan = self._plan_of(number, count)
            try:
                encode_plan(plan)
            except BadMessage:
                # Very long names: fewer parts, but always the running one.
                count //= 2
                continue
            return plan

    def _plan_of(self, number: int, count: int) -> SetPlan:
        songs, parts = self._setlist.songs, self._setlist.parts
        # A quarter of them behind, as far as the set has so many on either side.
        first = max(0, min(number - 1 - count // 4, len(parts) - count))
        kept = parts[first : first + count]
        return SetPlan(
            set_name=self._setlist.name[:MOST_NAME],
            first_song=kept[0].song + 1,
            songs=tuple(
                PlanSong(
                    song.title[:MOST_NAME], song.tempo or 0.0, song.notes[:MOST_NOTES], song.stops
                )
                for song in songs[kept[0].song : kept[-1].song + 1]
            ),
            parts=tuple(self._part(part) for part in kept),
            seconds_before=sum(self._seconds(part) for part in parts[:first]),
            seconds_after=sum(self._seconds(part) for part in parts[first + count :]),
            curfew=self._setlist.curfew,
        )

    def _part(self, part: Part) -> PlanPart:
        own = next((c for c in part.changes if c.instrument == part.instrument), None)
        return PlanPart(
            number=part.number,
            song=part.song + 1,
            pattern=part.pattern.name[:MOST_NAME],
            name=part.name[:MOST_NAME],
            phrases=part.phrases,
            about=part.about,
            phrase_ticks=part.pattern.phrase_ticks,
            bar_ticks=part.pattern.meter.bar_ticks,
            seconds=round(self._seconds(part), 3),
            instrument=(part.instrument or "")[:MOST_NAME],
            program=None
            if own is None
            else self._setlist.instruments[own.instrument].shown(own.program),
        )

    def _seconds(self, part: Part) -> float:
        return seconds_of(self._setlist, part, part.likely_ticks) or 0.0

    def _fitting_map(self, standing: Standing, first: int) -> PatternMap:
        rows = MOST_ROWS
        while True:
            found = self._map_of(standing, first, rows)
            try:
                encode_map(found)
            except BadMessage:
                rows //= 2
                continue
            return found

    def _map_of(self, standing: Standing, first: int, most_rows: int) -> PatternMap:
        part = standing.part
        pattern = part.pattern
        phrase_passes = -(-pattern.phrase_ticks // pattern.pass_ticks)
        passes = min(MOST_PASSES, max(LEAST_PASSES, MOST_PHRASES * phrase_passes))
        rare, carried = self._setlist.rare, standing.carried_passes

        def own(most: int) -> tuple[tuple[GridRow, ...], int]:
            grid = build_grid(
                pattern, passes, first=first, most_rows=most, carried_passes=carried, rare=rare
            )
            return grid.rows, grid.left_out

        rows, left_out, note = self._rows(pattern, own, most_rows)
        for each in standing.layers:
            layer = each.layer
            from_tick = each.tick - standing.tick + first * pattern.pass_ticks

            def beside(
                most: int, layer: Layer = layer, from_tick: int = from_tick
            ) -> tuple[tuple[GridRow, ...], int]:
                found = rows_beside(
                    layer.pattern, from_tick, pattern.pass_ticks, passes, most_rows=most, rare=rare
                )
                return tuple(replace(r, track=layer.called(r.track)) for r in found[0]), found[1]

            more, out, _ = self._rows(layer.pattern, beside, max(0, most_rows - len(rows)))
            rows, left_out = rows + more, left_out + out
        return PatternMap(
            part=part.number,
            pattern=pattern.name[:MOST_NAME],
            first=first,
            passes=passes,
            pass_ticks=pattern.pass_ticks,
            phrase_ticks=pattern.phrase_ticks,
            phrases_before=standing.carried_phrases,
            rows=tuple(_row(row) for row in rows),
            left_out=left_out,
            note=note,
        )

    def _rows(
        self,
        pattern: Pattern,
        work_out: Callable[[int], tuple[tuple[GridRow, ...], int]],
        most: int,
    ) -> tuple[tuple[GridRow, ...], int, str]:
        """At most so many rows, how many are left out, and why there are none."""
        if pattern.name not in self._beyond:
            try:
                return (*work_out(most), "")
            except OutOfReach as error:
                self._beyond[pattern.name] = str(error)
        return (), 0, self._beyond[pattern.name]


def _row(row: GridRow) -> MapRow:
    return MapRow(
        track=row.track[:MOST_NAME],
        steps=row.numbers,
        what=row.what[:MOST_NAME],
        rare=row.rare,
        fill_only=row.fill_only,
        levels="".join(map(level, row.chances)),
    )
