"""Mutes told from notes: found soon, hardly ever invented, overruled by the instrument's word."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.counting import ALWAYS, Cycle, If, Pattern, Rule, Step, Track
from companion.follow.notes import (
    NO_NOTE,
    SHARED,
    Memories,
    MuteChange,
    MuteWatch,
    Told,
    differs,
    occasions,
    told_by,
    window,
)
from companion.setlist import Address, Kind, MuteTold, NoteKey, Tells
from tests.counting.counting_patterns import chance_at
from tests.follow.noisy import NoisyDrum, notes_of, rule, typical

BAR = 96


class Evening:
    """An instrument that plays and a watch that listens, tick by tick."""

    def __init__(self, pattern: Pattern, *, seed: int = 1, **more: object) -> None:
        self.notes = notes_of(pattern)
        self.drum = NoisyDrum(pattern, self.notes, seed, lost=0.0, stray=0.0)
        self.watch = MuteWatch(pattern, self.notes, **more)  # type: ignore[arg-type]
        self.tick = 0
        self.found: list[MuteChange] = []

    def play(self, passes: int) -> Evening:
        until = self.tick + passes * BAR
        coming = list(self.drum.play(until, self.tick))
        for tick in range(self.tick, until):
            self.found += self.watch.passed(tick)
            while coming and coming[0][0] <= tick:
                self.watch.heard(*coming.pop(0))
        self.tick = until
        return self

    def muted(self, track: str) -> bool | None:
        return self.watch.state(track).muted


def one_track(*steps: Step, name: str = "snap", length: int = 16) -> Pattern:
    return Pattern("slack water", tracks=(Track(name, length, 6, steps),))


def beside(*steps: Step) -> Pattern:
    """The low drum on every beat, and a bell with these steps."""
    beats = tuple(Step(n) for n in (1, 5, 9, 13))
    tracks = (Track("low drum", 16, 6, beats), Track("bell", 16, 6, steps))
    return Pattern("slack water", tracks=tracks)


def test_every_track_that_plays_is_known_to_sound_after_its_first_certain_note() -> None:
    evening = Evening(typical()).play(1)
    assert [evening.muted(name) for name in ("low drum", "snap", "hat")] == [False] * 3
    assert evening.watch.state("snap").likelihood < 0.001


def test_a_track_with_one_certain_step_a_pass_is_found_muted_within_three_passes() -> None:
    evening = Evening(typical()).play(8)
    evening.drum.muted.add("snap")
    evening.found.clear()
    evening.play(3)
    assert [(c.track, c.muted) for c in evening.found] == [("snap", True)]
    assert evening.found[0].likelihood > 0.99
    # One lost note in a thousand: one silence is not enough, two in a row are one in a million.
    assert evening.found[0].tick // BAR == 9


def test_a_single_lost_note_mutes_nothing() -> None:
    watch = MuteWatch(one_track(Step(5)), {"snap": NoteKey(9, 40)})
    found: list[MuteChange] = []
    for tick in range(20 * BAR):
        found += watch.passed(tick)
        if tick % BAR == 24 and tick // BAR != 10:
            watch.heard(tick, 9, 40)
        if tick == 10 * BAR + 40:
            assert 0.9 < watch.state("snap").likelihood < 0.99
    assert [c.muted for c in found] == [False]


@pytest.mark.parametrize(("name", "notes"), [("snap", 1), ("low drum", 2), ("hat", 2)])
def test_an_unmute_is_found_at_the_first_note_or_two(name: str, notes: int) -> None:
    evening = Evening(typical())
    evening.drum.muted.add(name)
    evening.play(8)
    assert evening.muted(name) is True
    evening.drum.muted.clear()
    evening.found.clear()
    evening.play(2)
    first = evening.found[0]
    track = next(t for t in typical().tracks if t.name == name)
    certain = sorted((s.number - 1) * 6 + p * BAR for s in track.steps[:16] for p in (8, 9, 10))
    steps = [t for t in certain if t < first.tick and t >= 8 * BAR]
    assert (first.track, first.muted) == (name, False)
    assert len(steps) <= notes


@pytest.mark.parametrize(
    ("chance", "passes"), [(0.9, 4), (0.75, 6), (0.5, 12), (0.25, 25), (0.1, 61)]
)
def test_a_track_that_plays_by_chance_takes_as_long_as_its_chance_asks(
    chance: float, passes: int
) -> None:
    # Shiryaev-Roberts by hand: silences n until 1/q^n + (1/q + ... + 1/q^n) reaches 99 x 64, with
    # q = 1 - P; at least one fewer than without the sum, which is what Wald's test would need.
    q = 1 - chance
    sums = [q**-n + (q**-n - 1) / chance for n in range(200)]
    assert sum(total < 99 * 64 for total in sums) == passes
    pattern = beside(Step(3, rule(chance)))
    watch = MuteWatch(pattern, notes_of(pattern), known={"bell": False}, hears=True)
    found: list[MuteChange] = []
    tick = 0
    while not found:
        found += [c for c in watch.passed(tick) if c.track == "bell"]
        tick += 1
    # A lost note in a thousand makes a silence a little less telling.
    assert passes <= tick // BAR + 1 <= passes + 1


def test_a_step_that_cannot_play_yet_says_nothing() -> None:
    bell = Step(11, Rule(cycles=(Cycle(4, 4),)))
    evening = Evening(beside(bell), known={"bell": False})
    evening.drum.muted.add("bell")
    evening.play(7)
    assert evening.muted("bell") is False
    # Its second turn is on pass 8: two silences where it had to play.
    evening.play(2)
    assert evening.muted("bell") is True


def test_a_step_after_an_if_counts_as_certain_once_its_ground_was_heard() -> None:
    steps = (Step(2, rule(0.5)), Step(10, rule(conditions=(If(None, False),))))
    for seed in range(20):
        evening = Evening(beside(*steps), seed=seed, known={"bell": False}).play(40)
        # One of the two plays on every pass: both silent on two passes is as good as a mute.
        assert evening.found == [MuteChange(4, "low drum", False, evening.found[0].likelihood)], (
            seed
        )
        evening.drum.muted.add("bell")
        evening.play(3)
        assert evening.muted("bell") is True


def test_an_if_on_a_track_nobody_hears_is_no_evidence() -> None:
    # All steps hang on one draw that is drawn once for ever: silent together, or not at all.
    gull = Track("gull", 16, 6, (Step(1, rule(0.5, first=True)),))
    if_gull = rule(conditions=(If("gull", True),))
    foam = Track("foam", 16, 6, tuple(Step(n, if_gull) for n in range(2, 17)))
    pattern = Pattern("neap", tracks=(gull, foam, Track("snap", 16, 6, (Step(1),))))
    notes = notes_of(pattern)
    del notes["gull"]
    for seed in range(10):
        drum = NoisyDrum(pattern, notes, seed, lost=0.0, stray=0.0)
        watch = MuteWatch(pattern, notes, known={"foam": False}, hears=True)
        played = sorted(drum.play(BAR))
        for tick in range(BAR):
            assert not [c for c in watch.passed(tick) if c.track == "foam"]
            for note in played:
                if note[0] == tick:
                    watch.heard(*note)
        assert watch.state("foam").muted is False


def test_a_muted_ground_does_not_silence_what_hangs_on_it() -> None:
    """The shaker is muted and draws on; the conch answers its silent draws, not its silence."""
    shaker = Track("shaker", 16, 6, tuple(Step(n, rule(0.5)) for n in (2, 6, 10, 14)))
    conch = Track("conch", 16, 6, (Step(16, rule(conditions=(If("shaker", False),))),))
    for seed in range(20):
        evening = Evening(Pattern("neap", tracks=(shaker, conch)), seed=seed).play(8)
        evening.drum.muted.add("shaker")
        evening.found.clear()
        evening.play(30)
        assert [(c.track, c.muted) for c in evening.found if c.muted] == [("shaker", True)], seed


def test_after_a_jump_nothing_hangs_on_what_came_before() -> None:
    pattern = one_track(Step(1, rule(0.5)), Step(9, rule(conditions=(If(None, False),))))
    memories = Memories(pattern)
    first, second = occasions(pattern, 0, BAR)
    memories.settle(first, 0.5, False, muted=0.0)
    assert memories.chance(second, False) == pytest.approx(1, abs=0.002)
    memories.forget()
    assert memories.chance(second, False) is None
    memories.begin()
    assert memories.chance(second, False) == 1.0


def test_a_note_that_comes_before_the_news_of_a_jump_is_not_lost() -> None:
    watch = MuteWatch(one_track(Step(5)), {"snap": NoteKey(9, 40)})
    watch.heard(500 * BAR + 24, 9, 40)
    for tick in range(500 * BAR + 24, 500 * BAR + 40):
        watch.passed(tick)
    assert watch.state("snap").muted is False


def test_silence_proves_nothing_until_the_instrument_was_heard_at_all() -> None:
    watch = MuteWatch(typical(), notes_of(typical()))
    assert not [c for tick in range(50 * BAR) for c in watch.passed(tick)]
    assert {state.muted for state in watch.states().values()} == {None}
    watch.heard(50 * BAR, 9, 36)
    found = [c for tick in range(50 * BAR, 51 * BAR) for c in watch.passed(tick)]
    assert [(c.track, c.muted) for c in found][:2] == [("low drum", False), ("hat", True)]
    assert watch.state("low drum").ever_heard
    assert not watch.state("hat").ever_heard


def test_notes_a_tick_early_or_swung_late_belong_to_their_step() -> None:
    for off in (-1, 0, 1, 2, 3):
        watch = MuteWatch(one_track(Step(4)), {"snap": NoteKey(9, 40)})
        for tick in range(BAR):
            watch.passed(tick)
            if tick == 18 + off:
                watch.heard(tick, 9, 40)
        assert watch.state("snap").muted is False, off
    # The next step's own note, a tick early, is not this one's.
    assert window(6) == (1, 3)
    assert window(2) == (1, 0)


def test_a_note_of_another_channel_or_between_the_steps_is_none_of_the_track() -> None:
    evening = Evening(typical()).play(4)
    evening.drum.muted.add("snap")
    for tick in range(4 * BAR, 8 * BAR):
        evening.watch.passed(tick)
        if tick % BAR == 24:
            evening.watch.heard(tick, 3, 37)
            evening.watch.heard(tick, 9, 36)
        if tick % BAR == 50:
            evening.watch.heard(tick, 9, 37)
    assert evening.muted("snap") is True


def test_tracks_that_share_a_note_or_have_none_are_left_alone() -> None:
    pattern = typical()
    notes = {"low drum": NoteKey(9, 36), "snap": NoteKey(None, 36), "hat": NoteKey(9, 42)}
    watch = MuteWatch(pattern, notes)
    assert watch.unwatched["low drum"] == watch.unwatched["snap"] == SHARED
    assert watch.unwatched["bell"] == NO_NOTE
    assert "hat" not in watch.unwatched
    for tick in range(2 * BAR):
        watch.heard(tick, 9, 36)
        watch.passed(tick)
    assert watch.state("low drum").muted is None


def test_a_jump_drops_open_steps_and_keeps_what_is_known() -> None:
    evening = Evening(typical()).play(3)
    for place in (7 * BAR, 2 * BAR + 40, 0, 900 * BAR):
        assert evening.watch.passed(place) == ()
        assert evening.muted("snap") is False
    evening.watch.moved(0)
    evening.tick = 0
    evening.found.clear()
    evening.play(8)
    assert not [c for c in evening.found if c.muted]


def test_a_fill_decides_only_what_depends_on_it() -> None:
    pattern = beside(Step(3, rule(fill=True)), Step(7, rule(fill=False)))
    for fill in (False, True):
        evening = Evening(pattern, known={"bell": False}, fill=fill)
        evening.drum.fill = fill
        evening.play(10)
        assert evening.muted("bell") is False
    # Nobody knows of the fill: neither step can be missed.
    unknown = Evening(pattern, known={"bell": False}, fill=None)
    unknown.drum.muted.add("bell")
    assert unknown.play(30).muted("bell") is False
    # Told that it is held from now on, and the instrument does not play the fill step.
    unknown.watch.hold_fill(unknown.tick, True)
    assert unknown.play(3).muted("bell") is True


def test_a_fill_that_begins_with_its_step_decides_nothing() -> None:
    evening = Evening(beside(Step(3, rule(fill=True))), known={"bell": False})
    for _ in range(20):
        evening.watch.hold_fill(evening.tick + 12, True)
        evening.play(1)
        evening.watch.hold_fill(evening.tick - 1, False)
    assert evening.muted("bell") is False


def test_the_instruments_own_word_overrides_the_notes() -> None:
    evening = Evening(typical()).play(4)
    change = evening.watch.told("snap", True)
    assert change is not None
    assert (change.track, change.muted, change.likelihood) == ("snap", True, 1.0)
    # It still sounds by its notes: the word of the instrument stands.
    evening.found.clear()
    evening.play(10)
    state = evening.watch.state("snap")
    assert (state.muted, state.told, evening.found) == (True, True, [])
    assert evening.watch.told("snap", True) is None
    evening.watch.due("snap")
    assert evening.muted("snap") is True
    assert evening.watch.told("snap", False) is not None
    with pytest.raises(KeyError):
        evening.watch.told("no such track", True)


def test_a_toggle_turns_round_what_was_thought_and_notes_may_correct_it() -> None:
    evening = Evening(typical()).play(4)
    change = evening.watch.told("snap", None)
    assert change is not None
    assert change.muted
    evening.found.clear()
    # The toggle went astray: the notes say so at once.
    evening.play(2)
    assert [(c.track, c.muted) for c in evening.found] == [("snap", False)]


def test_what_the_instrument_tells_is_read_from_its_messages() -> None:
    on_ten = {"channel": 9}
    tells = Tells(
        fill=Address(Kind.CONTROLLER, 80, **on_ten),
        mutes=(
            MuteTold("low drum", Address(Kind.CONTROLLER, 70, **on_ten)),
            MuteTold("snap", Address(Kind.NOTE, 20, **on_ten), toggles=True),
            MuteTold("hat", Address(Kind.NOTE, 21), muted_high=False),
        ),
    )
    # MIDI 1.0, from memory: B9 controller, 99 note on, 89 note off, on channel 10.
    assert told_by(tells, (0xB9, 70, 127)) == Told((("low drum", True),))
    assert told_by(tells, (0xB9, 70, 64)) == Told((("low drum", True),))
    assert told_by(tells, (0xB9, 70, 63)) == Told((("low drum", False),))
    assert told_by(tells, (0x99, 20, 1)) == Told((("snap", None),))
    assert told_by(tells, (0x89, 20, 64)) == Told()
    assert told_by(tells, (0x93, 21, 5)) == Told((("hat", False),))
    assert told_by(tells, (0x93, 21, 0)) == Told((("hat", True),))
    assert told_by(tells, (0xB9, 80, 127)) == Told(fill=True)
    assert told_by(tells, (0xB9, 80, 0)) == Told(fill=False)
    for other in ((0xB8, 70, 127), (0xF8,), (0xE9, 70, 127), (), (0xB9, 70)):
        assert told_by(tells, other) == Told()


def test_plan_and_fact_are_compared_where_the_fact_is_known() -> None:
    evening = Evening(typical())
    evening.drum.muted.add("snap")
    evening.play(4)
    states = evening.watch.states()
    assert [(d.track, d.planned) for d in differs({"hat"}, states)][:2] == [
        ("snap", False),
        ("hat", True),
    ]
    assert differs({"hat"}, states)[0].likelihood > 0.99
    # Gulls may or may not be muted: nobody knows yet, so nobody complains.
    assert states["gull"].muted is None
    assert "gull" not in {d.track for d in differs({"gull"}, states)}


def test_a_performer_on_time_is_never_told_off() -> None:
    """The plan mutes the snap at bar 9 and he does: nothing differs, then or later."""
    evening = Evening(typical()).play(8)
    evening.watch.due("snap")
    evening.drum.muted.add("snap")
    for _ in range(4):
        assert "snap" not in {d.track for d in differs({"snap"}, evening.watch.states())}
        evening.play(1)
    assert evening.muted("snap") is True
    # The plan un-mutes it and he forgets: said after one certain step went by.
    evening.watch.due("snap")
    assert evening.play(1).muted("snap") is True
    assert [d.track for d in differs((), evening.watch.states()) if d.track == "snap"] == ["snap"]


def test_false_mutes_and_unmutes_stay_under_one_in_a_thousand_passes() -> None:
    """2,000 passes of each kind of track, notes lost and stray; a million are in the bench."""
    pattern, passes = typical(), 2_000
    for muted in (False, True):
        names = {t.name for t in pattern.tracks}
        drum = NoisyDrum(pattern, notes_of(pattern), 3, muted=names if muted else set())
        watch = MuteWatch(pattern, notes_of(pattern), known=dict.fromkeys(names, muted), hears=True)
        wrong: list[MuteChange] = []
        passed = 0
        for tick, channel, note in drum.play(passes * BAR):
            while passed < tick:
                passed = min(passed + 6, tick)
                wrong += [c for c in watch.passed(passed) if c.muted != muted]
            watch.heard(tick, channel, note)
        # Eight tracks: the bound allows 16 in 2,000 passes each.
        assert len(wrong) <= 5


RULES = st.builds(
    Rule,
    cycles=st.lists(
        st.tuples(st.integers(1, 4), st.integers(4, 6), st.booleans()).map(lambda c: Cycle(*c)),
        max_size=2,
    ).map(tuple),
    chances=st.sampled_from([(), (Fraction(1, 2),), (Fraction(1, 3), Fraction(3, 4))]),
    first=st.sampled_from([None, True, False]),
    fill=st.sampled_from([None, True, False]),
)


@settings(max_examples=60, deadline=None)
@given(
    rules=st.lists(RULES, min_size=1, max_size=4),
    length=st.integers(4, 9),
    carried=st.integers(0, 5),
    fill=st.booleans(),
)
def test_chances_are_those_of_the_forecast(
    rules: list[Rule], length: int, carried: int, fill: bool
) -> None:
    """The exact chances of `counting` are the reference, where no `if` asks what was heard."""
    steps = tuple(Step(n + 1, r) for n, r in enumerate(rules))
    pattern = Pattern("ebb line", length=8, tracks=(Track("bell", length, 6, steps),))
    memories = Memories(pattern)
    for each in occasions(pattern, 0, 400, carried):
        exact = chance_at(
            pattern, "bell", each.step.number, each.pass_number, carried_passes=carried, fill=fill
        )
        assert memories.chance(each, fill) == pytest.approx(exact)


def test_a_step_that_always_plays_has_no_part_in_if() -> None:
    pattern = one_track(Step(1), Step(2, rule(conditions=(If(None, True),))), name="bell")
    memories = Memories(pattern)
    first, second = occasions(pattern, 0, BAR)
    assert first.step.rule == ALWAYS
    memories.settle(first, 1.0, True, muted=0.0)
    # Contract of the set list: an `if` that finds no earlier conditional step reads as silent.
    assert memories.chance(second, False) == 0.0
