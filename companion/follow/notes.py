"""What the notes of an instrument tell: which tracks are muted, what changes were taken. Pure.

First what may be heard of a pattern: every listed step in time, and its chance given what was heard
so far. Two listeners weigh what comes or stays away against that. `MuteWatch` tells muted tracks
from sounding ones in one part, and `HeardMutes` gives each part of a set its own, by what the
conductor counts; both hand on what they hear to `drift`, which looks for steps that do not fit the
list. `ObeyedWatch` tells whether a program change was taken, from the first pass after
the boundary, and `ChangeCheck` listens part after part. What screens say of it is elsewhere.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from itertools import pairwise
from math import exp, log, log1p

from companion.counting import TICKS_PER_QUARTER, Pattern, Step
from companion.counting.heard import RATES, heard_chance
from companion.follow.belief import World
from companion.follow.conductor import PRESUMED_NS, Conductor, Send, Stretch
from companion.follow.drift import Misfit, PatternDrift
from companion.follow.presses import ChannelMessage, Matches, parse
from companion.follow.transport import State
from companion.setlist import (
    Action,
    Cue,
    Instrument,
    Kind,
    Layer,
    NoteKey,
    Part,
    SetList,
    Tells,
    cue_ticks,
)

# -- what may be heard ------------------------------------------------------------------------

# Knows no mutes and draws no conclusions: those who listen stand below. Ticks count from the start
# of the part.

LOST, STRAY = RATES.lost, RATES.stray
# A note may be labelled with the tick before its own when it overtakes the clock; swing of two
# thirds delays a sixteenth by 2 ticks, of three quarters by 3 (common practice, no source).
EARLY, LATE = 1, 3
# A belief further from 0 and 1 than this is no ground to expect anything on.
_DOUBTFUL = 0.01


@dataclass(frozen=True, slots=True)
class Occasion:
    """A listed step at one of its passes: it may play at `tick`.

    `order` is its track's place in the file; `in_first` says that the part began during this pass
    of the track. A note of it is heard from `opens` to `closes`, both included.
    """

    tick: int
    order: int
    track: str
    step: Step
    pass_number: int
    in_first: bool
    opens: int
    closes: int


def window(step_ticks: int) -> tuple[int, int]:
    """How many ticks early and late a note may come, so that it cannot be the next step's."""
    early = min(EARLY, step_ticks - 1)
    return early, min(LATE, step_ticks - 1 - early)


def occasions(
    pattern: Pattern, from_tick: int, until_tick: int, carried_passes: int = 0
) -> list[Occasion]:
    """Every listed step with its tick in [from_tick, until_tick), in the order of decision.

    `carried_passes` are the passes that the instrument had counted when the part began. What its
    rule says does not matter here: a step that surely stays silent is listed too.
    """
    start = carried_passes * pattern.pass_ticks
    low, high = start + max(0, from_tick), start + until_tick
    found = []
    for order, track in enumerate(pattern.tracks):
        early, late = window(track.step_ticks)
        length = track.pass_ticks
        first = start // length
        for at in range(low // length, -(-high // length)):
            for step in track.steps:
                count = at * length + (step.number - 1) * track.step_ticks
                if low <= count < high:
                    tick = count - start
                    found.append(
                        Occasion(
                            tick,
                            order,
                            track.name,
                            step,
                            at + 1,
                            at == first,
                            tick - early,
                            tick + late,
                        )
                    )
    found.sort(key=lambda each: (each.tick, each.order))
    return found


class Memories:
    """What the latest conditional step of each track did, as far as hearing and counting tell.

    A belief is the chance that it played; None is unknown. Nothing is worked out for steps whose
    `if` looks at something unknown: their marginal chances hang together, and to take them for
    independent would make a run of silence look far less likely than it is.
    """

    def __init__(self, pattern: Pattern) -> None:
        self._tracks = tuple(track.name for track in pattern.tracks)
        # As a track sees itself, and as others see it: see `settle`.
        self._own: dict[str, float | None] = {}
        self._seen: dict[str, float | None] = {}
        self.begin()

    def begin(self) -> None:
        """The part begins: no earlier conditional step reads as silent."""
        self._own = dict.fromkeys(self._tracks, 0.0)
        self._seen = dict.fromkeys(self._tracks, 0.0)

    def forget(self) -> None:
        """The position moved: nothing is known of the steps before it."""
        self._own = dict.fromkeys(self._tracks, None)
        self._seen = dict.fromkeys(self._tracks, None)

    def chance(self, occasion: Occasion, fill: bool | None) -> float | None:
        """The chance that the step plays now, given all that was heard; None if unknown.

        `fill` says whether a fill is held, None if that is not known.
        """
        rule = occasion.step.rule
        if not rule.conditional:
            return 1.0
        if (
            rule.impossible
            or not all(cycle.holds(occasion.pass_number) for cycle in rule.cycles)
            or (rule.first is not None and rule.first != occasion.in_first)
            or (rule.fill is not None and fill is not None and rule.fill != fill)
        ):
            return 0.0
        chance = float(rule.chance)
        unknown = rule.fill is not None and fill is None
        for condition in rule.conditions:
            name = condition.track
            # A track that the pattern does not have never played.
            if name is None or name == occasion.track:
                belief = self._own[occasion.track]
            else:
                belief = self._seen.get(name, 0.0)
            if belief is None or _DOUBTFUL < belief < 1 - _DOUBTFUL:
                unknown = True
                continue
            chance *= belief if condition.played else 1.0 - belief
        if chance == 0.0:
            return 0.0
        return None if unknown else chance

    def settle(
        self, occasion: Occasion, chance: float | None, heard: bool | None, *, muted: float
    ) -> None:
        """Take in that the step is over: `chance` as told before, and whether a note was heard.

        `heard` is None for a track that is not listened to. `muted` is the likelihood that the
        track is muted, when its silence says nothing about the draw: other tracks reckon with that.
        The track itself is weighed as if it had sounded all along.
        """
        name = occasion.track
        if not occasion.step.rule.conditional:
            return
        if heard is None:
            self._own[name] = self._seen[name] = chance
            return
        prior = 0.5 if chance is None else chance
        # Bayes, with lost and stray notes.
        if heard:
            played, silent = prior * (1 - LOST), (1 - prior) * STRAY
        else:
            played, silent = prior * LOST, (1 - prior) * (1 - STRAY)
        sounding = played / (played + silent)
        self._own[name] = sounding
        self._seen[name] = (1 - muted) * sounding + muted * prior


# -- which tracks are muted -------------------------------------------------------------------

# The instrument does not say what it mutes, but it sends what it plays. For each track two stories
# are weighed, muted and sounding: the odds between them are brought up to date at each step that
# could have played (Bayes), and before each the known state may have changed, with a small chance.
# The other state is taken on when its likelihood is high enough. An instrument that tells its mutes
# (`tells` in the set list) is believed at once.
#
# Sources, all from memory: the first verdict is Wald's sequential probability ratio test (Wald
# 1945); the watch for changes is the Shiryaev-Roberts procedure (Shiryaev 1963, Roberts 1966),
# whose mean time to a false alarm is at least the odds asked for divided by the chance of a change
# a pass (Pollak 1985): here 99 x 64, or 6336 passes.

# Odds at which a state is taken on when nothing was known: Wald's bound with errors of 1 in 1,000.
FIRST_ODDS = 999.0
# Odds at which a known state is given up for the other.
CHANGE_ODDS = 99.0
# A performer is presumed to mute or un-mute a track once in this many passes (no source).
PASSES_BETWEEN = 64
# A step over more ticks than these is a jump: notes in between went unheard.
JUMP_TICKS = 6

SHARED = "shares its note with another track"
NO_NOTE = "no note is given for it"


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


@dataclass(frozen=True, slots=True)
class TrackState:
    """What is known of a track: `muted` None while undecided.

    `likelihood` (0 to 1) is that of its being muted. `told` says that the instrument itself said
    so. `ever_heard` is False until a note of the track comes in: it may be muted or never send.
    """

    muted: bool | None
    likelihood: float
    told: bool = False
    ever_heard: bool = False


@dataclass(frozen=True, slots=True)
class MuteChange:
    """A track was found muted or sounding at `tick`, `likelihood` that of its being muted."""

    tick: int
    track: str
    muted: bool
    likelihood: float


class _Ear:
    """One track that is listened to."""

    __slots__ = ("change", "ever_heard", "muted", "odds", "told")

    def __init__(self, change: float, known: bool | None) -> None:
        # Chance of a change of state before each of its steps.
        self.change = change
        self.muted = known
        # Likelihood of muted over that of sounding.
        self.odds = 1.0 if known is None else (1 / change if known else change)
        self.told = False
        self.ever_heard = False

    @property
    def likelihood(self) -> float:
        return self.odds / (1 + self.odds)

    def weigh(self, chance: float, heard: bool) -> None:
        """Take in one step that plays with `chance` if the track sounds."""
        odds, change = self.odds, self.change
        # Only the change that is watched for is reckoned with: the way back would cap the odds
        # below any verdict where a step hardly ever plays. Adding, as Shiryaev-Roberts does, keeps
        # the bound on false alarms through any length of silence.
        if self.muted is False:
            odds += change
        elif self.muted:
            odds /= 1 + odds * change
        note = heard_chance(chance)
        self.odds = odds * (STRAY / note if heard else (1 - STRAY) / (1 - note))

    def verdict(self) -> bool | None:
        """Whether the track is muted, by the odds as they stand and the state as it was."""
        if self.muted is None:
            if self.odds >= FIRST_ODDS:
                return True
            return False if self.odds <= 1 / FIRST_ODDS else None
        if self.muted:
            return self.odds > 1 / CHANGE_ODDS
        return self.odds >= CHANGE_ODDS


class _Window:
    __slots__ = ("heard", "occasion")

    def __init__(self, occasion: Occasion) -> None:
        self.occasion = occasion
        self.heard = False


class MuteWatch:
    """Watches the tracks of one part. Not thread-safe: one caller at a time.

    `notes` gives the note of each track that sends, channel None for any; `known` what is known of
    mutes from before; `fill` whether a fill is held, None if nobody can tell. `hears` says that
    notes of this instrument have been heard before: until one has, silence proves nothing.
    `drift` is told of all that is heard. `unwatched` gives the tracks that cannot be watched, and
    why.

    Feed it only while the count is sure. A tick that does not follow the one before is a jump.
    """

    def __init__(
        self,
        pattern: Pattern,
        notes: Mapping[str, NoteKey],
        *,
        carried_passes: int = 0,
        known: Mapping[str, bool] | None = None,
        fill: bool | None = False,
        hears: bool = False,
        drift: PatternDrift | None = None,
    ) -> None:
        self._pattern = pattern
        self._carried = carried_passes
        self._carried_ticks = carried_passes * pattern.pass_ticks
        self.hears = hears
        self._drift = drift
        self._fill = self._fill_before = fill
        self._fill_tick = 0
        self._memories = Memories(pattern)
        self._ears: dict[str, _Ear] = {}
        self.unwatched: dict[str, str] = {}
        self._by_note: dict[tuple[int | None, int], str] = {}
        given = [notes[t.name] for t in pattern.tracks if t.name in notes]
        for track in pattern.tracks:
            note = notes.get(track.name)
            if note is None or sum(_meet(note, other) for other in given) > 1:
                self.unwatched[track.name] = NO_NOTE if note is None else SHARED
                continue
            change = 1 / (PASSES_BETWEEN * max(1, len(track.steps)))
            self._ears[track.name] = _Ear(change, (known or {}).get(track.name))
            self._by_note[note.channel, note.number] = track.name
        self._windows: deque[_Window] = deque()
        self._tick = 0
        self._until = 0

    # -- what is heard -----------------------------------------------------------------------

    def heard(
        self, tick: int, channel: int, note: int, late_ms: float = 0.0, tick_ms: float = 1.0
    ) -> None:
        """Take a note that began `late_ms` after the clock of `tick`; a tick lasts `tick_ms`.

        Releases and notes of velocity 0 do not belong here.
        """
        track = self._by_note.get((channel, note)) or self._by_note.get((None, note))
        if track is None:
            return
        self.hears = True
        self._ears[track].ever_heard = True
        if abs(tick - self._tick) > JUMP_TICKS:
            self.moved(tick)
        self._lay_out(tick)
        # While a fill is held, nobody can say what is to be silent.
        if self._drift is not None and not self._fill:
            self._drift.note(track, self._carried_ticks + tick, late_ms, tick_ms)
        for window in self._windows:
            occasion = window.occasion
            if occasion.opens > tick:
                if occasion.tick > tick + EARLY:
                    break
            elif occasion.track == track and tick <= occasion.closes:
                window.heard = True

    def passed(self, tick: int) -> tuple[MuteChange, ...]:
        """Tell that `tick` has come, and with it all notes before it. Returns what was found."""
        if not 0 <= tick - self._tick <= JUMP_TICKS:
            self.moved(tick)
            return ()
        self._tick = tick
        self._lay_out(tick)
        if self._drift is not None:
            self._drift.passed(self._carried_ticks + tick, LATE)
        windows = self._windows
        if not windows or windows[0].occasion.closes >= tick:
            return ()
        changes = []
        while windows and windows[0].occasion.closes < tick:
            window = windows.popleft()
            change = self._settle(window.occasion, window.heard)
            if change is not None:
                changes.append(change)
        return tuple(changes)

    def moved(self, tick: int) -> None:
        """Tell that the count was set to `tick`: open steps are dropped, states are kept."""
        self._windows.clear()
        if self._drift is not None:
            self._drift.moved(self._carried_ticks + max(0, tick))
        self._tick = self._until = max(0, tick)
        if tick <= 0:
            self._memories.begin()
        else:
            self._memories.forget()

    def hold_fill(self, tick: int, fill: bool | None) -> None:
        """Tell that from `tick` a fill is held, or not, or that nobody knows."""
        self._fill_before, self._fill, self._fill_tick = self._fill, fill, tick

    # -- what is told ------------------------------------------------------------------------

    def told(self, track: str, muted: bool | None) -> MuteChange | None:
        """Take the instrument's own word, which overrides what notes say; None is a toggle.

        A toggle turns round what was thought so far, and notes may correct that again. Returns the
        change, if it is one. Raises KeyError for a track the pattern does not have.
        """
        ear = self._ears.get(track)
        if ear is None:
            if track not in self.unwatched:
                raise KeyError(track)
            ear = self._ears[track] = _Ear(1 / PASSES_BETWEEN, None)
        before = ear.muted
        if muted is None:
            ear.odds = 1 / ear.odds
            ear.muted = None if before is None else not before
        else:
            ear.muted, ear.told = muted, True
        if ear.muted is None or ear.muted == before:
            return None
        return MuteChange(self._tick, track, ear.muted, self.state(track).likelihood)

    def due(self, track: str) -> None:
        """Tell that the performer means to mute or un-mute `track` now.

        Nobody knows yet whether he did, so the state is open until the next steps show it. A track
        that the instrument itself tells of stays as told.
        """
        ear = self._ears.get(track)
        if ear is not None and not ear.told:
            ear.muted, ear.odds = None, 1.0

    def state(self, track: str) -> TrackState:
        """What is known of a track; undecided for one that is not watched."""
        ear = self._ears.get(track)
        if ear is None:
            return TrackState(None, 0.5)
        if ear.told and ear.muted is not None:
            return TrackState(ear.muted, float(ear.muted), True, ear.ever_heard)
        return TrackState(ear.muted, ear.likelihood, False, ear.ever_heard)

    def states(self) -> dict[str, TrackState]:
        """What is known of every track of the pattern."""
        return {track.name: self.state(track.name) for track in self._pattern.tracks}

    # -- inside ------------------------------------------------------------------------------

    def _lay_out(self, tick: int) -> None:
        """Open the windows of all steps that a note at `tick` may belong to."""
        while tick + EARLY >= self._until:
            # A beat at a time: a whole pass of a large pattern would take milliseconds.
            until = self._until + TICKS_PER_QUARTER
            found = occasions(self._pattern, self._until, until, self._carried)
            self._windows.extend(map(_Window, found))
            self._until = until

    def _settle(self, occasion: Occasion, heard: bool) -> MuteChange | None:
        chance = self._memories.chance(occasion, self._fill_at(occasion))
        ear = self._ears.get(occasion.track)
        if ear is None or occasion.track in self.unwatched:
            self._memories.settle(occasion, chance, None, muted=0.5)
            return None
        if self._drift is not None and chance is not None:
            at = self._carried_ticks + occasion.tick
            self._drift.settled(occasion.track, occasion.step.number, at, chance, heard)
        if chance and self.hears:
            ear.weigh(chance, heard)
        muted = float(ear.muted) if ear.told and ear.muted is not None else ear.likelihood
        self._memories.settle(occasion, chance, heard, muted=muted)
        verdict = ear.verdict()
        if ear.told or verdict is None or verdict == ear.muted:
            return None
        ear.muted = verdict
        return MuteChange(self._tick, occasion.track, verdict, ear.likelihood)

    def _fill_at(self, occasion: Occasion) -> bool | None:
        """Whether a fill was held when the step was decided, None within a tick of a change."""
        off = occasion.tick - self._fill_tick
        if abs(off) <= 1 and self._fill != self._fill_before:
            return None
        return self._fill if off >= 0 else self._fill_before


def _meet(one: NoteKey, other: NoteKey) -> bool:
    """Whether one note may be both."""
    apart = None not in (one.channel, other.channel) and one.channel != other.channel
    return one.number == other.number and not apart


@dataclass(frozen=True, slots=True)
class Told:
    """What one message says: for each track whether it is muted, None for a toggle.

    `fill` says whether a fill is held from now on, None if the message says nothing of that.
    """

    mutes: tuple[tuple[str, bool | None], ...] = ()
    fill: bool | None = None


NOTHING = Told()


@dataclass(frozen=True, slots=True)
class Difference:
    """A track that is not as planned; `likelihood` is that of its being muted."""

    track: str
    planned: bool
    likelihood: float


def told_by(tells: Tells, message: Sequence[int]) -> Told:
    """What a message of the instrument says by `tells`.

    The mutes are meant for `MuteWatch.told`. The caller sees to it that it is that instrument's.
    """
    heard = parse(message)
    if heard is None:
        return NOTHING
    mutes: list[tuple[str, bool | None]] = []
    for told in tells.mutes:
        if not heard.fits(told.address):
            continue
        if not told.toggles:
            # Of a note the velocity is no matter, only whether it is held.
            value = 127 * heard.on if heard.kind is Kind.NOTE else heard.value
            mutes.append((told.track, told.muted(value)))
        elif heard.on:
            mutes.append((told.track, None))
    fill = heard.on if tells.fill is not None and heard.fits(tells.fill) else None
    return Told(tuple(mutes), fill) if mutes or fill is not None else NOTHING


def differs(
    planned_mutes: Collection[str], states: Mapping[str, TrackState]
) -> tuple[Difference, ...]:
    """The tracks whose mutes are known and not as planned, in the order of `states`.

    Call `MuteWatch.due` for each track whose mute the plan changes, or what was true before the
    cue is held against the performer until the next steps have been heard.
    """
    return tuple(
        Difference(track, track in planned_mutes, state.likelihood)
        for track, state in states.items()
        if state.muted is not None and state.muted != (track in planned_mutes)
    )


NOBODY: Mapping[str, TrackState] = {}


class _Voice:
    """One pattern that plays and is listened to: the part's own, or that of a layer.

    `ahead` is how far its count is ahead of the part's; `assumed` says that nobody knows it so.
    """

    __slots__ = (
        "ahead",
        "assumed",
        "drift",
        "feeds",
        "fill",
        "instrument",
        "latest",
        "layer",
        "pattern",
        "watch",
    )

    def __init__(
        self,
        what: Part | Layer,
        instrument: Instrument | None,
        watch: MuteWatch,
        drift: PatternDrift,
        fill: bool | None,
        ahead: int = 0,
    ) -> None:
        self.pattern = what.pattern
        self.layer = what if isinstance(what, Layer) else None
        self.instrument = instrument
        self.watch, self.drift = watch, drift
        self.ahead, self.assumed = ahead, False
        self.feeds, self.fill = False, fill
        # Notes since the latest tick: one that overtakes the clock belongs to the next part.
        self.latest: list[ChannelMessage] = []

    def called(self, track: str) -> str:
        """A track as cues call it."""
        return track if self.layer is None else self.layer.called(track)

    def is_layer(self, what: Part | Layer) -> bool:
        """Whether it is that of a layer of this pattern on this instrument."""
        mine = self.layer
        return (
            mine is not None
            and isinstance(what, Layer)
            and (mine.pattern.name, mine.instrument) == (what.pattern.name, what.instrument)
        )

    def rest(self) -> None:
        """Nothing that is heard now says anything."""
        self.feeds = False
        self.latest.clear()

    def feed(self, tick: int, fill: bool | None) -> None:
        """The part is at `tick`, and that is sure."""
        own = tick + self.ahead
        if not self.feeds:
            self.feeds = True
            self.watch.moved(own)
            if own == 0:
                for heard in self.latest:
                    self.watch.heard(0, heard.channel, heard.number)
        if fill != self.fill:
            self.fill = fill
            self.watch.hold_fill(own, fill)
        self.latest.clear()


class HeardMutes:
    """Listens for the mutes of one set, part by part. Not thread-safe: one caller at a time.

    `matches` tells whether a glob fits a port's name. `states` is what is known of each track of
    the running part and of its layers, as cues call it, `found` the tick at which that was last
    found to have changed.
    """

    def __init__(self, setlist: SetList, matches: Matches) -> None:
        self._setlist = setlist
        self._matches = matches
        self._notes = {
            (each.pattern.name, each.instrument): setlist.notes_of(each)
            for each in setlist.all_that_plays()
        }
        # What an instrument itself said of its tracks, and whether it ever sent a note of them.
        self._told: dict[str, dict[str, bool]] = {}
        self._sends_notes: set[str] = set()
        self._voices: list[_Voice] = []
        # What is known of each pattern's steps, by the instrument that plays it.
        self._drifts: dict[tuple[str, str | None], PatternDrift] = {}
        self._stretch: Stretch | None = None
        self._part: Part | None = None
        self._planned: frozenset[str] = frozenset()
        self._plans = False
        self._tick = -1
        self.found: dict[str, int] = {}

    @property
    def states(self) -> Mapping[str, TrackState]:
        """What is known of every track that plays now; empty where nothing can be heard."""
        if not self._voices:
            return NOBODY
        return {
            voice.called(track): state
            for voice in self._voices
            for track, state in voice.watch.states().items()
        }

    @property
    def muted(self) -> dict[str, bool]:
        """The tracks of which it is known whether they are muted."""
        return {name: s.muted for name, s in self.states.items() if s.muted is not None}

    @property
    def misfits(self) -> tuple[Misfit, ...]:
        """The steps of what plays that do not sound as the set list says."""
        return tuple(
            misfit if voice.layer is None else replace(misfit, track=voice.called(misfit.track))
            for voice in self._voices
            for misfit in voice.drift.misfits
        )

    def take_over(self, before: HeardMutes) -> None:
        """Know what instruments said while `before` listened, for another version of the set."""
        self._told = before._told
        before._note_who_sends()
        now = {(e.pattern.name, e.instrument): e.pattern for e in self._setlist.all_that_plays()}
        self._drifts = {k: d for k, d in before._drifts.items() if now.get(k) == d.pattern}
        self._sends_notes = before._sends_notes

    def hear(self, port: str, message: Sequence[int], conductor: Conductor, t_ns: int) -> None:
        """Take one channel message that arrived on `port` at `t_ns`."""
        if not self._voices or self._part is not conductor.part:
            return
        heard = parse(message)
        note = heard is not None and heard.kind is Kind.NOTE and heard.on
        for voice in self._voices:
            instrument = voice.instrument
            if instrument is not None and not self._is_on(instrument, port):
                continue
            if instrument is not None and instrument.tells.mutes:
                self._hear_told(voice, instrument, message, conductor)
            if note and heard is not None:
                voice.latest.append(heard)
                if voice.feeds:
                    tick = max(conductor.tick, 0) + voice.ahead
                    late_ms = (t_ns - conductor.clock_ns) / 1e6
                    tick_ms = (conductor.ticks.period_ns or PRESUMED_NS) / 1e6
                    voice.watch.heard(tick, heard.channel, heard.number, late_ms, tick_ms)

    def ticked(self, conductor: Conductor, fill: bool | None) -> None:
        """Tell that `conductor` may have counted a tick.

        `fill` says whether a fill is held, None if nobody can tell.
        """
        stretch, tick = conductor.stretch, conductor.tick
        if stretch != self._stretch:
            self._begin(conductor, fill)
        elif tick == self._tick:
            return
        self._tick = tick
        if not self._voices:
            return
        known = conductor.sure and conductor.state is State.RUNNING and tick >= 0
        for voice in self._voices:
            if known and not voice.assumed:
                voice.feed(tick, fill)
            else:
                voice.rest()
        if not known:
            return
        if self._plans and tick % conductor.part.pattern.step_ticks == 0:
            self._follow_plan(conductor, tick)
        for voice in self._voices:
            if voice.feeds:
                told = voice.drift.count
                for change in voice.watch.passed(tick + voice.ahead):
                    self.found[voice.called(change.track)] = tick
                    conductor.count += 1
                if voice.drift.count != told:
                    conductor.count += 1

    # -- inside ------------------------------------------------------------------------------

    def _begin(self, conductor: Conductor, fill: bool | None) -> None:
        """Another stretch has begun."""
        self._note_who_sends()
        part, stretch, before = conductor.part, conductor.stretch, self._stretch
        follows_on = before is not None and conductor.tick == 0
        voices, self._voices = self._voices, []
        self._stretch, self._part, self.found = stretch, part, {}
        goes_on = stretch.start - before.start if before is not None and follows_on else 0
        kept: set[str] = set()
        plays: list[tuple[Part | Layer, int]] = [(part, 0)]
        plays += zip(part.layers, stretch.layers, strict=True)
        for what, ahead in plays:
            voice = next((v for v in voices if v.is_layer(what)), None)
            if voice is not None and goes_on > 0 and voice.ahead + goes_on == ahead:
                # It counts on from the part before, and what is known of it stays so.
                kept.update(map(voice.called, (track.name for track in what.pattern.tracks)))
                voice.ahead = ahead
            else:
                voice = self._voice(what, ahead, stretch, fill)
                if voice is not None and follows_on:
                    heard = (v.latest for v in voices if v.instrument == voice.instrument)
                    voice.latest = next(heard, [])
            if voice is not None:
                voice.assumed = voice.layer is not None and stretch.assumed
                self._voices.append(voice)
        self._planned &= kept
        mutes = any(cue.action in (Action.MUTE, Action.UNMUTE) for cue in part.cues)
        self._plans = mutes or bool(self._planned)

    def _voice(
        self, what: Part | Layer, ahead: int, stretch: Stretch, fill: bool | None
    ) -> _Voice | None:
        """Listens to a pattern from here on; None where nothing can be heard of it."""
        name = what.instrument or ""
        instrument = self._setlist.instruments.get(name)
        notes = self._notes[what.pattern.name, what.instrument]
        if not notes and (instrument is None or not instrument.tells.mutes):
            return None
        drift = self._drifts.get((what.pattern.name, what.instrument))
        if drift is None:
            drift = PatternDrift(what.pattern)
            self._drifts[what.pattern.name, what.instrument] = drift
        watch = MuteWatch(
            what.pattern,
            notes,
            carried_passes=stretch.carried_passes if isinstance(what, Part) else 0,
            fill=fill,
            hears=name in self._sends_notes,
            drift=drift,
        )
        tracks = {track.name for track in what.pattern.tracks}
        for track, muted in self._told.get(name, {}).items():
            if track in tracks:
                watch.told(track, muted)
        return _Voice(what, instrument, watch, drift, fill, ahead)

    def _note_who_sends(self) -> None:
        for voice in self._voices:
            if voice.watch.hears:
                self._sends_notes.add("" if voice.instrument is None else voice.instrument.name)

    def _follow_plan(self, conductor: Conductor, tick: int) -> None:
        """Open what the performer means to change now."""
        planned = planned_mutes(conductor.part, conductor.planned_end, tick)
        changed = planned ^ self._planned
        self._planned = planned
        if changed:
            for voice in self._voices:
                for track in voice.pattern.tracks:
                    if voice.called(track.name) in changed:
                        voice.watch.due(track.name)

    def _hear_told(
        self, voice: _Voice, instrument: Instrument, message: Sequence[int], conductor: Conductor
    ) -> None:
        known = voice.watch.states()
        for track, muted in told_by(instrument.tells, message).mutes:
            if track not in known:
                # Of another pattern; what is said of it is kept for then.
                if muted is not None:
                    self._told.setdefault(instrument.name, {})[track] = muted
                continue
            voice.watch.told(track, muted)
            now = voice.watch.state(track)
            if now.muted is not None and now.told:
                self._told.setdefault(instrument.name, {})[track] = now.muted
            self.found[voice.called(track)] = max(conductor.tick, 0)
            conductor.count += 1

    def _is_on(self, instrument: Instrument, port: str) -> bool:
        return instrument.port is None or self._matches(instrument.port, port)


# -- whether a change was taken ---------------------------------------------------------------

# Two stories are weighed over the first pass: the new pattern began, or the old one goes on. Wald's
# test, as above, decides, with an error of 1 in 1,000 on either side. Each story allows for tracks
# that are muted, and for a set list that leaves steps out: the likelihoods are means over those
# cases. Steps with an `if` are passed over, for their chances hang together.
#
# What the notes say weighs the worlds in which the change was taken and those in which it was
# ignored. Ticks of a watch count from the boundary, which is tick 0 of the new part.

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
        listed = heard_chance(0.0 if chance is None else chance)
        # What may be left out of a list may be what the other pattern plays: variations are alike.
        more = heard_chance(other or 0.0) if chance is None else listed
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
        if took:
            odds = self.odds
            if odds >= log(ODDS):
                self.verdict = Verdict.IGNORED
            elif odds <= -log(ODDS):
                self.verdict = Verdict.OBEYED
        if self.verdict is Verdict.OPEN and not self._waiting:
            self.verdict = Verdict.UNTOLD
        return self.verdict

    @property
    def odds(self) -> float:
        """How much likelier what was heard is where the old pattern goes on: a logarithm."""
        # An instrument that has sent no note at all may send none.
        return self._of_old.likelihood() - self._of_new.likelihood() if self._hears else 0.0

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


def _mean(weight: float, one: float, other: float) -> float:
    """The logarithm of the mean of two likelihoods; `weight` is that of the other."""
    return _sum(log1p(-weight) + one, log(weight) + other)


def _sum(one: float, other: float) -> float:
    """The logarithm of the sum of two numbers, given by theirs."""
    high, low = max(one, other), min(one, other)
    return high + log1p(exp(low - high))


class ChangeCheck:
    """Watches the first pass after each change that was sent. One caller at a time."""

    def __init__(self, setlist: SetList, matches: Matches) -> None:
        self._setlist = setlist
        self._matches = matches
        # What was sent for the boundary ahead: (instrument, number of the part).
        self._sent: set[tuple[str, int]] = set()
        self._stretch: Stretch | None = None
        self._tick = -1
        self._watch: ObeyedWatch | None = None
        # The part's tick from which it is watched, and at which a pass is over, its last notes in.
        self._from = self._until = 0
        self._old: Part | None = None
        # Whether the notes have said by now what became of the change, as far as they can.
        self._told = False
        self._latest: list[ChannelMessage] = []
        self._ignored = ""

    def trouble(self, conductor: Conductor) -> str:
        """A sentence on an instrument that did not take its change, "" if all is well."""
        return "" if conductor.sure or conductor.stretch != self._stretch else self._ignored

    def sent(self, send: Send) -> None:
        """Take note of a program change that has left."""
        self._sent.add((send.change.instrument, send.part))

    def hear(self, port: str, message: Sequence[int], conductor: Conductor) -> None:
        """Take one channel message that arrived on `port`."""
        heard = parse(message)
        if heard is None or heard.kind is not Kind.NOTE or not heard.on:
            return
        instrument = self._setlist.instruments.get(conductor.part.instrument or "")
        if instrument is None:
            return
        if instrument.port is None or self._matches(instrument.port, port):
            self._latest.append(heard)
            if self._watch is not None:
                self._watch.heard(conductor.tick - self._from, heard.channel, heard.number)

    def ticked(self, conductor: Conductor, muted: Mapping[str, bool], fill: bool | None) -> None:
        """Tell that `conductor` may have counted a tick; `muted` is what is known of mutes."""
        stretch, tick = conductor.stretch, conductor.tick
        if stretch != self._stretch:
            self._begin(conductor, muted, fill)
        elif tick == self._tick:
            return
        before, self._tick = self._tick, tick
        self._latest.clear()
        if self._watch is None and not self._told:
            self._watch_again(conductor, muted, fill)
        watch = self._watch
        if watch is None:
            return
        if not conductor.sure or conductor.state is not State.RUNNING:
            self._watch = None
            return
        undecided = watch.verdict is Verdict.OPEN
        if tick >= self._until and (not undecided or tick > before + 1):
            self._watch = None
        elif undecided:
            verdict = watch.passed(tick - self._from)
            if verdict is Verdict.OPEN and not self._told and self._closes(conductor):
                verdict = Verdict.UNTOLD
            self._weigh(verdict, conductor)

    # -- inside ------------------------------------------------------------------------------

    def _begin(self, conductor: Conductor, muted: Mapping[str, bool], fill: bool | None) -> None:
        before, last = self._stretch, self._tick
        part, stretch = conductor.part, conductor.stretch
        self._stretch, self._watch, self._ignored, self._told = stretch, None, "", False
        name = part.instrument or ""
        was_sent, self._sent = (name, part.number) in self._sent, set()
        if not (was_sent and conductor.sure and conductor.tick == 0 and before is not None):
            return
        if stretch.start != before.start + last + 1:
            return
        old = self._setlist.parts[before.part_index]
        if self._differ(old, part):
            self._watch_from(0, old, last + 1, before.carried_passes, conductor, muted, fill)
            assert self._watch is not None
            for heard in self._latest:
                # What overtook the clock belongs here.
                self._watch.heard(0, heard.channel, heard.number)

    def _watch_again(
        self, conductor: Conductor, muted: Mapping[str, bool], fill: bool | None
    ) -> None:
        """Go on watching where the count was in doubt, or the engine away, since the change."""
        for world, _ in conductor.situation.worlds:
            if world.ignored is None or world.start is None or not world.part:
                continue
            if not conductor.sure or conductor.state is not State.RUNNING:
                return
            old = self._setlist.parts[world.part - 1]
            if old is not conductor.part and self._differ(old, conductor.part):
                at = conductor.ticks.ticks - world.start
                self._watch_from(self._tick, old, at, world.passes, conductor, muted, fill)
                return

    def _closes(self, conductor: Conductor) -> bool:
        """Whether the time is over, to a step, in which it would have shown that it was ignored.

        What is heard behind the part's own end is weighed against another change.
        """
        step = conductor.part.pattern.step_ticks
        end = conductor.situation.plan.end
        if end is not None and end - step <= conductor.tick:
            return True
        shows = [w.ignored for w, _ in conductor.situation.worlds if w.ignored is not None]
        return bool(shows) and max(shows) - step <= conductor.ticks.ticks

    def _differ(self, old: Part, part: Part) -> bool:
        """Whether a change from one to the other can be heard."""
        if old.instrument != part.instrument:
            # What it played before, nobody wrote down.
            return False
        programs = _program(old), _program(part)
        return None in programs or programs[0] != programs[1]

    def _watch_from(
        self,
        tick: int,
        old: Part,
        at: int,
        passes: int,
        conductor: Conductor,
        muted: Mapping[str, bool],
        fill: bool | None,
    ) -> None:
        """Watch from `tick` of the part on, which is tick `at` of the old one if that goes on."""
        part = conductor.part
        self._old, self._from = old, tick
        longest = max(old.pattern.pass_ticks, part.pattern.pass_ticks)
        self._until = tick + longest + part.pattern.step_ticks
        self._watch = ObeyedWatch(
            Side(old.pattern, self._setlist.notes_of(old), at, passes, _program(old), muted),
            Side(
                part.pattern,
                self._setlist.notes_of(part),
                tick,
                conductor.stretch.carried_passes,
                _program(part),
            ),
            fill=fill,
        )

    def _weigh(self, verdict: Verdict, conductor: Conductor) -> None:
        """Let the worlds weigh what the notes say; of an instrument that did not change, tell."""
        old, part, watch = self._old, conductor.part, self._watch
        if old is None or watch is None or verdict is Verdict.OPEN:
            return
        self._told = True
        if verdict is Verdict.UNTOLD:
            # Too little to say that it was ignored, but perhaps enough to say that it may be.
            speaks = exp(-watch.odds)
            if speaks < 1:
                conductor.weigh(lambda world: speaks if world.part == part.number else 1.0)
            return
        ignored = verdict is Verdict.IGNORED
        wrong, remedy = part if ignored else old, ""

        def likelihood(world: World) -> float:
            return 1 / ODDS if world.part == wrong.number else 1.0

        if ignored:
            assert part.instrument is not None
            program = _program(part)
            instrument = self._setlist.instruments[part.instrument]
            what = "the change" if program is None else f"program {instrument.shown(program)}"
            them = part.name if program is None else what
            self._ignored = f"{part.instrument} did not take {what} and plays on as before"
            remedy = f"choose {them} on {part.instrument}, and c makes it right"
        conductor.weigh(likelihood, why=self._ignored, remedy=remedy)
        if ignored:
            self._watch = None
            conductor.count += 1


def _program(part: Part) -> int | None:
    """The wire program of the part's own instrument."""
    own = (change.program for change in part.changes if change.instrument == part.instrument)
    return next(own, None)
