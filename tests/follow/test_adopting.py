"""Another version of the set takes over: same part, same tick, and what was wished for stays so."""

from __future__ import annotations

from dataclasses import replace

from companion.follow.conductor import counterparts
from companion.setlist import Part, SetList, Song
from tests.builders import Rehearsal, SetBuilder, ask, bar_pattern, three_parts

BAR, PHRASE = 96, 192


def songs(*made: tuple[str, int]) -> SetList:
    """Songs of so many parts each."""
    builder = SetBuilder()
    for title, count in made:
        for n in range(count):
            builder.part(bar_pattern(f"{title} {n}"), program=len(builder.parts))
    whole = builder.build()
    found, parts, number = [], list[Part](), 1
    for index, (title, count) in enumerate(made):
        found.append(Song(title, 120.0, range(number, number + count)))
        parts += [replace(p, song=index) for p in whole.parts[number - 1 : number - 1 + count]]
        number += count
    return replace(whole, songs=tuple(found), parts=tuple(parts))


def test_parts_are_known_by_song_and_place_in_it() -> None:
    old = songs(("Slack water", 2), ("Ebb", 3), ("Neap", 1))
    new = songs(("Neap", 2), ("Spring tide", 1), ("Slack water", 3), ("Ebb", 1))
    assert counterparts(old, new) == [3, 4, 6, None, None, 0]
    assert counterparts(old, old) == [0, 1, 2, 3, 4, 5]


def test_two_songs_of_one_title_are_told_apart_by_their_order() -> None:
    old = songs(("Ebb", 1), ("Neap", 1), ("Ebb", 2))
    new = songs(("Ebb", 2), ("Ebb", 2))
    assert counterparts(old, new) == [0, None, 2, 3]


def test_the_count_goes_on_where_it_was_in_a_part_that_has_moved() -> None:
    old = songs(("Slack water", 1), ("Ebb", 2))
    new = songs(("Spring tide", 4), ("Slack water", 1), ("Ebb", 2))
    on_stage = Rehearsal(old).start().clock(PHRASE + 50)
    assert on_stage.where == (2, 49)
    on_stage.conductor.adopt(new)
    assert on_stage.where == (6, 49)
    assert on_stage.conductor.sure
    # And on into the part that follows there, told in time and once.
    on_stage.clock(PHRASE)
    assert on_stage.where == (7, 49)
    assert [send.part for _, send in on_stage.sent] == [2, 7]


def test_a_new_length_of_the_part_counts_from_now_on() -> None:
    old = three_parts()
    longer = replace(old, parts=(replace(old.parts[0], phrases=2), *old.parts[1:]))
    on_stage = Rehearsal(old).start().clock(100)
    on_stage.conductor.adopt(longer)
    assert on_stage.conductor.standing().end == 2 * PHRASE
    # And back, when the planned end has gone by: the phrase that runs is played out.
    on_stage.clock(PHRASE)
    on_stage.conductor.adopt(old)
    assert on_stage.conductor.standing().end == 2 * PHRASE
    on_stage.clock(PHRASE)
    assert on_stage.where[0] == 2


def test_a_new_program_is_the_one_that_is_sent() -> None:
    old = three_parts()
    change = replace(old.parts[1].changes[0], program=77)
    new = replace(old, parts=(old.parts[0], replace(old.parts[1], changes=(change,)), old.parts[2]))
    on_stage = Rehearsal(old).start().clock(100)
    on_stage.conductor.adopt(new)
    on_stage.clock(PHRASE)
    assert [send.change.program for _, send in on_stage.sent] == [77]


def test_wishes_stay_wished() -> None:
    old = songs(("Slack water", 1), ("Ebb", 1), ("Neap", 2))
    new = songs(("Neap", 2), ("Slack water", 1), ("Ebb", 1))
    on_stage = Rehearsal(old).start().clock(50)
    ask(on_stage.conductor, "part 4")
    before = on_stage.conductor.standing()
    on_stage.conductor.adopt(new)
    after = on_stage.conductor.standing()
    assert (before.end, before.asked) == (after.end, after.asked) == (PHRASE, True)
    assert after.following is not None
    assert after.following.number == 2
    on_stage.clock(PHRASE)
    assert on_stage.where == (2, 49)

    on_stage = Rehearsal(old).start().clock(50)
    ask(on_stage.conductor, "stay")
    on_stage.conductor.adopt(new)
    assert on_stage.conductor.standing().staying
    assert on_stage.conductor.standing().end is None


def test_a_wish_to_go_where_nothing_is_any_more_is_forgotten() -> None:
    old = songs(("Slack water", 1), ("Ebb", 1), ("Neap", 2))
    new = songs(("Slack water", 1), ("Ebb", 1), ("Neap", 1))
    on_stage = Rehearsal(old).start().clock(50)
    ask(on_stage.conductor, "part 4")
    on_stage.conductor.adopt(new)
    after = on_stage.conductor.standing()
    assert not after.asked
    assert after.following is not None
    assert (after.following.number, after.end) == (2, PHRASE)


def test_a_part_that_is_gone_does_not_fit_while_it_runs() -> None:
    old = songs(("Slack water", 2), ("Ebb", 1))
    on_stage = Rehearsal(old).start().clock(PHRASE + 5)
    assert not on_stage.conductor.fits(songs(("Slack water", 1), ("Ebb", 1)))
    assert on_stage.conductor.fits(songs(("Ebb", 1), ("Slack water", 2)))


def test_while_nothing_runs_a_part_that_is_gone_becomes_the_nearest() -> None:
    on_stage = Rehearsal(songs(("Slack water", 2), ("Ebb", 1)))
    ask(on_stage.conductor, "part 3")
    on_stage.conductor.adopt(songs(("Neap", 2)))
    assert on_stage.where == (2, 0)
    on_stage.start().clock(10)
    assert on_stage.where == (2, 9)


def test_a_song_position_from_before_is_still_found_in_its_part() -> None:
    old = songs(("Slack water", 1), ("Ebb", 2))
    new = songs(("Spring tide", 1), ("Slack water", 1), ("Ebb", 2))
    on_stage = Rehearsal(old).start().clock(PHRASE + 60).stop()
    on_stage.conductor.adopt(new)
    on_stage.position(8).go_on().clock(1)
    assert on_stage.where == (2, 48)
