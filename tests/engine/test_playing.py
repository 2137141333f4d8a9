"""What the instrument plays and tells, held against the plan: mutes, and changes it did not take.

The instrument is `NoisyDrum`, which reads the rules by itself and knows nothing of the listeners.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from companion.counting.pattern import Pattern, Step, Track
from companion.engine.engine import Engine
from companion.engine.options import Options
from companion.engine.playing import Playing
from companion.engine.view import Surroundings
from companion.follow.conductor import Send
from companion.link.messages import Snapshot
from companion.setlist.controls import Address, Kind, MuteTold, NoteKey, Tells
from companion.setlist.model import Action, Cue, Instrument, SetList, Span, Unit, When, WhenKind
from tests.builders import PORT, TICK_NS, Rehearsal, SetBuilder
from tests.follow.noisy import NoisyDrum

BAR, PHRASE = 96, 768
TELLS = Tells(mutes=(MuteTold("shaker", Address(Kind.CONTROLLER, 21, 9)),))
TOGGLES = Tells(mutes=(MuteTold("shaker", Address(Kind.CONTROLLER, 21, 9), toggles=True),))


def pattern(name: str, **tracks: tuple[int, ...]) -> Pattern:
    made = (Track(n, 16, 6, tuple(Step(k) for k in steps)) for n, steps in tracks.items())
    return Pattern(name, phrase_ticks=PHRASE, tracks=tuple(made))


SLACK = pattern("slack water", drum=(1, 5, 9, 13), shaker=(3,), hat=(3, 7, 11, 15))
EBB = pattern("ebb line", drum=(1, 4, 11), shaker=(9,), hat=(1, 5, 7, 13))
NOTES = {"drum": NoteKey(9, 36), "shaker": NoteKey(9, 42), "hat": NoteKey(9, 44)}


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
    written = {(p.name, t): key for p in (SLACK, EBB) for t, key in NOTES.items()}
    return replace(made, instruments={"drums": drums}, notes=written if notes else {})


class Band(Rehearsal):
    """Follower and listeners fed by an instrument that plays, mutes and changes its patterns."""

    def __init__(self, setlist: SetList, *, obeys: bool = True) -> None:
        super().__init__(setlist)
        self.made = Playing(setlist)
        self.obeys = obeys
        self.muted: set[str] = set()
        self.played = SLACK
        self.song = -1
        self.began = 0

    def hear(self, *message: int, port: str = PORT) -> None:
        before = len(self.sent)
        super().hear(*message, port=port)
        for send in self.made.listen(port, self.now_ns, message, self.conductor):
            self.sent.append((self.clocks, send))
        for _, send in self.sent[before:]:
            self.took(send)

    def took(self, send: Send) -> None:
        self.made.announcing.sent(send, self.now_ns, TICK_NS)

    def plays(self, ticks: int) -> Snapshot:
        """The instrument goes on for so many ticks; what the screen is told then."""
        for _ in range(ticks):
            self.song += 1
            if self.song == PHRASE and self.obeys:
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
        standing = self.conductor.standing()
        heard = self.made.heard
        around = Surroundings(
            self.now_ns,
            self.now_ns,
            120.0,
            0.0,
            PORT,
            0,
            False,
            standing.notice,
            (self.made.obeying.trouble(self.conductor),),
            "",
            heard=heard.states,
            found=heard.found,
        )
        return self.made.viewer.snapshot(standing, around)


def band(setlist: SetList, *, obeys: bool = True) -> Band:
    on_stage = Band(setlist, obeys=obeys)
    on_stage.start()
    return on_stage


def heard(seen: Snapshot, track: str = "shaker") -> bool | None:
    return next(t.heard_muted for t in seen.tracks if t.name == track)


def astray(seen: Snapshot) -> list[str]:
    return [item.text for item in seen.coming if item.kind == "differs"]


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
    on_stage.conductor.confirm()
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


# -- changes -------------------------------------------------------------------------------------


def test_an_instrument_that_takes_its_change_is_left_alone() -> None:
    seen = band(tide()).plays(PHRASE + 2 * BAR)
    assert (seen.part, seen.sure, seen.troubles) == (2, True, ("",))


@pytest.mark.parametrize("notes", [True, False])
def test_a_change_that_was_ignored_is_reported_if_notes_show_it(notes: bool) -> None:
    on_stage = band(tide(notes=notes), obeys=False)
    seen = on_stage.plays(PHRASE + BAR)
    assert [send.change.program for _, send in on_stage.sent] == [2]
    assert seen.part == 2
    if not notes:
        # Nobody can tell.
        assert seen.sure
        return
    assert not seen.sure
    assert seen.doubt == "drums did not take program 3 and plays on as before"
    assert seen.troubles == (seen.doubt,)
    assert seen.notice.endswith("change it by hand, then say that the count is right")
    on_stage.conductor.confirm()
    seen = on_stage.look()
    assert (seen.sure, seen.troubles) == (True, ("",))


def test_after_one_that_was_ignored_nothing_is_sent_until_a_person_has_put_it_right() -> None:
    made = tide()
    second = replace(made.parts[1], phrases=1)
    change = replace(made.parts[1].changes[0], program=3)
    third = replace(second, number=3, changes=(change,), phrases=None)
    song = replace(made.songs[0], parts=range(1, 4))
    on_stage = band(replace(made, songs=(song,), parts=(made.parts[0], second, third)), obeys=False)
    # Through the lead and over the boundary of the second part.
    seen = on_stage.plays(2 * PHRASE + BAR)
    assert [send.change.program for _, send in on_stage.sent] == [2]
    assert (seen.part, seen.sure) == (2, False)
    # The performer changes it by hand, and says so.
    on_stage.played, on_stage.obeys = EBB, True
    on_stage.conductor.confirm()
    seen = on_stage.plays(PHRASE)
    assert [send.change.program for _, send in on_stage.sent] == [2, 3]
    assert (seen.part, seen.sure) == (3, True)


def test_its_own_word_that_it_plays_the_old_one_is_enough() -> None:
    on_stage = band(tide(notes=False), obeys=False)
    assert on_stage.plays(PHRASE + 10).sure
    on_stage.hear(0xC9, 1)
    seen = on_stage.look()
    assert not seen.sure
    assert "did not take program 3" in seen.doubt
    assert seen.part == 2
    assert seen.change_ticks is None


def test_one_that_says_it_stays_before_the_boundary_is_doubted_from_there_on() -> None:
    on_stage = band(tide(notes=False), obeys=False)
    on_stage.plays(PHRASE - 10)
    on_stage.hear(0xC9, 1)
    seen = on_stage.look()
    assert seen.sure
    assert seen.notice == "drums says that it stays on program 2"
    seen = on_stage.plays(12)
    assert (seen.part, seen.sure) == (2, False)
    assert "did not take program 3" in seen.doubt


def test_the_echo_of_our_own_change_is_no_word_of_the_instrument() -> None:
    on_stage = band(tide(notes=False))
    on_stage.plays(PHRASE - 10)
    on_stage.hear(0xC9, 2)
    seen = on_stage.plays(20)
    assert (seen.part, seen.sure) == (2, True)


def test_an_old_pattern_chosen_again_after_the_new_one_played_is_followed() -> None:
    on_stage = band(tide())
    on_stage.plays(PHRASE + 60)
    on_stage.hear(0xC9, 1)
    seen = on_stage.look()
    assert seen.sure
    assert seen.notice == "drums goes to part 1 at the end of this pass"


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
