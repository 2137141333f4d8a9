"""From where things stand to what screens show: the snapshot, with its plain sentences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from companion.counting.pattern import place
from companion.engine.overview import Overviews
from companion.follow.agenda import Agenda, Item, planned_mutes
from companion.follow.changes import Outcome
from companion.follow.conductor import Standing
from companion.follow.mutes import TrackState
from companion.follow.tellings import Difference, differs
from companion.follow.transport import State
from companion.link.messages import Coming, Snapshot, TrackView
from companion.link.overview import PatternMap, Plan
from companion.setlist.cues import hold_ticks
from companion.setlist.model import Action, Cue, ProgramChange, SetList

# What an instrument has, whoever told it.
HELD = (Outcome.SENT, Outcome.TOLD)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the engine knows beside the conductor's standing. Times are monotonic nanoseconds.

    `fill` is whether a fill is held, `wish` the latest wish that can be undone, in words;
    `heard` is what is known of each track's mute, `found` the tick at which that was found.
    """

    now_ns: int
    tick_ns: int
    bpm: float
    jitter_ms: float
    clock_port: str
    clocks_lost: int
    demo: bool
    notice: str
    troubles: tuple[str, ...]
    sending_note: str
    started_ns: int = 0
    fill: bool = False
    wish: str = ""
    heard: Mapping[str, TrackState] = field(default_factory=dict)
    found: Mapping[str, int] = field(default_factory=dict)


class Viewer:
    """Builds snapshots of one set. Used by one thread at a time."""

    def __init__(self, setlist: SetList) -> None:
        self._setlist = setlist
        self._agenda = Agenda(setlist)
        self._overviews = Overviews(setlist)
        self._standing: Standing | None = None

    def overview(self) -> tuple[Plan | None, PatternMap | None]:
        """Plan and map as of the newest snapshot; the same objects while nothing changed."""
        return (None, None) if self._standing is None else self._overviews.at(self._standing)

    def snapshot(self, standing: Standing, around: Surroundings) -> Snapshot:
        """Everything a screen shows, as of `standing`."""
        self._standing = standing
        setlist, part, tick = self._setlist, standing.part, standing.tick
        pattern = part.pattern
        here = place(pattern, tick, standing.carried_passes, standing.carried_phrases)
        following = standing.following
        end = standing.planned_end
        muted = planned_mutes(part, end, tick)
        items = self._agenda.coming(standing, around.fill)
        change = standing.pending[0] if standing.pending else None
        sending = standing.sends and standing.armed
        open_end = standing.end is None
        return Snapshot(
            at_ns=around.now_ns,
            tick_ns=around.tick_ns,
            started_ns=around.started_ns,
            set_name=setlist.name,
            state=standing.state.value,
            sure=standing.sure,
            doubt=standing.doubt,
            sending=sending,
            sending_note="" if sending else around.sending_note,
            tempo=around.bpm,
            song=setlist.songs[part.song].title,
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
            next_part="" if following is None else following.pattern.name,
            next_song=""
            if following is None or following.song == part.song
            else setlist.songs[following.song].title,
            change_ticks=None if open_end or following is None else _left(standing, tick),
            change_part=None if open_end or following is None else following.number,
            change_program=None if open_end or change is None else self._shown(change.change),
            change_sent=change is not None and change.outcome in HELD,
            staying=standing.staying,
            wish=around.wish,
            fill=around.fill,
            coming=(
                *differing(standing, muted, around),
                *(self._coming(item, sending, around.demo, standing) for item in items),
            ),
            tracks=tuple(_track(t.name, muted, around.heard) for t in pattern.tracks),
            clock_port=around.clock_port,
            jitter_ms=around.jitter_ms,
            clocks_lost=around.clocks_lost,
            demo=around.demo,
            notice=around.notice,
            troubles=around.troubles,
        )

    def _shown(self, change: ProgramChange) -> int:
        return self._setlist.instruments[change.instrument].shown(change.program)

    def _coming(self, item: Item, sending: bool, demo: bool, standing: Standing) -> Coming:
        if item.event is not None:
            event = item.event
            sentence = step_sentence(event.track, event.step, event.what, event.chance)
            return Coming(
                tick=item.tick,
                kind=item.kind.value,
                text=f"{sentence}, muted by then" if item.muted else sentence,
                track=event.track,
                what=event.what,
                step=event.step,
                chance=event.chance,
                muted=item.muted,
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
        return Coming(
            tick=item.tick,
            kind=item.kind.value,
            text=self._change_sentence(item, sending, demo, standing),
            program=None if item.change is None else self._shown(item.change),
            part=item.part.number,
            sent=item.outcome in HELD,
            warn_ticks=standing.part.pattern.meter.bar_ticks,
        )

    def _change_sentence(self, item: Item, sending: bool, demo: bool, standing: Standing) -> str:
        to = item.part.pattern.name
        if item.part.song != standing.part.song:
            to = f"{self._setlist.songs[item.part.song].title}, {to}"
        if item.change is None:
            return f"change to {to} by hand"
        program = f"program {self._shown(item.change)}"
        name = item.change.instrument
        if item.outcome is Outcome.SENT:
            return f"change to {to}: {program} is sent to {name}"
        if item.outcome is Outcome.TOLD:
            return f"change to {to}: {name} goes there itself"
        if item.outcome is Outcome.MISSED:
            return f"{program} was not sent to {name}: {to} does not come by itself"
        if demo:
            return f"change to {to}: {program} would go to {name}"
        if item.outcome is Outcome.BY_HAND or not sending:
            return f"change to {to} by hand: {program} on {name}"
        by_then = " if sure by then" if _in_doubt(standing) else ""
        return f"change to {to}{by_then}: {program} goes to {name}"


def _track(name: str, muted: frozenset[str], heard: Mapping[str, TrackState]) -> TrackView:
    state = heard.get(name)
    if state is None:
        return TrackView(name, name in muted)
    likelihood = round(state.likelihood, 3)
    return TrackView(name, name in muted, state.muted, likelihood, state.told)


def differing(
    standing: Standing, planned: frozenset[str], around: Surroundings
) -> tuple[Coming, ...]:
    """The tracks that are not as planned, as something to do now.

    What no cue of the part speaks of is the performer's own idea: it is told for one phrase.
    """
    if not around.heard or not standing.sure:
        return ()
    part, tick = standing.part, standing.tick
    spoken = {t for c in part.cues if c.action in (Action.MUTE, Action.UNMUTE) for t in c.tracks}
    return tuple(
        Coming(
            tick=tick,
            kind="differs",
            text=_difference_sentence(each, around.heard[each.track]),
            track=each.track,
            tracks=(each.track,),
            do="mute" if each.planned else "unmute",
            chance=each.likelihood if not each.planned else 1 - each.likelihood,
        )
        for each in differs(planned, around.heard)
        if each.track in spoken
        or tick - around.found.get(each.track, tick) < part.pattern.phrase_ticks
    )


def _difference_sentence(difference: Difference, state: TrackState) -> str:
    track = difference.track
    if difference.planned:
        sure = "" if state.told else f", {_percent(1 - state.likelihood)} likely"
        return f"{track} sounds{sure}; planned: muted"
    if state.told:
        return f"{track} is muted; planned: sounding"
    if not state.ever_heard:
        return f"{track} has not been heard, muted {_percent(state.likelihood)} likely"
    return f"{track} is silent, muted {_percent(state.likelihood)} likely; planned: sounding"


def step_sentence(track: str, step: int, what: str, chance: float) -> str:
    """A rare step in plain words, such as "reverse swell (shaker, step 5), chance 50%"."""
    named = what and what != track
    name = f"{what} ({track}, step {step})" if named else f"{track}, step {step}"
    return name if chance >= 1 else f"{name}, chance {_percent(chance)}"


def cue_sentence(cue: Cue) -> str:
    """A cue in plain words, such as "mute shaker and hat"."""
    match cue.action:
        case Action.MUTE | Action.UNMUTE:
            return f"{cue.action.value} {_listed(cue.tracks)}"
        case Action.FILL:
            return f"hold the fill for {cue.hold}"
        case Action.SAY:
            return cue.text
        case Action.RELOAD:
            return "reload the pattern"
        case Action.SWEEP:
            # What to move is in the performer's own words, not always the name of a thing.
            return f"sweep: {cue.text}"


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


def _percent(chance: float) -> str:
    percent = 100 * chance
    if percent < 1:
        return "under 1%"
    return f"{min(percent, 99):.0f}%"


def _listed(names: tuple[str, ...]) -> str:
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"
