"""Which tracks are muted, told from the notes that come or stay away.

The instrument does not say what it mutes, but it sends what it plays. For each track two stories
are weighed, muted and sounding: the odds between them are brought up to date at each step that
could have played (Bayes), and before each the known state may have changed, with a small chance.
The other state is taken on when its likelihood is high enough.

Sources, all from memory: the first verdict is Wald's sequential probability ratio test (Wald 1945);
the watch for changes is the Shiryaev-Roberts procedure (Shiryaev 1963, Roberts 1966), whose mean
time to a false alarm is at least the odds asked for divided by the chance of a change a pass
(Pollak 1985): here 99 x 64, or 6336 passes.

What a pattern may play, and how likely, is `hearing`'s; what mutes mean to the plan is `tellings`'.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from companion.counting.pattern import Pattern
from companion.counting.ticks import TICKS_PER_QUARTER
from companion.follow.hearing import EARLY, LOST, STRAY, Memories, Occasion, occasions
from companion.setlist.controls import NoteKey

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
        note = chance * (1 - LOST)
        note += (1 - note) * STRAY
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
    `unwatched` gives the tracks that cannot be watched, and why.

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
    ) -> None:
        self._pattern = pattern
        self._carried = carried_passes
        self.hears = hears
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

    def heard(self, tick: int, channel: int, note: int) -> None:
        """Take a note that began at `tick`. Releases and notes of velocity 0 do not belong here."""
        track = self._by_note.get((channel, note)) or self._by_note.get((None, note))
        if track is None:
            return
        self.hears = True
        self._ears[track].ever_heard = True
        if abs(tick - self._tick) > JUMP_TICKS:
            self.moved(tick)
        self._lay_out(tick)
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
            ear.odds = 1 / ear.change if muted else ear.change
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
