"""Did the instrument take the change? Told from its notes in the first pass after the boundary."""

from __future__ import annotations

from dataclasses import replace

import pytest

from companion.counting import Cycle, If, Pattern, Rule, Step, Track
from companion.follow.notes import ObeyedWatch, Side, Verdict
from tests.bench.bench_obeyed import run
from tests.follow.noisy import NoisyDrum, notes_of, rule

BAR = 96


def pattern(name: str, **tracks: tuple[int, ...]) -> Pattern:
    """Certain steps on each track; an underscore in a name is a space."""
    made = (
        Track(n.replace("_", " "), 16, 6, tuple(Step(k) for k in numbers))
        for n, numbers in tracks.items()
    )
    return Pattern(name, tracks=tuple(made))


SLACK = pattern("slack water", low_drum=(1, 5, 9, 13), snap=(5, 13), hat=(3, 7, 11, 15))
EBB = pattern("ebb line", low_drum=(1, 4, 11), snap=(9,), hat=(1, 3, 5, 7, 9, 11, 13, 15))
NOTES = notes_of(SLACK)


def listen(
    played: Pattern, watch: ObeyedWatch, *, start: int = 0, muted: tuple[str, ...] = ()
) -> tuple[Verdict, int]:
    """The verdict after a pass, and the tick it fell at."""
    drum = NoisyDrum(played, NOTES, 1, lost=0.0, stray=0.0, muted=set(muted))
    coming = [(t - start, c, n) for t, c, n in drum.play(start + BAR, start)]
    fell = -1
    for tick in range(BAR + 8):
        if watch.passed(tick) is not Verdict.OPEN and fell < 0:
            fell = tick
        while coming and coming[0][0] <= tick:
            watch.heard(*coming.pop(0))
    return watch.verdict, fell


def watch_of(old: Pattern = SLACK, new: Pattern = EBB, **more: object) -> ObeyedWatch:
    return ObeyedWatch(
        Side(old, NOTES, start=8 * BAR, program=1),
        Side(new, NOTES, program=2),
        **more,  # type: ignore[arg-type]
    )


def test_an_instrument_that_plays_the_new_pattern_took_the_change() -> None:
    verdict, tick = listen(EBB, watch_of())
    assert verdict is Verdict.OBEYED
    assert tick < BAR


def test_an_instrument_that_plays_on_ignored_it_and_is_found_out_within_the_pass() -> None:
    verdict, tick = listen(SLACK, watch_of(), start=8 * BAR)
    assert verdict is Verdict.IGNORED
    assert tick < BAR


@pytest.mark.parametrize("muted", [("snap",), ("hat",), ("low drum",)])
def test_a_muted_track_is_no_ignored_change(muted: tuple[str, ...]) -> None:
    assert listen(EBB, watch_of(), muted=muted)[0] is not Verdict.IGNORED
    assert listen(SLACK, watch_of(), start=8 * BAR, muted=muted)[0] is not Verdict.OBEYED


def test_an_instrument_that_sends_no_notes_is_not_accused() -> None:
    every = ("low drum", "snap", "hat")
    assert listen(EBB, watch_of(), muted=every)[0] is Verdict.UNTOLD


def test_silence_says_nothing_of_an_instrument_that_was_never_heard() -> None:
    """Six tracks silent would be less likely than one, if it sent notes at all."""
    names = ("low_drum", "snap", "hat", "bell", "conch", "gull")
    many = pattern("many", **dict.fromkeys(names, (1, 5, 9, 13)))
    one = pattern("one", low_drum=(3,))
    watch = ObeyedWatch(Side(one, notes_of(many), start=BAR), Side(many, notes_of(many)))
    assert [watch.passed(tick) for tick in range(BAR + 8)][-1] is Verdict.UNTOLD


def test_two_patterns_that_sound_alike_cannot_be_told_apart() -> None:
    assert listen(SLACK, watch_of(new=SLACK))[0] is Verdict.UNTOLD


def test_a_variation_whose_list_leaves_out_what_it_shares_is_not_accused() -> None:
    """The new pattern plays all the old one does and a double snap; only that is on its list."""
    double = (*SLACK.tracks[1].steps, Step(14))
    played = replace(SLACK, tracks=(SLACK.tracks[0], Track("snap", 16, 6, double), SLACK.tracks[2]))
    listed = Pattern("listed", tracks=(Track("snap", 16, 6, (Step(14),)),))
    assert listen(played, watch_of(new=listed))[0] is not Verdict.IGNORED


def test_a_step_whose_turn_it_is_not_counts_as_silent() -> None:
    """The low drum's one is due on every fourth pass of the old pattern, and bar 9 is none."""
    fourth = Rule(cycles=(Cycle(4, 4),))
    old = replace(SLACK, tracks=(Track("low drum", 16, 6, (Step(1, fourth), Step(9))),))
    new = pattern("new", low_drum=(1, 5, 9, 13))
    assert listen(old, watch_of(old, new), start=8 * BAR)[0] is Verdict.IGNORED
    # In bar 12 it does play, and that much says nothing.
    side = Side(old, NOTES, start=11 * BAR)
    assert listen(old, ObeyedWatch(side, Side(old, NOTES, start=11 * BAR)))[0] is Verdict.UNTOLD


def test_steps_with_an_if_are_passed_over() -> None:
    ifs = tuple(Step(n, rule(conditions=(If("hat", True),))) for n in (2, 6, 10, 14))
    old = Pattern("old", tracks=(Track("low drum", 16, 6, (Step(1), *ifs)), SLACK.tracks[2]))
    new = pattern("new", low_drum=(1, 2, 6, 10, 14))
    new = replace(new, tracks=(*new.tracks, SLACK.tracks[2]))
    for played in (old, new):
        assert listen(played, watch_of(old, new), start=8 * BAR)[0] is Verdict.UNTOLD


def test_steps_too_close_to_tell_apart_are_passed_over() -> None:
    notes = notes_of(SLACK)
    # Ticks 8, 32, 56, 80 against 12, 36, 60, 84: four apart, and notes come 1 early to 3 late.
    early = tuple(map(Step, (2, 5, 8, 11)))
    late = tuple(map(Step, (3, 7, 11, 15)))
    triplets = Pattern("triplets", tracks=(Track("hat", 12, 8, early),))
    sixteenths = Pattern("sixteenths", tracks=(Track("hat", 16, 6, late),))
    watch = ObeyedWatch(Side(sixteenths, notes), Side(triplets, notes))
    assert listen(triplets, watch)[0] is Verdict.UNTOLD


def test_quick_steps_have_narrow_windows() -> None:
    """Thirty-seconds are three ticks apart; a note of the second is none of the first."""
    one = Pattern("one", tracks=(Track("hat", 32, 3, tuple(map(Step, range(1, 32, 4)))),))
    two = Pattern("two", tracks=(Track("hat", 32, 3, tuple(map(Step, range(2, 32, 4)))),))
    assert listen(two, watch_of(two, one), start=8 * BAR)[0] is Verdict.IGNORED
    assert listen(one, watch_of(two, one))[0] is Verdict.OBEYED


def test_tracks_that_share_a_note_are_passed_over() -> None:
    shared = {**NOTES, "snap": NOTES["low drum"]}
    new = replace(SLACK, tracks=(EBB.tracks[0], SLACK.tracks[1], SLACK.tracks[2]))
    drum = NoisyDrum(new, shared, 1, lost=0.0, stray=0.0)
    watch = ObeyedWatch(Side(SLACK, shared), Side(new, shared))
    for note in drum.play(BAR):
        watch.heard(*note)
    assert watch.passed(BAR + 8) is Verdict.UNTOLD


def test_the_instruments_own_word_decides() -> None:
    assert watch_of().announced(1) is Verdict.IGNORED
    assert watch_of().announced(2) is Verdict.OBEYED
    assert watch_of().announced(3) is Verdict.OPEN
    # Its word after its notes: it says that it is still on the old one.
    watch = watch_of()
    listen(EBB, watch)
    assert watch.announced(1) is Verdict.IGNORED


def test_errors_stay_under_one_in_a_thousand() -> None:
    """300 changes of each kind, a fifth of the tracks muted, notes lost and stray."""
    for case, found in (("all tracks differ", 0.97), ("steps left out", 0.95)):
        for obeys, wrong in ((True, Verdict.IGNORED), (False, Verdict.OBEYED)):
            counts, ticks = run(300, case, obeys)
            # At the allowed rate two or more errors in 300 come once in twenty-seven times.
            assert counts[wrong] <= 1
            assert len(ticks) >= found * 300
