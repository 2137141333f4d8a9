"""What is heard becomes tracks and parts: grids, swing, rolls, lengths, mutes, melodies."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from companion.counting import Cycle, Pattern, Rule, Step, Track
from companion.learn.heard import HeardError, HeardNote, HeardProgram, Hearing
from companion.learn.learner import Learned, LearnedTrack, Wanted, learn
from tests.learn.judge import hearing_of
from tests.learn.player import CLEAN, Hand, Struck, struck

ALWAYS = Rule()


def on(*steps: int, length: int = 16, step_ticks: int = 6, name: str = "low drum") -> Track:
    return Track(name, length, step_ticks, tuple(Step(number, ALWAYS) for number in steps))


def heard(*tracks: Track, passes: int = 16, hand: Hand = CLEAN, seed: int = 1) -> Hearing:
    """Tracks on the drum channel, notes from 36 on, for so many passes of 16 steps."""
    pattern = Pattern("slack water", tracks=tracks)
    notes = {track.name: (9, 36 + at) for at, track in enumerate(tracks)}
    ticks = passes * 96
    return hearing_of(struck(pattern, ticks, notes, random.Random(seed), hand=hand), ticks)


def only(learned: Learned, note: int = 36) -> LearnedTrack:
    return next(each for each in learned.patterns[0].tracks if each.note == note)


def rules(track: LearnedTrack) -> dict[int, str]:
    return {step.number: str(step.rule) for step in track.steps}


BEAT = on(1, 5, 9, 13, name="pulse")


@pytest.mark.parametrize("noise", [0.0, 0.1])
@pytest.mark.parametrize(
    ("track", "length", "step"),
    [
        (on(1, 4, 7, 11), 16, 6),
        (on(1, 3, 4, 6, 7, 9, 10, 11, length=12, step_ticks=8), 12, 8),
        (on(1, 2, 5, 8, 9, 14, length=24, step_ticks=4), 24, 4),
        (on(1, 2, 6, 9, 16, 17, 22, 31, length=32, step_ticks=3), 32, 3),
        (on(2, 4, length=5), 5, 6),
        (on(1, 4, 6, length=7), 7, 6),
        (on(1, 9, 12, length=20), 20, 6),
    ],
)
def test_a_track_has_its_own_grid_and_length(
    track: Track, length: int, step: int, noise: float
) -> None:
    learned = learn(heard(BEAT, track, passes=24, hand=Hand(noise=noise)))
    found = only(learned, 37)
    assert (found.length, found.step_ticks, found.swing) == (length, step, 0.0)
    assert rules(found) == {each.number: "always" for each in track.steps}


def test_swing_is_no_finer_grid() -> None:
    track = on(1, 2, 4, 6, 7, 10, 12, 15, 16)
    learned = learn(heard(track, hand=Hand(swing=2.0, noise=0.02)))
    found = only(learned)
    assert (found.length, found.step_ticks, found.swing) == (16, 6, 2.0)
    assert sorted(rules(found)) == [1, 2, 4, 6, 7, 10, 12, 15, 16]


def test_a_step_that_is_always_a_little_late_stays_on_its_step() -> None:
    hearing = heard(on(1, 5, 7, 11, 13), hand=Hand(noise=0.02))
    late = [
        note._replace(tick=note.tick + 2) if round(note.tick) % 96 == 36 else note
        for note in hearing.notes
    ]
    found = only(learn(replace(hearing, notes=tuple(late))))
    assert (found.step_ticks, sorted(rules(found))) == (6, [1, 5, 7, 11, 13])


def test_notes_that_come_twice_are_one() -> None:
    found = only(learn(heard(on(1, 5, 11), passes=32, hand=Hand(doubled=0.1))))
    assert rules(found) == {1: "always", 5: "always", 11: "always"}
    assert [step.what for step in found.steps] == ["", "", ""]


def test_rolls_are_said() -> None:
    hearing = heard(on(1, 5, 9, 16), passes=32)
    rolled = list(hearing.notes)
    for note in hearing.notes:
        if round(note.tick) % 96 == 90 and round(note.tick) // 96 % 4 == 3:
            rolled += [note._replace(tick=note.tick + 2), note._replace(tick=note.tick + 4)]
        if round(note.tick) % 96 == 24:
            rolled += [note._replace(tick=note.tick + 1.5), note._replace(tick=note.tick + 3)]
    found = only(learn(replace(hearing, notes=tuple(rolled))))
    assert {step.number: step.what for step in found.steps} == {
        1: "",
        5: "roll of 3",
        9: "",
        16: "roll of 3 on pass 4 of 4",
    }


def test_accents_are_said() -> None:
    hearing = heard(on(1, 5, 9), passes=32)
    accented = [
        note._replace(velocity=120 if round(note.tick) // 96 % 2 else 80)
        if round(note.tick) % 96 == 24
        else note
        for note in hearing.notes
    ]
    found = only(learn(replace(hearing, notes=tuple(accented))))
    assert [step.what for step in found.steps] == ["", "louder on pass 2 of 2", ""]


def test_passes_in_which_a_track_is_muted_are_left_out_and_said() -> None:
    hat = Track("hat", 16, 6, (Step(3), Step(7), Step(11), Step(16, Rule((Cycle(4, 4),)))))
    pattern = Pattern("slack water", tracks=(BEAT, hat))
    keys = {"pulse": (9, 36), "hat": (9, 37)}
    notes = struck(
        pattern, 48 * 96, keys, random.Random(1), muted=[("hat", 0, 8 * 96), ("hat", 1920, 2304)]
    )
    found = only(learn(hearing_of(notes, 48 * 96)), 37)
    assert found.quiet_passes == (*range(1, 9), *range(21, 25))
    assert rules(found) == {3: "always", 7: "always", 11: "always", 16: "pass 4 of 4"}


def test_a_rare_step_alone_is_not_taken_for_a_mute() -> None:
    bell = Track("bell", 16, 6, (Step(11, Rule((Cycle(7, 8),))),))
    found = only(learn(heard(BEAT, bell, passes=48)), 37)
    assert found.quiet_passes == ()
    assert rules(found) == {11: "pass 7 of 8"}


def melody(channel: int, pitches: dict[int, list[int]], passes: int = 16) -> list[HeardNote]:
    """Step by step the pitches that take turns from pass to pass."""
    return [
        HeardNote((at * 16 + step - 1) * 6.0, channel, turns[at % len(turns)], 90)
        for at in range(passes)
        for step, turns in sorted(pitches.items())
    ]


def test_a_melody_is_one_track_and_drums_are_many() -> None:
    tune = melody(2, {1: [36, 36, 36, 43], 4: [39], 7: [41, 36], 11: [36], 12: [48], 15: [34]})
    drums = melody(9, {1: [36], 5: [38], 9: [36], 13: [38]})
    learned = learn(Hearing("file", (*tune, *drums), end=16 * 96.0))
    found = {(each.channel, each.note): each for each in learned.patterns[0].tracks}
    assert set(found) == {(2, None), (9, 36), (9, 38)}
    whats = {step.number: step.what for step in found[2, None].steps}
    assert whats[4] == "E flat2"
    assert whats[1] == "C2, G2 on pass 4 of 4"
    assert {str(step.rule) for step in found[2, None].steps} == {"always"}


def test_one_channel_may_be_asked_for() -> None:
    tune = melody(2, {1: [36], 7: [43]})
    drums = melody(9, {1: [36], 5: [38]})
    learned = learn(Hearing("file", (*tune, *drums), end=16 * 96.0), Wanted(channel=9))
    assert {each.channel for each in learned.patterns[0].tracks} == {9}
    with pytest.raises(HeardError, match=r"no notes on channel 5; there are some on 3, 10"):
        learn(Hearing("file", (*tune, *drums), end=16 * 96.0), Wanted(channel=4))


# Parts --------------------------------------------------------------------------------------------


def night(*parts: tuple[int, Track, int], ahead: float = 24, echo: float | None = None) -> Hearing:
    """Parts one after another, each (program, track, passes), told `ahead` ticks before."""
    notes: list[Struck] = []
    programs = []
    begin = 0
    for program, track, passes in parts:
        keys = {track.name: (9, 36)}
        made = Pattern("slack water", tracks=(track,))
        notes += struck(made, passes * 96, keys, random.Random(1), begin=begin)
        programs.append(HeardProgram(max(0.0, begin - ahead), 9, program))
        if echo is not None:
            programs.append(HeardProgram(begin + echo, 9, program))
        begin += passes * 96
    return replace(hearing_of(notes, begin), programs=tuple(sorted(programs)))


FULL, HALF = on(1, 5, 9, 13), on(1, 4, 9, 11)


@pytest.mark.parametrize("ahead", [0, 6, 24, 95])
def test_parts_are_as_long_as_they_were_played(ahead: float) -> None:
    learned = learn(night((11, FULL, 8), (12, HALF, 6), (11, FULL, 7), ahead=ahead))
    assert [part.ticks for part in learned.parts] == [768, 576, 672]
    assert [part.changes[0].program for part in learned.parts] == [11, 12, 11]
    assert [part.pattern for part in learned.parts] == [0, 1, 0]
    assert [rules(each.tracks[0]) for each in learned.patterns] == [
        dict.fromkeys((1, 5, 9, 13), "always"),
        dict.fromkeys((1, 4, 9, 11), "always"),
    ]


def test_a_change_that_is_told_again_begins_nothing() -> None:
    learned = learn(night((11, FULL, 8), (12, HALF, 8), echo=1.0))
    assert [part.ticks for part in learned.parts] == [768, 768]


def test_patterns_that_are_alike_are_one() -> None:
    learned = learn(night((11, FULL, 8), (12, FULL, 8)))
    assert len(learned.patterns) == 1
    assert [part.changes[0].program for part in learned.parts] == [11, 12]


def test_an_instrument_that_changes_at_once() -> None:
    """The change is told in the middle of a pass, and the new pattern begins there."""
    notes = struck(Pattern("a", tracks=(FULL,)), 816, {"low drum": (9, 36)}, random.Random(1))
    notes += struck(
        Pattern("b", tracks=(HALF,)), 768, {"low drum": (9, 36)}, random.Random(1), begin=816
    )
    hearing = replace(
        hearing_of(notes, 816 + 768),
        programs=(HeardProgram(0.0, 9, 1), HeardProgram(816.0, 9, 2)),
    )
    learned = learn(hearing)
    assert [part.begin for part in learned.parts] == [0, 816]
    assert rules(learned.patterns[1].tracks[0]) == dict.fromkeys((1, 4, 9, 11), "always")


def test_one_pattern_of_it_all() -> None:
    learned = learn(night((11, FULL, 8), (12, FULL, 8)), Wanted(one=True))
    assert [part.ticks for part in learned.parts] == [1536]
    assert learned.patterns[0].program is None


def test_without_a_program_change_another_pattern_is_said_and_not_guessed() -> None:
    hearing = replace(night((11, FULL, 16), (12, HALF, 16)), programs=())
    learned = learn(hearing)
    assert len(learned.patterns) == 1
    assert learned.patterns[0].remarks == (
        "from pass 17 on something else seems to be played, without a program change: learn the "
        "two apart",
    )
    assert learn(night((11, FULL, 32))).patterns[0].remarks == ()


def test_a_start_begins_a_part_and_the_count_anew() -> None:
    track = Track("low drum", 16, 6, (Step(1), Step(9, Rule((Cycle(1, 3),)))))
    hearing = night((1, track, 7), (1, track, 8), (1, track, 10))
    hearing = replace(hearing, programs=(), starts=(672.0, 1440.0))
    learned = learn(hearing)
    assert [part.ticks for part in learned.parts] == [672, 768, 960]
    assert rules(learned.patterns[0].tracks[0]) == {1: "always", 9: "pass 1 of 3"}


def test_fills_are_learned_where_they_are_told() -> None:
    notes = [
        HeardNote((at * 16 + step - 1) * 6.0, 9, 36, 100)
        for at in range(48)
        for step in (1, 5, 9, 13)
    ]
    # Held now and then: no cycle fits.
    held = sorted(random.Random(3).sample(range(48), 9))
    notes += [HeardNote((at * 16 + 14) * 6.0, 9, 36, 100) for at in held]
    fills = [(at * 96.0 + 48, at * 96.0 + 96) for at in held]
    told = Hearing("take", tuple(notes), end=48 * 96.0, fills=tuple(fills))
    assert rules(only(learn(told)))[15] == "fill"
    assert rules(only(learn(replace(told, fills=None))))[15].startswith("chance")


def test_nothing_to_learn_from() -> None:
    with pytest.raises(HeardError, match="no notes in it"):
        learn(Hearing("file", (), end=960.0))


def test_what_the_performer_says_goes() -> None:
    learned = learn(heard(on(1, 5, 9, 13)), Wanted(length=32, name="ebb line"))
    assert (learned.patterns[0].length, learned.patterns[0].name) == (32, "ebb line")
    coarse = learn(heard(on(1, 5, 9, 13)), Wanted(step_ticks=24))
    assert only(coarse).step_ticks == 24
