"""What the instrument plays and tells of mutes, held against the plan, as a screen is told.

The instrument is `NoisyDrum`, which reads the rules by itself and knows nothing of the listeners.
"""

from __future__ import annotations

from dataclasses import replace

from companion.engine.engine import Engine, Options
from companion.engine.snapshot import EngineStatus, Viewer
from companion.link.messages import Snapshot
from companion.setlist import (
    Action,
    Address,
    Cue,
    Instrument,
    Kind,
    MuteTold,
    SetList,
    Span,
    Tells,
    Unit,
    When,
    WhenKind,
)
from tests.builders import PORT, TICK_NS, Rehearsal, SetBuilder, ask
from tests.follow.noisy import BAR, EBB, NOTES, PHRASE, SLACK, WRITTEN, NoisyDrum

TELLS = Tells(mutes=(MuteTold("shaker", Address(Kind.CONTROLLER, 21, 9)),))
TOGGLES = Tells(mutes=(MuteTold("shaker", Address(Kind.CONTROLLER, 21, 9), toggles=True),))


def mute(at_pass: int, action: Action, track: str = "shaker") -> Cue:
    return Cue(When(WhenKind.NTH, Span(at_pass, Unit.PASSES)), action, tracks=(track,))


def tide(*cues: Cue, tells: Tells | None = None, notes: bool = True) -> SetList:
    made = (
        SetBuilder()
        .part(SLACK, program=1, cues=cues, phrases=1)
        .part(EBB, program=2, phrases=None)
        .build()
    )
    drums = Instrument("drums", channel=9, tells=tells or Tells())
    return replace(made, instruments={"drums": drums}, notes=WRITTEN if notes else {})


class Band(Rehearsal):
    """A follower fed by an instrument that plays, mutes and changes its patterns."""

    def __init__(self, setlist: SetList) -> None:
        super().__init__(setlist)
        self.viewer = Viewer(setlist)
        self.muted: set[str] = set()
        self.played = SLACK
        self.song = -1
        self.began = 0

    def plays(self, ticks: int) -> Snapshot:
        """The instrument goes on for so many ticks; what the screen is told then."""
        for _ in range(ticks):
            self.song += 1
            if self.song == PHRASE:
                self.played, self.began = EBB, self.song
            self.clock()
            tick = self.song - self.began
            drum = NoisyDrum(self.played, NOTES, 1, lost=0, stray=0, swing=0)
            for _, channel, note in drum.play(tick + 1, tick):
                name = next(t for t, key in NOTES.items() if key.number == note)
                if name not in self.muted:
                    self.hear(0x90 | channel, note, 100)
                    self.hear(0x80 | channel, note, 0)
        return self.look()

    def look(self) -> Snapshot:
        follower = self.follower
        around = EngineStatus(
            self.now_ns,
            self.now_ns,
            120.0,
            0.0,
            PORT,
            0,
            False,
            "",
            (),
            "",
            heard=follower.heard,
            found=follower.found,
        )
        return self.viewer.snapshot(follower.standing(), around)


def band(setlist: SetList) -> Band:
    on_stage = Band(setlist)
    on_stage.start()
    return on_stage


def heard(seen: Snapshot, track: str = "shaker") -> bool | None:
    return next(t.heard_muted for t in seen.tracks if t.name == track)


def astray(seen: Snapshot) -> list[str]:
    return [item.sentence for item in seen.coming if item.kind == "differs"]


# -- mutes ---------------------------------------------------------------------------------------


def test_tracks_that_play_as_planned_are_known_to_sound_and_nothing_is_said() -> None:
    seen = band(tide()).plays(3 * BAR)
    assert [heard(seen, t) for t in NOTES] == [False, False, False]
    assert astray(seen) == []


def test_a_track_muted_unplanned_is_marked_and_told_within_three_passes() -> None:
    on_stage = band(tide())
    on_stage.plays(2 * BAR)
    on_stage.muted.add("shaker")
    seen = on_stage.plays(3 * BAR)
    assert heard(seen) is True
    (line,) = astray(seen)
    assert line.startswith("shaker is silent, muted 9")
    assert line.endswith("planned: sounding")
    assert [heard(seen, t) for t in ("drum", "hat")] == [False, False]
    # Brought back, it is known to sound with its first note.
    on_stage.muted.clear()
    seen = on_stage.plays(BAR)
    assert heard(seen) is False
    assert astray(seen) == []


def test_what_no_cue_speaks_of_is_told_for_a_phrase() -> None:
    on_stage = band(tide())
    on_stage.plays(PHRASE + BAR)
    on_stage.muted.add("shaker")
    told = []
    for _ in range(3 * PHRASE // 2):
        seen = on_stage.plays(1)
        if astray(seen):
            told.append(seen.tick)
    # Found within three passes of that, and then told for a phrase, every tick of it.
    assert BAR < told[0] <= 4 * BAR
    assert told == list(range(told[0], told[0] + PHRASE))
    assert heard(seen) is True


def test_a_mute_that_was_meant_to_be_and_is_not_stands_on_the_agenda() -> None:
    on_stage = band(tide(mute(3, Action.MUTE)))
    assert astray(on_stage.plays(2 * BAR)) == []
    seen = on_stage.plays(2 * BAR)
    assert heard(seen) is False
    assert astray(seen) == ["shaker sounds, 99% likely; planned: muted"]
    assert [(i.do, i.tracks, i.tick) for i in seen.coming if i.kind == "differs"] == [
        ("mute", ("shaker",), seen.tick)
    ]
    on_stage.muted.add("shaker")
    seen = on_stage.plays(3 * BAR)
    assert heard(seen) is True
    assert astray(seen) == []


def test_a_mute_made_on_its_cue_is_never_held_against_the_performer() -> None:
    on_stage = band(tide(mute(3, Action.MUTE), mute(5, Action.UNMUTE)))
    said = []
    for bar in range(8):
        on_stage.muted = {"shaker"} if bar in (2, 3) else set()
        for _ in range(BAR):
            said += astray(on_stage.plays(1))
    assert said == []


def test_silence_of_the_whole_instrument_proves_nothing() -> None:
    on_stage = band(tide())
    on_stage.muted = set(NOTES)
    seen = on_stage.plays(4 * BAR)
    assert [heard(seen, t) for t in NOTES] == [None, None, None]


def test_what_the_instrument_tells_counts_at_once_and_into_the_next_part() -> None:
    on_stage = band(tide(tells=TELLS, notes=False))
    seen = on_stage.plays(BAR)
    assert heard(seen) is None
    on_stage.hear(0xB9, 21, 127)
    seen = on_stage.look()
    assert heard(seen) is True
    assert next(t.told for t in seen.tracks if t.name == "shaker")
    assert astray(seen) == ["shaker is muted; planned: sounding"]
    seen = on_stage.plays(PHRASE)
    assert seen.part == 2
    assert heard(seen) is True
    on_stage.hear(0xB9, 21, 0)
    assert heard(on_stage.look()) is False


def test_what_the_instrument_told_is_known_in_a_saved_set_too() -> None:
    on_stage = band(tide(tells=TELLS, notes=False))
    on_stage.plays(BAR)
    on_stage.hear(0xB9, 21, 127)
    on_stage.follower.adopt(tide(tells=TELLS, notes=False))
    assert heard(on_stage.plays(1)) is True


def test_a_toggle_turns_round_what_the_notes_have_shown() -> None:
    on_stage = band(tide(tells=TOGGLES))
    assert heard(on_stage.plays(2 * BAR)) is False
    on_stage.hear(0xB9, 21, 127)
    on_stage.muted.add("shaker")
    assert heard(on_stage.look()) is True
    assert heard(on_stage.plays(2 * BAR)) is True


def test_notes_of_another_port_are_not_the_instrument() -> None:
    setlist = tide()
    drums = replace(setlist.instruments["drums"], port="*drum*")
    on_stage = band(replace(setlist, instruments={"drums": drums}))
    on_stage.plays(2 * BAR)
    on_stage.muted.add("shaker")
    for _ in range(3 * BAR):
        on_stage.plays(1)
        on_stage.hear(0x99, 42, 100, port="foghorn")
    assert heard(on_stage.look()) is True


def test_nothing_is_concluded_while_the_count_is_unsure() -> None:
    on_stage = band(tide())
    on_stage.plays(2 * BAR)
    on_stage.conductor.suspect("fog")
    on_stage.muted.add("shaker")
    seen = on_stage.plays(4 * BAR)
    assert heard(seen) is False
    ask(on_stage.conductor, "confirm")
    assert heard(on_stage.plays(3 * BAR)) is True


def test_a_first_note_that_overtakes_the_clock_of_a_boundary_is_the_new_parts() -> None:
    on_stage = band(tide())
    on_stage.plays(PHRASE)
    # The note of the new part's first step, then its clock.
    on_stage.hear(0x99, 36, 100)
    on_stage.song += 1
    on_stage.played, on_stage.began = EBB, on_stage.song
    on_stage.clock()
    on_stage.hear(0x99, 44, 100)
    seen = on_stage.plays(BAR // 2)
    assert seen.part == 2
    assert heard(seen, "drum") is False


def test_the_engine_itself_listens_and_tells_its_screens() -> None:
    engine = Engine(tide(mute(2, Action.MUTE)), Options(), None)
    now_ns = 10**9
    engine.hear(PORT, now_ns, (0xFA,))
    drum = list(NoisyDrum(SLACK, NOTES, 1, lost=0, stray=0, swing=0).play(5 * BAR))
    for tick in range(4 * BAR):
        now_ns += TICK_NS
        engine.hear(PORT, now_ns, (0xF8,))
        for at, channel, note in drum:
            if at == tick:
                engine.hear(PORT, now_ns, (0x90 | channel, note, 100))
    seen = engine.snapshot()
    assert seen.sure
    assert heard(seen) is False
    assert astray(seen) == ["shaker sounds, 99% likely; planned: muted"]
