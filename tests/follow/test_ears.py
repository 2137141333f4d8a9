"""Joined in the middle: the place is found by ear, or it is said what cannot be told.

The instrument is the tests' own (`joining`), and shares no code with what listens.
"""

from __future__ import annotations

import random
import secrets
from dataclasses import replace
from itertools import product

import pytest
from sympy.ntheory.modular import crt

from companion.counting import Cycle, Pattern, Rule, Step, Track
from companion.follow.conductor import JOINED, Send
from companion.follow.ears import FAR, joined
from companion.follow.follower import Follower
from companion.follow.transport import State
from companion.setlist import Instrument, Part, ProgramChange, SetList, Song
from companion.wishes import Wish
from tests.follow.joining import (
    CLOCK,
    PORT,
    Cable,
    a_place,
    a_set,
    join,
    join_changed,
    muted_one,
    notes_of,
    over_cable,
    random_places,
    right,
    shipped,
    with_notes,
)
from tests.nightly import one_in

CLEAN = Cable(lost=0.0, jitter_ms=1.0)
TICK_NS = 60e9 / (120 * 24)


def on(k: int, n: int, *more: int) -> Rule:
    return Rule((Cycle(k, n, more=more),))


def track(name: str, *steps: int, rules: dict[int, Rule] | None = None, length: int = 16) -> Track:
    listed = {step: Rule() for step in steps} | (rules or {})
    return Track(name, length, 6, tuple(Step(n, listed[n]) for n in sorted(listed)))


# Two rare steps tell the eight passes of the phrase.
SLACK = Pattern(
    "slack water",
    phrase_ticks=768,
    tracks=(
        track("low drum", 1, 5, 9, 13, rules={16: on(4, 8)}),
        track("snap", 5, 13),
        track("hat", 3, 7, 11, 14, 15),
        track("bell", 8, rules={11: on(2, 8)}),
    ),
)
EBB = Pattern(
    "ebb line",
    phrase_ticks=768,
    tracks=(
        track("low drum", 1, 4, 11),
        track("snap", 9, rules={16: on(8, 8)}),
        track("conch", 3, 6, rules={12: on(1, 8)}),
    ),
)


def a_night(*patterns: Pattern, phrases: int | None = 1) -> SetList:
    """Parts of one phrase on one instrument, the last one open."""
    parts = tuple(
        Part(
            number,
            0,
            pattern,
            "drums",
            (ProgramChange("drums", number),),
            phrases if number < len(patterns) else None,
        )
        for number, pattern in enumerate(patterns, 1)
    )
    drums = Instrument("drums", port="*drum*", channel=9)
    song = Song("Slack water", 120.0, range(1, len(parts) + 1))
    return with_notes(SetList("Tidewater", (song,), parts, {"drums": drums}))


def counts_on(*patterns: Pattern) -> SetList:
    """The same on an instrument whose count of passes does not begin anew with each part."""
    setlist = a_night(*patterns)
    drums = replace(setlist.instruments["drums"], recount=False)
    return replace(setlist, instruments={"drums": drums})


NIGHT = a_night(SLACK, EBB, SLACK)

# Which of eight passes it is, in three steps of a binary number, and that on two tracks.
DIGITS = {10: on(2, 2), 12: on(3, 4, 4), 14: on(5, 8, 6, 7, 8)}
SPRING = Pattern(
    "spring tide",
    phrase_ticks=768,
    tracks=(
        track("low drum", 1, 5, 9, rules=DIGITS),
        track("bell", 4, 7, rules=DIGITS),
        track("snap", 5, 13),
    ),
)
CLEAR = a_night(SPRING, EBB, SLACK)


class Listening:
    """A follower that is joined with an instrument in the middle of a part.

    At tick `change` of it `to` begins, by hand, and nobody tells; from `silent` on all is muted.
    """

    def __init__(
        self,
        setlist: SetList,
        part: Part,
        begin: int,
        cable: Cable = CLEAN,
        *,
        change: int = 10**6,
        to: Part | None = None,
        silent: int = 10**6,
    ) -> None:
        rng = random.Random(begin)
        until = min(change, silent)
        sounds = [each for each in notes_of(setlist, part, begin + 4000, rng) if each[0] < until]
        if to is not None:
            sounds += [(change + at, *rest) for at, *rest in notes_of(setlist, to, 4000, rng)]
        self.events = over_cable(sounds, begin, begin + 4000, TICK_NS, cable, rng)
        self.follower = Follower(setlist)
        self.conductor = self.follower.conductor
        self.tick, self.now_ns = begin - 1, 0
        self.sent: list[tuple[int, Send]] = []
        self.said: list[str] = []

    def hear(self, ticks: int) -> Listening:
        until = self.tick + ticks
        for at, _, message in self.events:
            self.now_ns = round(at)
            for send in self.follower.hear(PORT, self.now_ns, message):
                assert isinstance(send, Send)
                self.sent.append((self.tick + 1, send))
            if message is CLOCK:
                self.tick += 1
                if self.conductor.doubt not in self.said:
                    self.said.append(self.conductor.doubt)
                if self.tick >= until:
                    break
        return self

    def until_found(self, ticks: int = 1500) -> Listening:
        """Hear until it is found, and fail after so many ticks."""
        until = self.tick + ticks
        while not self.found:
            assert self.tick < until
            self.hear(1)
        return self

    def ask(self, words: str) -> Listening:
        self.follower.wish(words, self.now_ns)
        return self

    @property
    def help(self) -> str:
        return self.conductor.standing().help

    @property
    def found(self) -> bool:
        return self.conductor.sure and self.conductor.state is State.RUNNING


def test_joined_in_the_middle_it_says_what_it_hears_and_is_sure_in_the_end() -> None:
    at = Listening(a_night(SLACK), a_night(SLACK).parts[0], 96 * 2 + 17).hear(10)
    assert at.conductor.doubt == JOINED
    at.hear(1600)
    assert at.found
    assert (at.conductor.tick - at.tick) % 768 == 0
    assert any(said.startswith("listening: slack water, pass") for said in at.said)


@pytest.mark.parametrize("bar", range(5))
def test_the_change_at_the_end_of_a_part_that_was_joined_leaves_in_time(bar: int) -> None:
    at = Listening(CLEAR, CLEAR.parts[0], 96 * bar + 31)
    at.hear(766 - at.tick)
    assert at.found
    assert at.conductor.part.number == 1
    [(tick, send)] = at.sent
    assert 768 - 24 <= tick <= 768 - 12
    assert send.part == 2


def test_every_place_of_an_open_part_with_two_rare_steps_is_found_within_three_phrases() -> None:
    setlist = a_night(SLACK)
    for n in range(20):
        outcome = join(setlist, setlist.parts[0], 37 * n, random.Random(n))
        assert not outcome.wrong
        assert outcome.sure_after is not None
        assert outcome.sure_after < 3 * 768


def test_what_a_person_says_wins_and_can_be_undone() -> None:
    at = Listening(NIGHT, NIGHT.parts[0], 96 * 2 + 40).hear(192)
    assert not at.found
    at.ask("align")
    assert at.found
    assert at.conductor.tick == 0
    at.hear(96)
    assert at.conductor.tick == 96
    at.ask("undo").hear(10)
    assert not at.found


def test_what_is_likely_can_be_confirmed() -> None:
    at = Listening(NIGHT, NIGHT.parts[1], 31)
    while at.conductor.by_ear.place is None and at.tick < 760:
        at.hear(1)
    assert not at.found
    assert at.conductor.why_not(Wish.of("confirm")) is None
    at.ask("confirm")
    assert at.found
    assert (at.conductor.part.number, at.conductor.tick) == (2, at.tick)


def test_what_is_heard_becomes_the_count_by_itself_and_a_word_still_wins() -> None:
    at = Listening(CLEAR, CLEAR.parts[0], 31)
    at.until_found()
    assert not at.sent
    assert at.conductor.notice == "found by ear: spring tide"
    assert (at.conductor.part.number, at.conductor.tick) == (1, at.tick)
    at.ask("align").ask("align")
    assert at.conductor.tick == 0
    at.hear(50).ask("undo")
    assert (at.conductor.part.number, at.conductor.tick) == (1, at.tick)
    at.hear(766 - at.tick)
    assert [send.part for _, send in at.sent] == [2]


def test_where_a_count_is_on_the_screen_ears_say_what_they_hear_and_c_means_the_screen() -> None:
    setlist = a_night(SPRING)
    at = Listening(setlist, setlist.parts[0], 31)
    at.until_found().hear(400)
    # The cable is out for two seconds: perhaps a tick more or fewer than were reckoned.
    events, apart, out_ns = list(at.events), at.now_ns, 2_000_000_000
    at.events = iter([each for each in events if not apart < each[0] < apart + out_ns])
    at.hear(30)
    assert not at.found
    while not at.conductor.doubt.startswith("listening: spring tide, pass"):
        at.hear(1)
        assert not at.found
    assert "press c" in at.help
    shown = at.conductor.tick
    at.ask("confirm")
    assert at.found
    assert at.conductor.tick == shown


def test_after_a_silence_ears_settle_how_many_ticks_there_were() -> None:
    setlist = a_night(SPRING)
    at = Listening(setlist, setlist.parts[0], 31)
    at.until_found().hear(400)
    events, apart, out_ns = list(at.events), at.now_ns, 2_000_000_000
    missed = sum(apart < each[0] < apart + out_ns and each[2] is CLOCK for each in events)
    at.events = iter([each for each in events if not apart < each[0] < apart + out_ns])
    at.hear(30)
    assert not at.found
    at.until_found()
    assert (at.conductor.tick - at.tick - missed) % 768 == 0


def test_after_a_start_with_the_part_in_doubt_the_part_is_heard_and_begins_there() -> None:
    """Whoever was unheard for five seconds may have chosen another part, and it has one top."""
    setlist = a_night(EBB, SPRING)
    at = Listening(setlist, setlist.parts[1], 0)
    again = list(at.events)
    at.follower.hear(PORT, 0, (0xFA,))
    for n in range(100):
        at.follower.hear(PORT, round(n * TICK_NS), CLOCK)
    away_ns = 8 * 10**9
    at.follower.passed(away_ns)
    at.follower.hear(PORT, away_ns, (0xFA,))
    at.events = iter([(t + away_ns, order, message) for t, order, message in again])
    at.hear(10)
    assert not at.found
    at.until_found(300)
    assert (at.conductor.part.number, at.conductor.tick) == (2, at.tick)


def test_a_part_that_is_played_beyond_its_end_is_not_taken_for_the_same_within_it() -> None:
    at = Listening(CLEAR, CLEAR.parts[0], 31).until_found().ask("stay")
    at.hear(900 - at.tick)
    # The cable is out, and it went faster meanwhile: the count is too low, and may well be.
    events, apart, out_ns, faster_ns = list(at.events), at.now_ns, 5 * 10**9, 10**9
    missed = sum(apart < each[0] < apart + out_ns and each[2] is CLOCK for each in events)
    at.follower.passed(apart + out_ns - faster_ns)
    at.events = iter([(t - faster_ns, n, m) for t, n, m in events if t >= apart + out_ns])
    for _ in range(700):
        at.hear(1)
        assert not at.found or at.conductor.tick == at.tick + missed


def test_where_its_part_began_is_not_heard_of_an_instrument_that_counts_on() -> None:
    """Seed 66042.4: moved in a song whose beginning nobody knows, it was placed by what it counts.

    Notes tell its count, and not how much of that it had counted before the part.
    """
    setlist = counts_on(EBB, SPRING)
    at = Listening(setlist, setlist.parts[1], 31).hear(60).ask("part 2").ask("align")
    assert at.found
    sixteenths = 73
    for message in ((0xFC,), (0xF2, sixteenths, 0), (0xFB,)):
        at.follower.hear(PORT, at.now_ns, message)
    moved = Listening(setlist, setlist.parts[1], 6 * sixteenths)
    at.events = iter([(t + at.now_ns, n, message) for t, n, message in moved.events])
    for _ in range(1200):
        at.hear(1)
        assert not at.found
    assert at.ask("confirm").found


def test_begun_again_unheard_an_instrument_that_counts_on_is_left_to_a_word() -> None:
    """Seed 67011.1: after a silence it sounded as if it had played on all the while."""
    setlist = counts_on(EBB, SPRING)
    at = Listening(setlist, setlist.parts[1], 0).hear(1).ask("part 2").ask("align").hear(600)
    assert at.found
    away_ns = at.now_ns + round((768 - at.tick) * TICK_NS)
    at.follower.passed(away_ns)
    again = Listening(setlist, setlist.parts[1], 0)
    begun_ns = away_ns - 10**9
    at.events = iter([(t + begun_ns, n, message) for t, n, message in again.events])
    for _ in range(1200):
        at.hear(1)
        assert not at.found
    assert at.ask("confirm").found


def test_what_counts_alike_and_began_otherwise_is_told_apart_by_no_note() -> None:
    """Seed 67023.1: chosen and started, it was taken at the start or a pass later."""
    setlist = counts_on(EBB, SPRING)
    at = Listening(setlist, setlist.parts[1], 0)
    at.follower.hear(PORT, 0, (0xFA,))
    for n in range(48):
        at.follower.hear(PORT, round(n * TICK_NS), CLOCK)
    for message in ((0xC9, 2), (0xFA,)):
        at.follower.hear(PORT, round(48 * TICK_NS), message)
    for _ in range(1500):
        at.hear(1)
        assert not at.found or at.conductor.tick == at.tick
    assert at.ask("confirm").found


@pytest.mark.parametrize("word", ["stay", "disarm"])
def test_a_part_that_went_on_is_not_taken_for_one_that_began_anew(word: str) -> None:
    """Seeds 30003.1 and 30000.4: kept on, or not changed by the hand that was to.

    After a stray reset nobody knows the place, and within one turn of it the notes are the same.
    """
    at = Listening(CLEAR, CLEAR.parts[0], 31).until_found().ask(word)
    at.hear(900 - at.tick)
    at.follower.hear(PORT, at.now_ns, (0xFF,))
    for _ in range(1600):
        at.hear(1)
        assert not at.found or (at.conductor.part.number, at.conductor.tick) == (1, at.tick)


@pytest.mark.parametrize("to", [0, 1])
@pytest.mark.parametrize("change", [2, 3, 5])
def test_what_a_hand_changed_while_it_listened_is_what_is_found(change: int, to: int) -> None:
    """At a pass's end another part begins, or the same again: never sure of what is over."""
    changed = 96 * (1 + change)
    at = Listening(CLEAR, CLEAR.parts[0], 96 + 40, change=changed, to=CLEAR.parts[to])
    while at.tick < changed - 1:
        at.hear(1)
        assert not at.found or at.conductor.tick == at.tick
    was_sure, sure = at.found, 0
    while at.tick < changed + 760:
        at.hear(1)
        here = (at.conductor.part.number, at.conductor.tick) == (to + 1, at.tick - changed)
        assert here or not at.found or (was_sure and at.tick < changed + 96)
        sure += at.found
    assert sure


def test_after_it_was_found_another_pattern_makes_unsure_and_is_found_in_turn() -> None:
    setlist = a_night(SPRING, SLACK)
    at = Listening(setlist, setlist.parts[0], 31, change=96 * 5, to=setlist.parts[1])
    at.hear(96 * 5 - at.tick - 1)
    assert at.found
    assert at.conductor.part.number == 1
    at.hear(96)
    assert not at.found or at.conductor.part.number == 2
    at.until_found()
    assert (at.conductor.part.number, at.conductor.tick) == (2, at.tick - 96 * 5)


def test_after_it_was_found_a_break_in_which_all_is_muted_moves_nothing() -> None:
    setlist = a_night(SPRING)
    at = Listening(setlist, setlist.parts[0], 31, silent=96 * 5)
    at.hear(96 * 5 - at.tick)
    assert at.found
    for _ in range(96 * 8):
        at.hear(1)
        assert at.found


def test_an_instrument_that_changes_at_once_waits_for_a_word() -> None:
    setlist = CLEAR
    drums = replace(setlist.instruments["drums"], at_once=True)
    setlist = replace(setlist, instruments={"drums": drums})
    at = Listening(setlist, setlist.parts[0], 31)
    while "press c" not in at.help and at.tick < 700:
        at.hear(1)
        assert not at.found
    at.ask("confirm")
    assert at.found
    assert (at.conductor.part.number, at.conductor.tick) == (1, at.tick)


def test_of_a_pattern_without_rare_steps_only_the_step_is_heard() -> None:
    plain = Pattern(
        "slack water",
        phrase_ticks=768,
        tracks=(track("low drum", 1, 5, 9, 13), track("snap", 5, 13), track("hat", 3, 10)),
    )
    setlist = a_night(plain, EBB)
    at = Listening(setlist, setlist.parts[0], 250).hear(500)
    assert not at.found
    assert at.conductor.state is not State.RUNNING or at.conductor.doubt


def test_a_pass_of_very_many_notes_is_listened_to() -> None:
    long = Pattern(
        "neap",
        length=128,
        phrase_ticks=768,
        tracks=(
            track("low drum", *range(1, 129), length=128),
            track("snap", *range(1, 64), length=128),
            track("hat", *range(60, 129), length=128),
        ),
    )
    setlist = a_night(long, EBB)
    at = Listening(setlist, setlist.parts[0], 100)
    at.hear(760 - at.tick)
    assert not at.found or at.conductor.part.number == 1


def test_of_two_parts_alike_it_cannot_be_told_which_one_plays() -> None:
    setlist = a_night(SLACK, SLACK, EBB)
    at = Listening(setlist, setlist.parts[0], 100).hear(650)
    assert not at.found


def test_a_set_without_notes_is_aligned_as_ever() -> None:
    setlist = replace(NIGHT, notes={})
    at = Listening(setlist, NIGHT.parts[1], 100).hear(500)
    assert not at.found
    assert at.conductor.doubt == JOINED


def test_notes_of_another_channel_tell_nothing() -> None:
    at = Listening(NIGHT, NIGHT.parts[1], 100, replace(CLEAN, channel=1)).hear(600)
    assert not at.found
    assert at.conductor.doubt == JOINED


@pytest.mark.parametrize("seed", one_in(3, range(12)))
def test_another_set_is_never_taken_for_this_one(seed: int) -> None:
    rng = random.Random(seed)
    mine, other = a_set(rng), a_set(rng)
    played, begin = a_place(other, rng)
    part = replace(mine.parts[0], phrases=None)
    setlist = replace(mine, parts=(part, *mine.parts[1:]))
    outcome = join(setlist, part, begin, rng, played=played, ticks=1500)
    assert outcome.sure_after is None


@pytest.mark.parametrize("seed", range(12))
def test_a_pattern_that_was_changed_since_it_was_written_leads_nowhere_wrong(seed: int) -> None:
    rng = random.Random(seed)
    part = NIGHT.parts[rng.randrange(2)]
    tracks = list(part.pattern.tracks)
    at = rng.randrange(len(tracks))
    steps = list(tracks[at].steps)
    n = rng.randrange(len(steps))
    cycles = steps[n].rule.cycles
    if cycles:
        # Its rare step comes on another pass.
        steps[n] = replace(steps[n], rule=on(cycles[0].k % 8 + 1, 8))
    else:
        free = set(range(1, 17)) - {step.number for step in steps}
        steps[n] = replace(steps[n], number=rng.choice(sorted(free)))
    steps.sort(key=lambda step: step.number)
    tracks[at] = replace(tracks[at], steps=tuple(steps))
    played = replace(part, pattern=replace(part.pattern, tracks=tuple(tracks)))
    begin = rng.randrange(600)
    outcome = join(NIGHT, part, begin, rng, played=played, until_sure=False)
    assert not outcome.wrong


@pytest.mark.parametrize("seed", range(8))
def test_in_random_places_of_random_sets_it_is_never_sure_and_wrong(seed: int) -> None:
    rng = random.Random(seed)
    for setlist, part, begin, cable in random_places(rng, 4):
        outcome = join(setlist, part, begin, rng, cable=cable)
        assert not outcome.wrong


@pytest.mark.parametrize("seed", one_in(4, range(8)))
def test_what_changed_by_hand_is_never_taken_for_what_it_was(seed: int) -> None:
    rng = random.Random(seed)
    for setlist, part, begin, cable in random_places(rng, 2):
        outcome = join_changed(setlist, part, begin, rng, cable=cable)
        assert outcome.before or not outcome.wrong


@pytest.mark.nightly
@pytest.mark.timeout(3600)
def test_a_thousand_changes_by_hand_are_never_taken_for_what_was_before() -> None:
    seed = secrets.randbelow(10**6)
    print(f"seed {seed}")
    rng = random.Random(seed)
    for n, (setlist, part, begin, cable) in enumerate(random_places(rng, 1000)):
        outcome = join_changed(setlist, part, begin, rng, cable=cable)
        assert outcome.before or not outcome.wrong, f"seed {seed}, join {n}"


@pytest.mark.nightly
@pytest.mark.timeout(3600)
def test_ten_thousand_joins_are_never_sure_and_wrong() -> None:
    seed = secrets.randbelow(10**6)
    print(f"seed {seed}")
    rng = random.Random(seed)
    for n, (setlist, part, begin, cable) in enumerate(random_places(rng, 10_000)):
        outcome = join(setlist, part, begin, rng, cable=cable)
        assert not outcome.wrong, f"seed {seed}, join {n}"


def test_shipped_sets_are_never_taken_for_where_they_are_not() -> None:
    rng = random.Random(20)
    for setlist in shipped():
        for _ in range(3):
            part, begin = a_place(setlist, rng)
            outcome = join(
                setlist, part, begin, rng, cable=Cable(muted=muted_one(part, rng)), ticks=1500
            )
            assert not outcome.wrong


def test_remainders_are_joined_as_by_the_chinese_remainder_theorem() -> None:
    """Against sympy.ntheory.modular.crt: the likeliest remainders of each meet in one number."""
    rng = random.Random(3)
    moduli = [7, 16, 12, 9, 11, 25]
    for _ in range(20):
        place = rng.randrange(10**9)
        factors = []
        for modulus in moduli:
            vector = [-rng.uniform(1, 3) for _ in range(modulus)]
            vector[place % modulus] = 0.0
            factors.append((modulus, vector))
        found, whole = joined(factors, None)
        expected, _ = crt(moduli, [place % m for m in moduli])
        best = max(found, key=lambda each: each[1])
        assert best == (place % whole, 0.0)
        assert best[0] == int(expected)


def test_what_is_joined_is_all_that_is_not_far_from_the_best() -> None:
    rng = random.Random(5)
    factors = [(m, [rng.uniform(-30, 0) for _ in range(m)]) for m in (8, 12, 9, 5, 7)]
    found, whole = joined(factors, None)
    scores = {n: sum(v[n % m] for m, v in factors) for n in range(whole)}
    top = max(scores.values())
    near = {n: score for n, score in scores.items() if score > top - FAR + 15}
    assert near.items() <= {n: pytest.approx(score) for n, score in found}.items() or all(
        dict(found)[n] == pytest.approx(score) for n, score in near.items()
    )


def test_right_is_told_apart_from_wrong() -> None:
    part = NIGHT.parts[0]
    for shown, played in product((0, 96), repeat=2):
        assert right(part, shown, part, played) == (shown == played)
