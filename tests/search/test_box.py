"""The box, the judge and the search are themselves tried, on a follower as simple as can be."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.search.box import Book, Box, Kind, Part, program_change
from tests.search.naive import DOUBTS, Naive, Rash, trusting
from tests.search.nights import play
from tests.search.search import (
    TOYS,
    Merged,
    cut_down,
    normal,
    random_sequence,
    replay,
    search,
    story,
    unlike,
)
from tests.search.stage import Charged, Event, Stage, set_of
from tests.search.stories import STORIES, WATERS

BARS = Book((Part(0), Part(1), Part(2, phrases=None)))


def played(box: Box, ticks: int) -> Box:
    """The box after so many ticks."""
    for _ in range(ticks):
        box.clock()
    return box


def started(book: Book = BARS) -> Box:
    """A box that was started."""
    box = Box(book)
    box.start()
    return box


# -- the box -------------------------------------------------------------------------------------


def test_the_first_tick_after_a_start_is_tick_0_and_a_change_waits_for_the_end_of_the_pass() -> (
    None
):
    box = played(started(), 96)
    assert (box.program, box.tick, box.left) == (0, 95, 1)
    box.told(1)
    box.clock()
    assert (box.program, box.tick, box.began) == (1, 0, 96)


def test_told_on_the_one_it_plays_the_whole_pass_first() -> None:
    box = played(started(), 97)
    box.told(1)
    assert played(box, 95).program == 0
    assert played(box, 1).program == 1


def test_one_that_changes_at_once_begins_at_the_tick_nearest_to_the_change() -> None:
    book = replace(BARS, kind=Kind(at_once=True))
    early, late = played(started(book), 50), played(started(book), 50)
    early.told(1, part_of_tick=0.2)
    late.told(1, part_of_tick=0.8)
    assert (early.program, early.tick, late.program, late.tick) == (1, 0, 1, -1)


@pytest.mark.parametrize(
    ("how", "program", "waiting"), [("keeps", 0, 1), ("takes", 1, None), ("drops", 0, None)]
)
def test_stopped_with_a_change_waiting_it_does_one_of_three_things(
    how: str, program: int, waiting: int | None
) -> None:
    box = played(started(), 90)
    box.told(1)
    box.stop(how)
    assert (box.program, box.waiting) == (program, waiting)


def test_the_running_pattern_chosen_again_takes_back_what_waits() -> None:
    box = played(started(), 50)
    box.choose(2)
    assert box.choose(0) == [program_change(0)]
    assert played(box, 100).program == 0


def test_moved_to_before_its_pattern_began_nobody_knows_what_it_plays() -> None:
    box = played(started(), 90)
    box.told(1)
    played(box, 50)
    box.locate(4)
    assert box.adrift
    box.locate(20)
    assert (box.adrift, played(box, 1).tick) == (False, 24)


def test_a_change_that_is_ignored_shows_within_a_pass_of_the_old_pattern() -> None:
    box = played(started(replace(BARS, kind=Kind(ignores=True))), 90)
    box.told(1)
    box.ignore()
    sent = [message for _ in range(110) for message in box.clock()]
    assert sent.count(program_change(0)) == 1
    assert box.ignored_left == 0
    assert box.program == 0


@given(
    st.lists(st.sampled_from(("told", "chosen", "back", "ignored")), max_size=3),
    st.integers(0, 200),
    st.integers(0, 400),
)
def test_ticks_that_nobody_hears_are_played_all_the_same(
    acts: list[str], before: int, unheard: int
) -> None:
    one, other = started(), started()
    for box in (one, other):
        played(box, before)
        for act in acts:
            if act == "told":
                box.told(1)
            elif act == "ignored" and box.waiting is not None:
                box.ignore()
            elif act in ("chosen", "back"):
                box.choose(2 if act == "chosen" else box.program)
    one.skip(unheard)
    played(other, unheard)
    assert (one.program, one.tick, one.song, one.began, one.waiting) == (
        other.program,
        other.tick,
        other.song,
        other.began,
        other.waiting,
    )


@pytest.mark.parametrize("book", [BARS, *TOYS.values()])
def test_a_set_is_read_as_the_box_plays_it(book: Book) -> None:
    parts = set_of(book).parts
    assert [part.pattern.pass_ticks for part in parts] == [part.pass_ticks for part in book.parts]
    assert [part.pattern.phrase_ticks for part in parts] == [p.phrase_ticks for p in book.parts]
    assert [part.phrases for part in parts] == [part.phrases for part in book.parts]
    assert [part.changes[0].program for part in parts] == [part.program for part in book.parts]


# -- the judge -----------------------------------------------------------------------------------


class Hasty(Naive):
    """Sends at another time than it should, or what it should not."""

    early = 0

    def __init__(self, *args: object, **more: object) -> None:
        super().__init__(*args, **more)  # type: ignore[arg-type]
        self._lead += self.early


def charge_of(kind: type, *events: Event, book: Book = WATERS) -> str:
    """What is charged, or nothing."""
    try:
        replay(book, kind, events)
    except Charged as charge:
        return str(charge)
    return ""


@pytest.mark.parametrize(
    ("early", "charge"),
    [(0, ""), (-14, "late"), (2, "early"), (80, "wrong pass")],
)
def test_the_judge_notices_when_a_change_is_sent(early: int, charge: str) -> None:
    kind = type("Early", (Hasty,), {"early": early})
    found = charge_of(kind, ("start",), ("ticks", 200))
    assert (charge in found) if charge else not found


def test_the_judge_notices_what_is_sent_twice_unasked_or_disarmed() -> None:
    class Twice(Naive):
        def _tick(self, t_ns: int) -> list:  # type: ignore[type-arg]
            sends = super()._tick(t_ns)
            return [*sends, *sends]

    class Deaf(Naive):
        def wish(self, words: str, t_ns: int) -> list:  # type: ignore[type-arg]
            return []

    start = ("start",)
    assert "twice" in charge_of(Twice, start, ("ticks", 200))
    assert "unasked" in charge_of(Deaf, start, ("wish", "stay"), ("ticks", 200))
    assert "disarmed" in charge_of(Deaf, start, ("wish", "disarm"), ("ticks", 200))


def test_the_judge_notices_a_silence_that_is_not_noticed() -> None:
    class Patient(Naive):
        def passed(self, now_ns: int) -> list:  # type: ignore[type-arg]
            return []

    silence = (("start",), ("ticks", 50), ("silence", 0.3))
    assert "ticks of silence" in charge_of(Patient, *silence)
    assert not charge_of(Naive, *silence)


def test_the_judge_notices_an_error_in_the_follower() -> None:
    class Broken(Naive):
        def keeps(self, send: object) -> bool:
            raise AssertionError

        def wish(self, words: str, t_ns: int) -> list:  # type: ignore[type-arg]
            raise ValueError(words)

    assert "raises ValueError: next" in charge_of(Broken, ("wish", "next"))


# -- the search ----------------------------------------------------------------------------------


def test_a_follower_that_doubts_whatever_is_not_plain_is_found_clean() -> None:
    for name, book in TOYS.items():
        found = search(book, Naive, 3)
        assert not found.charges, f"{name}\n{story(book, Naive, found.charges[0][0])}"


# What it does on a choice is right, if it heard all; a doubt too many is no fault.
@pytest.mark.parametrize("doubt", [doubt for doubt in DOUBTS if doubt != "a choice"])
def test_each_doubt_that_is_left_out_is_found(doubt: str) -> None:
    book = TOYS["ignores"] if doubt == "a change by hand" else TOYS["names"]
    assert search(book, trusting(doubt), 4, most_charges=1).charges


def test_two_at_work_find_what_one_finds() -> None:
    one, two = search(TOYS["names"], Rash, 3), search(TOYS["names"], Rash, 3, workers=2)
    assert one.charges
    assert replace(one, seconds=0.0) == replace(two, seconds=0.0)


def test_the_sequences_that_the_states_stand_for_are_counted() -> None:
    book, alphabet = TOYS["names"], (("ticks", 4), ("start",), ("stop",))

    def count(stage: Stage, depth: int) -> int:
        if not depth:
            return 1
        total, copied = 0, stage.copier()
        for event in alphabet:
            after = copied()
            if after.do(event):
                total += count(after, depth - 1)
        return total

    found = search(book, Naive, 4, alphabet=alphabet)
    assert found.sequences == count(Stage(book, Naive), 4)


def test_times_are_told_from_now_and_fractions_rounded() -> None:
    now = 3_600_000_000_000_000
    kept = {"at": now - 40_000_000, "weights": [0.12345, 1e-14], "part": 2, "period": 20_833_333}
    later = {"at": now - 39_999_000, "weights": [0.12344, 0.0], "part": 2, "period": 20_833_331}
    assert normal(kept, now) == normal(later, now)
    assert normal(kept, now) != normal({**kept, "part": 1}, now)
    assert normal(kept, now) != normal(kept, now + 20_000_000)


def test_a_state_that_is_told_apart_too_little_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    class Moody(Naive):
        """Has enough of its performer after three wishes, and nothing else shows how many."""

        def wish(self, words: str, t_ns: int) -> list:  # type: ignore[type-arg]
            self._["wishes"] = self._.get("wishes", 0) + 1
            if self._["wishes"] == 3:
                self._doubts("a mood")
            return super().wish(words, t_ns)

    rng = Random(1)
    alphabet = (("ticks", 4), ("start",), ("stop",), ("wish", "hum"))
    book = TOYS["names"]
    sequences = [random_sequence(rng, book, Naive, alphabet, 7) for _ in range(200)]
    merged = Merged(TOYS["names"], Moody)
    assert not any(unlike(merged, events) for events in sequences)
    monkeypatch.setattr("tests.search.search.normal", lambda value, now_ns: 0)
    merged = Merged(TOYS["names"], Moody)
    assert any(unlike(merged, events) for events in sequences)


# -- nights and stories --------------------------------------------------------------------------


def test_a_failure_is_cut_down_to_what_it_needs() -> None:
    events: list[Event] = [("start",), ("ticks", 99), ("stop",), ("confirm",), ("ticks", 7)]

    def fails(left: object) -> bool:
        assert isinstance(left, list)
        return ("start",) in left and any(e[0] == "ticks" and e[1] >= 50 for e in left)

    assert cut_down(events, fails) == [("start",), ("ticks", 50)]


def test_a_night_is_the_same_again_from_its_seed() -> None:
    one, two = play(Naive, 5), play(Naive, 5)
    assert one == two
    assert one.ticks > 1000


def test_the_stories_catch_a_follower_that_never_doubts() -> None:
    kind = trusting(*DOUBTS)
    caught = {
        story.name.split()[0]
        for story in STORIES
        if charge_of(kind, *story.events, book=story.book)
    }
    assert {"2", "4", "5", "6", "8", "9", "11"} <= caught
    # It hears no notes.
    told = [story for story in STORIES if not story.book.kind.notes]
    assert not any(charge_of(Naive, *story.events, book=story.book) for story in told)
