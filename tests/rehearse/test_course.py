"""Where a rehearsal goes, what it plays and what it sends, against an instrument of the tests'."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from scipy.stats import binomtest

from companion.rehearse import Loop
from tests.rehearse.hall import Opened
from tests.rehearse.judge import Judge
from tests.rehearse.listener import CLICKS, Listener

PADS = ((60, "start"), (61, "pause"))

# Every kind of rule, tracks of other lengths and steps, and an instrument for each way of changing.
RULES = """\
set: Tidewater
instruments:
  drums: {port: "*drum*", channel: 10}
  pads: {port: "*pad*", channel: 3, change: {takes_effect: at once}}
patterns:
  slack water:
    length: 8
    phrase: 4 passes
    tracks:
      low drum: {note: 36, steps: {1: always, 8: pass 4 of 4, 5: chance 60%}}
      shaker:
        note: 70
        length: 6
        steps: {1: pass 1 of 5, 3: if low drum played, 5: "pass 3 of 3, chance 50%"}
      bell:
        note: 56
        length: 5
        step: 1/16T
        steps: {1: first pass, 2: after first pass, 4: if last silent, 5: "chance 1 in 4, fill"}
  ebb line:
    length: 6
    step: 1/8
    phrase: 3 passes
    tracks:
      hiss: {note: 42, steps: {1: "not pass 2 of 3", 2: fill, 4: no fill, 6: chance 30%}}
      knock: {note: 75, length: 7, step: 1/32, steps: {3: if hiss silent, 7: if last played}}
songs:
  - song: Slack water
    tempo: 118
    parts:
      - {pattern: slack water, on: drums, program: 1, phrases: 3}
      - {pattern: ebb line, on: pads, program: 2, phrases: 2}
      - {pattern: slack water, on: drums, phrases: 1}
      - {pattern: ebb line, on: pads, program: 2, phrases: 1}
"""


def judged(
    listener: Listener, text: str, parts: list[tuple[int, int, int]], judge: Judge | None = None
) -> Judge:
    """Judge what was heard: `parts` are numbers, the ticks they begin at, and how many play."""
    judge = judge or Judge(text)
    heard = iter(listener.ticks)
    for number, tick, ticks in parts:
        judge.begin(number, tick)
        for _ in range(ticks):
            judge.hear(next(heard) - CLICKS)
    assert not judge.wrong, judge.wrong[:5]
    assert next(heard, None) is None
    return judge


def assert_clean(listener: Listener, longest: int) -> None:
    """Every note ends, within a step, and none is loud."""
    assert not listener.wrong, listener.wrong[:5]
    assert not listener.sounding
    assert max(ticks for _, ticks in listener.held) < longest
    assert max(listener.velocities) <= 100


def test_a_set_is_played_by_its_rules_from_its_beginning_to_its_end(opened: Opened) -> None:
    hall = opened(RULES, seed=7, now=True).until_over()
    listener = hall.listener
    # Phrases of 4 x 48 and 3 x 72 ticks.
    lengths = [(1, 0, 576), (2, 0, 432), (3, 0, 192), (4, 0, 216)]
    judge = judged(listener, RULES, lengths)
    assert judge.sounded > 100
    assert_clean(listener, 12)
    assert hall.rehearsing.played == [[n, ticks] for n, _, ticks in lengths]
    assert [what for what, _ in listener.transport] == [0xFA, 0xFC]
    assert listener.channels == {9, 2}


def test_a_loop_plays_the_last_phrase_and_the_first_with_their_passes(opened: Opened) -> None:
    hall = opened(RULES, seed=3, now=True, loop=Loop(1, 40)).until_over()
    parts = [(1, 384, 192), (2, 0, 216)] * 40
    judge = judged(hall.listener, RULES, parts)
    assert hall.rehearsing.played == [[n, ticks] for n, _, ticks in parts]
    # 40 rounds of four passes, of which one is the fourth of four.
    for (_, track, step), tally in judge.tallies.items():
        found = binomtest(tally.played, tally.might, tally.chance).proportion_ci(0.9999)
        assert found.low <= tally.chance <= found.high, (track, step, tally)
    assert_clean(hall.listener, 12)


@pytest.mark.parametrize("begin", [2, 3, 4])
def test_it_begins_with_any_part(opened: Opened, begin: int) -> None:
    hall = opened(RULES, now=True, begin=begin).until_over()
    lengths = [(1, 0, 576), (2, 0, 432), (3, 0, 192), (4, 0, 216)]
    judged(hall.listener, RULES, lengths[begin - 1 :])


def test_the_same_seed_draws_the_same_and_rounds_draw_on(opened: Opened) -> None:
    first, again, other = (
        opened(RULES, seed=seed, now=True, loop=Loop(1, 6)).until_over().listener.ticks
        for seed in (5, 5, 6)
    )
    assert first == again
    assert first != other
    rounds = [first[at : at + 408] for at in range(0, len(first), 408)]
    assert all(one != two for one, two in pairwise(rounds))


def test_it_waits_for_its_start_and_clocks_go_out_from_the_beginning(opened: Opened) -> None:
    hall = opened(RULES, count_in=2).tick(50)
    assert (hall.look().state, hall.look().sure) == ("ready", True)
    assert hall.wish("start") == "start"
    beats = [hall.tick().look().count_in for _ in range(192)]
    assert beats == [8 - tick // 24 for tick in range(192)]
    assert hall.look().state == "ready"
    seen = hall.tick().look()
    assert (seen.state, seen.count_in) == ("running", 0)
    listener = hall.listener
    # Two bars of 4/4: 192 clocks of count-in, the first click on the first of them.
    assert listener.transport == [(0xFA, 242)]
    assert listener.clocks == 243
    assert listener.idle == [(51 + 24 * beat, 76 if beat % 4 == 0 else 77) for beat in range(8)]
    assert len(listener.ticks) == 1


def test_a_click_throughout_and_before_the_middle_of_a_bar(opened: Opened) -> None:
    hall = opened(RULES, now=True, click=True, count_in=1).tick(96 + 40)
    assert hall.wish("pause") == "pause"
    hall.tick(30)
    assert hall.look().state == "stopped"
    hall.wish("start")
    beats = [hall.tick().look().count_in for _ in range(96)]
    # From the middle of one beat to that of another: they turn with the click, on 48, 72 and so on.
    assert beats == [5] * 8 + [4] * 24 + [3] * 24 + [2] * 24 + [1] * 16
    hall.tick(60)
    listener = hall.listener
    clicks = [(i, n) for i, notes in enumerate(listener.ticks) for n in notes & CLICKS]
    # Metre 4/4: beats of 24 ticks, the one each 96, the pause between 39 and 40 unheard.
    assert clicks == [(0, 76), (24, 77), (48, 77), (72, 77), (96, 76)]
    # Both counts-in: 96 clocks, the second from tick 40 - 96 on.
    assert [n for _, n in listener.idle] == [76, 77, 77, 77, 77, 77, 76, 77]
    assert listener.idle[4][0] - listener.transport[1][1] == 30 + 1 + 8
    assert [what for what, _ in listener.transport] == [0xFA, 0xFC, 0xFB]
    judge = Judge(RULES)
    for notes in listener.ticks:
        judge.hear(notes - CLICKS)
    assert not judge.wrong


def test_a_pause_ends_every_note_and_what_waits_is_still_taken(opened: Opened) -> None:
    text = RULES.replace("on: pads, program: 2, phrases: 2", "on: drums, program: 2, phrases: 2")
    hall = opened(text, now=True, seed=1)
    # Part 2 is told a beat before the end of part 1; it is paused between the two.
    hall.tick(576 - 10)
    assert hall.look().change_sent
    hall.wish("pause")
    hall.tick(5)
    assert not hall.listener.sounding
    hall.tick(500)
    hall.wish("start")
    hall.tick(10 + 50)
    assert (hall.look().part, hall.look().tick, hall.look().sure) == (2, 49, True)
    judged(hall.listener, text, [(1, 0, 576), (2, 0, 50)])


def test_a_part_that_is_chosen_in_a_pause_begins_at_its_top(opened: Opened) -> None:
    hall = opened(RULES, now=True).tick(100)
    hall.wish("pause")
    hall.tick(10)
    hall.wish("part 3")
    hall.tick(10)
    hall.wish("start")
    hall.tick(80)
    assert (hall.look().part, hall.look().tick) == (3, 79)
    assert [what for what, _ in hall.listener.transport] == [0xFA, 0xFC, 0xFA]
    judged(hall.listener, RULES, [(1, 0, 100), (3, 0, 80)])


def test_wishes_move_the_instrument_as_on_the_night(opened: Opened) -> None:
    hall = opened(RULES, now=True).tick(30)
    hall.wish("next")
    hall.tick(162 + 20)
    # It changes at once: on the next tick.
    hall.wish("part 4")
    hall.tick(300)
    hall.wish("stay")
    hall.tick(10)
    seen = hall.look()
    assert seen.sure
    judged(
        hall.listener,
        RULES,
        [(number, 0, ticks) for number, ticks in hall.rehearsing.played],
    )
    assert [number for number, _ in hall.rehearsing.played] == [1, 2, 4]


def test_a_loop_is_left_by_asking_for_another_part(opened: Opened) -> None:
    hall = opened(RULES, now=True, loop=Loop(1)).tick(408 + 192 + 50)
    hall.wish("part 3")
    hall.tick(166 + 192 + 216)
    assert [number for number, _ in hall.rehearsing.played] == [1, 2, 1, 2, 3, 4]
    assert hall.tick().rehearsing.over


def test_open_parts_go_on_until_they_are_left_and_count_as_a_phrase_in_a_loop(
    opened: Opened,
) -> None:
    text = RULES.replace("program: 1, phrases: 3", "program: 1")
    hall = opened(text, now=True).tick(1000)
    assert hall.look().part == 1
    hall = opened(text, now=True, loop=Loop(1, 3)).until_over()
    judged(hall.listener, text, [(1, 0, 192), (2, 0, 216)] * 3)


def test_a_fill_that_is_held_is_played(opened: Opened) -> None:
    text = RULES + "controls: [{press: {note: 99, channel: 16}, wish: fill}]\n"
    hall = opened(text, now=True, begin=2).tick(72)
    hall.engine.press("tide pad", hall.now_ns, (0x9F, 99, 100))
    hall.tick(72)
    hall.engine.press("tide pad", hall.now_ns, (0x8F, 99, 0))
    hall.tick(72)
    judge = Judge(text)
    judge.begin(2)
    for tick, notes in enumerate(hall.listener.ticks):
        judge.hear(notes, fill=72 <= tick < 144)
    assert not judge.wrong
    assert 42 in hall.listener.ticks[72 + 12]


def test_an_instrument_that_does_not_restart_its_count_goes_on_counting(opened: Opened) -> None:
    text = RULES.replace("channel: 10}", "channel: 10, recount: false}").replace(
        "{pattern: ebb line, on: pads, program: 2, phrases: 2}",
        "{pattern: slack water, on: drums, program: 3, phrases: 1}",
    )
    hall = opened(text, now=True).tick(576 + 192)
    judge = Judge(text)
    listener = hall.listener
    for notes in listener.ticks[:576]:
        judge.hear(notes)
    judge.begin(2, carried=12)
    for notes in listener.ticks[576:]:
        judge.hear(notes)
    assert not judge.wrong
    assert hall.look().pass_number == 16
    # In a loop, too, each part has the passes of the set.
    hall = opened(text, now=True, loop=Loop(2, 2)).tick(1)
    assert hall.look().pass_number == 13


def test_a_busy_computer_keeps_the_virtual_instrument_from_no_change(opened: Opened) -> None:
    # Handed on half a second late, a change would come long after its boundary.
    hall = opened(RULES, seed=3, now=True, loop=Loop(1, 4))
    hall.late_ns = 500_000_000
    parts = [(1, 384, 192), (2, 0, 216)] * 4
    judged(hall.until_over().listener, RULES, parts)
    assert hall.rehearsing.played == [[n, ticks] for n, _, ticks in parts]


def test_no_share_of_a_tempo_leaves_what_can_be_followed(opened: Opened) -> None:
    # A song at 118, of which 400 percent would be 472 beats a minute.
    hall = opened(RULES)
    for pace, bpm in ((4.0, 400.0), (1.5, 177.0), (0.1, 20.0)):
        hall.engine._options = replace(hall.engine._options, pace=pace)
        assert hall.engine._internal_bpm() == bpm


def test_pads_start_and_pause_it(opened: Opened) -> None:
    text = RULES + "".join(
        ["controls:\n", *(f"  - {{press: {{note: {n}}}, wish: {w}}}\n" for n, w in PADS)]
    )
    hall = opened(text, count_in=1).tick(5)

    def hit(wish: str) -> str:
        note = next(n for n, w in PADS if w == wish)
        hall.engine.press("tide pad", hall.now_ns, (0x90, note, 100))
        hall.engine.press("tide pad", hall.now_ns, (0x80, note, 0))
        return hall.tick().look().state

    assert hit("start") == "ready"
    assert hall.look().count_in == 4
    # Called off, and begun anew.
    assert hit("pause") == "ready"
    assert hall.tick(200).look().count_in == 0
    hit("start")
    assert hall.tick(96).look().state == "running"
    assert hit("pause") == "stopped"
    assert not hall.listener.sounding
    stands = hall.look().tick
    assert hall.tick(50).look().tick == stands


def test_the_virtual_instrument_has_its_programs_and_real_ones_are_asked_for(
    opened: Opened,
) -> None:
    for sends in (False, True):
        hall = opened(RULES, sends=sends).tick(3)
        seen = hall.look()
        assert [each.program for each in seen.wants] == [1]
        assert all(each.told is not sends for each in seen.wants)
        assert (seen.rehearsal, seen.alone) == (True, not sends)


def test_start_and_pause_are_for_rehearsals_and_said_to_be_so(opened: Opened) -> None:
    hall = opened(RULES)
    hall.tick(5)
    assert hall.wish("pause") == "nothing plays"
    hall.wish("start")
    hall.tick(5)
    assert hall.wish("start") == "it plays already"
    # What is said of the count moves no instrument; before a start there is nothing to say.
    fresh = opened(RULES).tick(5)
    fresh.wish("align")
    assert fresh.look().state == "ready"


def test_a_port_that_comes_back_is_silenced_first(opened: Opened) -> None:
    hall = opened(RULES, now=True).tick(1)
    assert hall.listener.sounding
    cable = hall.engine._keeper.outlets["sound"]
    cable.broken = True  # type: ignore[attr-defined]
    hall.tick(30)
    hall.plug_in("clock")
    hall.tick(30)
    assert hall.listener.sounding
    hall.plug_in("clock", "sound")
    before = len(hall.sent)
    hall.tick(1)
    back = [message for outlet, message in hall.sent[before:] if outlet == "sound"]
    assert {36, 70, 56, 42, 75, 76, 77} <= {m[1] for m in back if m[0] & 0xF0 == 0x80}
    assert not [n for n in hall.listener.sounding if n[1] not in hall.listener.ticks[-1]]


def test_without_a_word_of_its_own_a_track_has_a_drum_that_no_other_has(opened: Opened) -> None:
    text = """\
set: Tidewater
patterns:
  slack water:
    phrase: 1 bars
    tracks:
      low drum: {steps: {1: always}}
      shaker: {note: 36, steps: {2: always}}
      hiss: {steps: {3: always}}
      ebb: {steps: {4: always}}
      flow: {steps: {5: always}}
songs:
  - song: Slack water
    parts: [{pattern: slack water, phrases: 1}]
"""
    hall = opened(text, now=True).until_over()
    struck = [next(iter(notes)) for notes in hall.listener.ticks if notes]
    assert len(set(struck)) == 5
    assert struck[1] == 36
    # General MIDI System Level 1 (1991), from memory: the drum map reaches from 35 to 81.
    assert all(35 <= note <= 81 and note not in CLICKS for note in struck)
    assert hall.listener.channels == {9}
