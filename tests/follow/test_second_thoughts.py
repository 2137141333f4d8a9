"""Second thoughts: what a person said of the count is undone, and the count that would have been
goes on; a slip of a finger moves nothing; wishes to go back, and to and fro between songs."""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.setlist import Address, Binding, Kind, Press, ProgramChange, SetList, Song
from companion.wishes import Ask, Wish
from tests.builders import TICK_NS, Rehearsal, SetBuilder, bar_pattern, three_parts

# A bar of 4/4 is 96 clocks, a beat 24 (MIDI 1.0, from memory); phrases here are two bars.
BAR, BEAT, PHRASE = 96, 24, 192
PADS = "shore pads"


def long_set(**instrument: object) -> SetList:
    """Six parts of a phrase or two on one instrument, programs 1 to 6 on the wire."""
    builder = SetBuilder().instrument("drums", **instrument)
    for number, phrases in enumerate((2, 1, 3, 1, 2, None), 1):
        builder.part(bar_pattern(f"tide {number}"), program=number, phrases=phrases)
    return builder.build()


def two_songs(**more: object) -> SetList:
    """Three parts in each of two songs."""
    whole = long_set()
    songs = (Song("Slack water", 120.0, range(1, 4)), Song("Ebb", 120.0, range(4, 7)))
    parts = tuple(replace(p, song=int(p.number > 3)) for p in whole.parts)
    return replace(whole, songs=songs, parts=parts, **more)  # type: ignore[arg-type]


@dataclass
class Queued:
    """An instrument that queues a program and takes it when its pass of one bar ends.

    Written for the purpose and with no line of the follower's: it counts its own clocks.
    """

    playing: int = 1
    tick: int = -1
    waits: int | None = None

    def clock(self) -> None:
        self.tick += 1
        if self.waits is not None and self.tick and self.tick % BAR == 0:
            self.playing, self.waits, self.tick = self.waits, None, 0


class Stage(Rehearsal):
    """A rehearsal with an instrument that gets what is sent to it."""

    def __init__(self, setlist: SetList) -> None:
        super().__init__(setlist)
        self.drum, self._got = Queued(), 0

    def deliver(self) -> None:
        for _, send in self.sent[self._got :]:
            self.drum.waits = send.change.program
        self._got = len(self.sent)

    def play(self, ticks: int) -> Stage:
        for _ in range(ticks):
            self.drum.clock()
            self.clock()
            self.deliver()
        return self

    def tell(self, words: str) -> Stage:
        self.sent += [(self.clocks, send) for send in self.follower.wish(words, self.now_ns)]
        self.deliver()
        return self

    def away(self, ticks: int) -> Stage:
        """The engine is killed, and another takes up its place so many ticks later."""
        for _ in range(ticks):
            self.drum.clock()
            self.clocks += 1
        self.killed(ticks * TICK_NS)
        return self

    @property
    def notice(self) -> str:
        return self.conductor.standing().notice


def playing(ticks: int, **instrument: object) -> Stage:
    stage = Stage(long_set(**instrument))
    stage.start()
    return stage.play(ticks)


WORDS = ("align", "align bar", "align pass", "align phrase", "nudge forward a pass")


@pytest.mark.parametrize("word", [*WORDS, "nudge back a pass"])
def test_for_eight_bars_what_was_said_of_the_count_can_be_undone(word: str) -> None:
    stage = playing(101)
    beside = copy.deepcopy(stage)
    # Held to one part: nothing is sent meanwhile, and the two may be compared tick by tick.
    stage.tell("stay").tell(word)
    beside.tell("stay")
    stage.play(8 * BAR)
    beside.play(8 * BAR)
    if word not in ("align bar", "align pass"):
        assert stage.where != beside.where
    assert stage.conductor.undoable == word
    stage.tell("undo")
    assert stage.notice == f"undone: {word}"
    for _ in range(3):
        assert (stage.where, stage.conductor.sure) == (beside.where, True)
        assert stage.conductor.standing().end == beside.conductor.standing().end
        stage.play(70)
        beside.play(70)


def test_after_that_it_cannot_be_undone() -> None:
    stage = playing(101).tell("stay").tell("align").play(10 * BAR).tell("undo")
    # What is left to undo is the wish to stay.
    assert stage.notice == "undone: stay"


def test_one_word_on_the_count_after_another_is_undone_one_by_one() -> None:
    stage = playing(101).tell("align").play(10).tell("nudge forward a pass").play(10)
    assert stage.where == (1, 20 + BAR)
    assert stage.tell("undo").where == (1, 20)
    assert stage.tell("undo").where == (1, 120)
    assert stage.tell("undo").notice == "there is no wish to undo"


def test_what_was_wished_since_is_undone_first() -> None:
    stage = playing(101).tell("align").tell("stay").tell("undo")
    assert stage.notice == "undone: stay"
    assert stage.tell("undo").notice == "undone: align"
    assert stage.where == (1, 100)


def test_what_was_wished_since_stays_wished() -> None:
    stage = playing(101).tell("align").tell("stay")
    stage.conductor._happened()
    stage.tell("undo")
    assert stage.notice == "undone: align"
    assert stage.conductor.standing().staying


def test_an_undone_confirm_leaves_the_doubt_that_was() -> None:
    stage = playing(101)
    stage.conductor.suspect("the cable was pulled")
    doubt = stage.conductor.doubt
    stage.play(10).tell("confirm").play(50)
    assert stage.conductor.sure
    stage.tell("undo")
    assert (stage.conductor.sure, stage.conductor.doubt) == (False, doubt)


def test_a_change_that_left_meanwhile_is_known_to_have_left() -> None:
    # The part has four bars; said to begin anew after 101 ticks it ends a bar and 5 ticks late.
    stage = playing(101).tell("align")
    stage.play(4 * BAR - BEAT + 2)
    assert [send.change.program for _, send in stage.sent] == [2]
    stage.tell("undo")
    for _ in range(4):
        stage.play(40)
        assert stage.conductor.sure
        assert stage.where == (stage.drum.playing, stage.drum.tick)


def test_a_start_leaves_nothing_to_undo() -> None:
    stage = playing(101).tell("align")
    stage.stop()
    stage.start()
    stage.play(10)
    assert stage.conductor.undoable == ""


def test_undone_while_it_stands_still_it_goes_on_as_it_would_have() -> None:
    stage = playing(101).tell("align").play(30)
    stage.stop()
    stage.tell("undo")
    stage.go_on()
    stage.play(20)
    assert (stage.where, stage.conductor.sure) == ((1, 150), True)


@pytest.mark.parametrize("word", ["align", "nudge forward a pass", "align phrase"])
def test_what_was_said_before_a_kill_can_be_undone_after_it(word: str) -> None:
    stage = playing(101).tell(word).play(20).away(9).play(60)
    assert stage.conductor.undoable == word
    stage.tell("undo").play(2)
    assert stage.notice.startswith("undone: ")
    assert (stage.where, stage.conductor.sure) == ((1, stage.drum.tick), True)
    # And on from there, as if nothing had been said.
    stage.play(4 * BAR)
    assert stage.where == (stage.drum.playing, stage.drum.tick)


def test_word_upon_word_outlives_a_kill_and_eight_bars_are_eight_bars() -> None:
    stage = playing(101).tell("stay").tell("align").play(10).tell("nudge forward a pass")
    stage.play(20).away(5).play(60)
    assert stage.tell("undo").where == (1, 30 + 5 + 60)
    assert stage.tell("undo").where == (1, 100 + 30 + 5 + 60)
    stage.tell("align").play(4 * BAR).away(5).play(6 * BAR)
    # Of what was wished before a kill the plan is left, and what asked for it.
    assert stage.conductor.undoable == ""


def test_a_confirm_undone_after_a_kill_leaves_the_doubt_that_was() -> None:
    stage = playing(101)
    stage.conductor.suspect("the cable was pulled")
    stage.play(10).tell("confirm").play(30).away(3).play(60)
    assert stage.conductor.sure
    stage.tell("undo")
    assert not stage.conductor.sure


@settings(max_examples=40, deadline=None)
@given(
    word=st.sampled_from([*WORDS, "nudge back a pass", "confirm"]),
    # Not so soon after the start that the clock itself is in doubt.
    before=st.integers(60, 500),
    # Fewer than eight bars.
    since=st.integers(0, 8 * BAR - 1),
    lead=st.sampled_from((1, 4)),
    wish=st.sampled_from(("", "next", "stay", "next pass")),
    away=st.sampled_from((0, 0, 3, 20)),
)
def test_undone_the_count_is_the_one_that_would_have_been(
    word: str, before: int, since: int, lead: int, wish: str, away: int
) -> None:
    """Right before the word, it is right after the undo, whatever was sent in between."""
    stage = Stage(three_or_more(lead))
    stage.start()
    stage.play(before)
    right = stage.where == (stage.drum.playing, stage.drum.tick)
    assert right
    assert stage.conductor.sure
    stage.tell(word)
    if wish:
        stage.play(3).tell(wish)
    if away:
        stage.play(since // 2).away(away)
        since -= since // 2
    stage.play(since)
    while stage.conductor.undoable and stage.conductor.undoable != word:
        stage.tell("undo")
        if stage.notice.startswith("too late"):
            break
    if stage.conductor.undoable != word:
        return
    stage.tell("undo")
    for ticks in (0, 1, 30, 97, 200):
        stage.play(ticks)
        if stage.conductor.sure:
            assert stage.where == (stage.drum.playing, stage.drum.tick)
    # What left just before a kill may have been taken or not.
    assert away or stage.conductor.sure


def three_or_more(lead_beats: int) -> SetList:
    whole = long_set()
    drums = whole.instruments["drums"]
    lead = replace(drums.lead, count=lead_beats)
    return replace(whole, instruments={"drums": replace(drums, lead=lead)})


# -- slips ---------------------------------------------------------------------------------------


def padded(*wishes: Wish) -> SetList:
    """Three parts, and a pad for each wish: notes from 60 up on channel 1."""
    bindings = tuple(
        Binding(Press(Address(Kind.NOTE, 60 + i, 0), PADS), wish) for i, wish in enumerate(wishes)
    )
    return replace(three_parts(), controls=bindings)


def press(stage: Rehearsal, note: int = 60) -> None:
    stage.hear(0x90, note, 100, port=PADS)
    stage.hear(0x80, note, 0, port=PADS)


def test_a_pad_that_moves_a_sure_count_is_pressed_twice() -> None:
    stage = Rehearsal(padded(Wish(Ask.ALIGN)))
    stage.start().clock(50)
    press(stage)
    assert stage.conductor.notice.startswith("the count is sure: press again within two seconds")
    stage.clock(24)
    assert stage.where == (1, 73)
    press(stage)
    # It was the first press that was on the one.
    assert stage.conductor.notice == "aligned: the one is now"
    assert stage.where == (1, 24)


def test_after_two_seconds_it_is_a_first_press_again() -> None:
    stage = Rehearsal(padded(Wish(Ask.ALIGN)))
    stage.start().clock(50)
    press(stage)
    stage.clock(-(-2_000_000_000 // TICK_NS) + 1)
    press(stage)
    assert stage.where[1] == 147
    stage.clock(10)
    press(stage)
    assert stage.where[1] == 10


def test_two_pads_do_not_confirm_each_other() -> None:
    stage = Rehearsal(padded(Wish(Ask.ALIGN), Wish(Ask.ALIGN, "phrase")))
    stage.start().clock(150)
    press(stage, 60)
    stage.clock(10)
    press(stage, 61)
    assert stage.where == (1, 159)


def test_an_unsure_count_is_moved_by_the_first_press() -> None:
    stage = Rehearsal(padded(Wish(Ask.ALIGN)))
    stage.start().clock(50)
    stage.conductor.suspect("the cable was pulled")
    press(stage)
    assert stage.where == (1, 0)


def test_words_move_it_at_once() -> None:
    stage = Rehearsal(three_parts()).start().clock(50)
    stage.follower.wish("align", stage.now_ns)
    assert stage.where == (1, 0)


def test_a_key_is_a_press_too() -> None:
    stage = Rehearsal(three_parts()).start().clock(50)
    stage.follower.grant(replace(Wish(Ask.ALIGN), pressed=True), stage.now_ns)
    assert stage.where == (1, 49)


# -- to and fro ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("here", "words", "goal"),
    [
        (2, "previous", 1),
        (4, "previous", 3),
        (2, "next song", 4),
        (5, "previous song", 1),
        (5, "song again", 4),
        (4, "song again", 4),
        (6, "song again", 4),
    ],
)
def test_to_another_part_and_song(here: int, words: str, goal: int) -> None:
    stage = Stage(two_songs())
    stage.tell(f"part {here}")
    stage.start()
    stage.drum = Queued(here)
    stage.play(10).tell(words)
    assert stage.notice == f"going to part {goal} at the end of this phrase"
    assert stage.conductor.undoable == words
    stage.play(PHRASE + 5)
    assert stage.where == (goal, 14)
    assert (stage.drum.playing, stage.drum.tick) == (goal, 14)
    assert stage.conductor.sure
    # One change while it stood still, one for the wish.
    assert len(stage.sent) == 2


@pytest.mark.parametrize(
    ("here", "words", "why"),
    [
        (1, "previous", "this is the first part"),
        (2, "previous song", "this is the first song"),
        (5, "next song", "this is the last song"),
    ],
)
def test_where_there_is_no_such_part(here: int, words: str, why: str) -> None:
    stage = Stage(two_songs())
    stage.tell(f"part {here}")
    stage.start()
    stage.play(10).tell(words)
    assert stage.notice == why


def test_while_it_stands_still_the_next_song_comes_with_the_next_start() -> None:
    stage = Stage(two_songs())
    stage.hear(0xFC)
    stage.tell("next song")
    assert stage.notice == "part 4 comes with the next start"
    assert [send.change.program for _, send in stage.sent] == [4]


# -- said before, and said anyway ----------------------------------------------------------------


def test_next_for_what_is_planned_says_so() -> None:
    stage = playing(PHRASE + 50).tell("next")
    assert stage.notice == "part 2 comes at the end of this phrase anyway: it is planned"
    assert not stage.conductor.standing().asked
    assert stage.conductor.undoable == ""


def test_next_for_what_is_asked_for_says_so() -> None:
    stage = playing(50).tell("next").tell("next")
    assert stage.notice == "part 2 comes at the end of this phrase anyway: it is asked for"


def test_what_would_miss_the_boundary_is_known_before_and_said_after() -> None:
    stage = playing(PHRASE - BEAT - 1)
    assert stage.conductor.later() == ()
    stage.play(2)
    later = {each.wish: each.ticks for each in stage.conductor.later()}
    assert later == {"next": BEAT + PHRASE, "next pass": BEAT + BAR}
    stage.tell("next pass")
    assert stage.notice == (
        "going to part 2 at the end of the next pass: it is too late for the end of this pass"
    )
    assert stage.conductor.standing().end == PHRASE + BAR


# -- programs ------------------------------------------------------------------------------------


def with_pads() -> SetList:
    """Two parts on the drums, the pads told a program of their own in the first."""
    return (
        SetBuilder()
        .instrument("drums")
        .instrument("pads", channel=3)
        .part(bar_pattern("slack water"), program=1, phrases=4, also=[ProgramChange("pads", 7)])
        .part(bar_pattern("ebb line"), program=2)
        .build()
    )


def programs(stage: Stage) -> list[tuple[str, int]]:
    return [(send.instrument, send.change.program) for _, send in stage.sent]


def test_before_the_first_start_one_wish_sends_what_part_1_wants() -> None:
    stage = Stage(with_pads())
    assert [each.told for each in stage.conductor.standing().wants] == [False, False]
    stage.tell("send programs")
    assert sorted(programs(stage)) == [("drums", 1), ("pads", 7)]
    assert [each.told for each in stage.conductor.standing().wants] == [True, True]
    stage.tell("send programs")
    assert stage.notice == "no instrument is without its program, as far as is known"
    stage.start()
    stage.play(50)
    assert (stage.where, stage.conductor.sure) == ((1, 49), True)


def test_an_instrument_whose_port_came_back_is_offered_its_program_and_gets_it_once() -> None:
    stage = Stage(with_pads())
    both, drums = {"drums": 1, "pads": 2}, {"drums": 1}
    stage.follower.passed(stage.now_ns, both)
    stage.tell("send programs")
    stage.start()
    stage.play(50)
    for table in (drums, both):
        assert stage.follower.passed(stage.now_ns, table) == ()
        stage.play(5)
    # Nothing leaves by itself while it sounds.
    assert len(stage.sent) == 2
    assert stage.conductor.standing().back == {"pads"}
    stage.tell("send programs")
    assert programs(stage)[2:] == [("pads", 7)]
    assert stage.notice == "sent program 8 to pads"
    assert stage.conductor.standing().back == frozenset()
    # The plan goes on as if nothing had been.
    stage.play(4 * PHRASE)
    assert programs(stage)[3:] == [("drums", 2)]
    assert stage.where[0] == 2
