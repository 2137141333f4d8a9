"""A part stands for the whole state of the stage: what instruments are told, whatever is wished.

The plan's programs come from a plain model: the latest that stands in the file up to a part.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

import pytest

from companion.follow.conductor import Send
from companion.setlist import SetList
from companion.setlist.course import stages
from companion.setlist.reading import read_text
from tests.builders import Rehearsal
from tests.nightly import one_in

NIGHT = """
set: Tidewater
first: send
instruments:
  box: {channel: 1}
  pads: {channel: 2, change: {takes_effect: at once}}
  bass: {channel: 3, change: {send_before: 1 bar}}
patterns:
  slack water: {phrase: 2 bars}
  ebb line: {phrase: 2 bars}
  drone: {length: 12}
  spring tide: {phrase: 1 bar}
songs:
  - song: Slack water
    on: box
    also: [{on: pads, program: 1}]
    then: stop
    parts:
      - {pattern: slack water, program: 1, phrases: 2, also: [{on: bass, program: 9}],
         with: [{pattern: drone, on: pads}]}
      - {pattern: ebb line, program: 2, phrases: 1, with: [{pattern: drone, on: pads}]}
      - repeat: 2
        parts:
          - {pattern: slack water, program: 1, phrases: 1, with: [{pattern: drone, on: pads}]}
          - {pattern: ebb line, program: 3, about: 2 phrases, also: [{on: pads, program: 6}]}
  - song: Ebb
    on: box
    parts:
      - {pattern: spring tide, program: 4, phrases: 3, also: [{on: bass, program: 10}]}
      - {pattern: spring tide, phrases: 2, also: [{on: pads, program: 7}]}
  - song: Flood
    parts:
      - {pattern: slack water, on: box, program: 5, with: [{pattern: drone, on: bass, program: 11}]}
"""
# By hand, part after part: box, pads, bass, as their displays show it.
PLAN = [
    (1, 1, 9),
    (2, 1, 9),
    (1, 1, 9),
    (3, 6, 9),
    (1, 1, 9),
    (3, 6, 9),
    (4, 6, 10),
    (4, 7, 10),
    (5, 7, 11),
]
NAMES = ("box", "pads", "bass")


def night() -> SetList:
    return read_text(NIGHT, "night.yaml")


def test_the_stage_of_each_part_is_the_latest_that_was_written_for_each_instrument() -> None:
    found = [tuple(stage[name].program + 1 for name in NAMES) for stage in stages(night())]
    assert found == PLAN


def test_a_song_tells_its_further_instruments_once_and_again_after_something_else() -> None:
    told = [[(c.instrument, c.program + 1) for c in part.changes] for part in night().parts]
    assert told[0] == [("box", 1), ("bass", 9), ("pads", 1)]
    assert told[1] == [("box", 2)]
    # Part 4 had them on 6.
    assert told[4] == [("box", 1), ("pads", 1)]


@dataclass
class Stage:
    """What each instrument was told last; only what leaves counts."""

    rehearsal: Rehearsal
    programs: dict[str, int] = field(default_factory=dict)
    seen: int = 0

    def look(self) -> None:
        sent = self.rehearsal.sent
        for _, send in sent[self.seen :]:
            assert isinstance(send, Send)
            self.programs[send.instrument] = send.messages[-1][1] + 1
        self.seen = len(sent)

    def tuned_to(self, part: int) -> bool:
        return tuple(self.programs.get(name) for name in NAMES) == PLAN[part - 1]


def begun(setlist: SetList | None = None) -> Stage:
    rehearsal = Rehearsal(night() if setlist is None else setlist)
    rehearsal.passed()
    stage = Stage(rehearsal)
    stage.look()
    return stage


def test_part_1s_programs_leave_before_anything_starts_and_once_only() -> None:
    stage = begun()
    assert stage.tuned_to(1)
    assert len(stage.rehearsal.sent) == 3
    stage.rehearsal.passed()
    stage.rehearsal.clock(10)
    stage.rehearsal.passed()
    assert len(stage.rehearsal.sent) == 3


def test_they_wait_for_the_ports_and_are_not_sent_once_it_plays() -> None:
    rehearsal = Rehearsal(night())
    rehearsal.passed(reached=())
    assert rehearsal.sent == []
    rehearsal.passed(reached=("pads",))
    assert [send.instrument for _, send in rehearsal.sent] == ["pads"]
    rehearsal.start().clock(5)
    rehearsal.passed(reached=NAMES)
    assert len(rehearsal.sent) == 1


def test_disarmed_nothing_leaves_first() -> None:
    rehearsal = Rehearsal(night(), sends=False)
    rehearsal.passed()
    assert rehearsal.sent == []


WISHES = (
    *("next", "next pass", "now", "stay", "undo", "align bar", "nudge forward a pass"),
    *("previous", "next song", "previous song", "song again", "send programs", "confirm"),
)


@pytest.mark.parametrize("seed", one_in(3, range(60)))
def test_whatever_is_wished_each_instrument_has_what_the_plan_has_by_the_part_shown(
    seed: int,
) -> None:
    """Asked while all is sure, an eighth of a beat into each part.

    What fell due while the count was unsure is a person's to choose: from there on until all have
    what the plan has again. While it stands still it is told what a stop has left elsewhere.
    """
    rng = Random(seed)
    stage = begun()
    rehearsal = stage.rehearsal
    rehearsal.start().clock(3)
    looks, ours = 0, True

    def look() -> None:
        nonlocal looks, ours
        stage.look()
        seen = rehearsal.conductor.standing()
        early = [p for p in seen.pending if p.outcome.value == "sent"]
        tuned = stage.tuned_to(seen.part.number)
        missed = any(p.outcome.value == "missed" for p in seen.pending)
        ours = seen.sure and not missed and (ours or tuned)
        if not ours:
            return
        if seen.state.value == "stopped":
            off = {each.change.instrument for each in seen.wants if each.other}
            plan = dict(zip(NAMES, PLAN[seen.part.number - 1], strict=True))
            untold = rehearsal.conductor.situation.missed
            wrong = {name for name in NAMES if stage.programs[name] != plan[name]}
            assert off - untold == wrong - untold
        elif seen.tick >= 3 and not early:
            looks += 1
            assert tuned, (seen.part.number, stage.programs)

    for _ in range(rng.randint(40, 80)):
        what = rng.randrange(11)
        if what < 4:
            rehearsal.clock(rng.choice((5, 24, 90, 96, 192)))
        elif what == 4:
            rehearsal.ask(f"part {rng.randint(1, len(PLAN))}")
        elif what < 7:
            rehearsal.stop().clock(rng.choice((0, 7)))
            if what == 5:
                look()
                rehearsal.ask(f"part {rng.randint(1, len(PLAN))}")
            look()
            rehearsal.start().clock(3)
        elif what == 10:
            rehearsal.killed()
            look()
            rehearsal.clock(60)
        else:
            rehearsal.ask(rng.choice(WISHES))
        look()
    # A kill just as something leaves may leave it open what the instruments have.
    assert looks or not ours


def test_a_jump_tells_the_second_instrument_and_the_plan_only_what_is_written() -> None:
    stage = begun()
    rehearsal = stage.rehearsal.start()
    rehearsal.clock(1)
    rehearsal.ask("part 4")
    rehearsal.clock(192)
    stage.look()
    assert stage.tuned_to(4)
    before = len(rehearsal.sent)
    # Back in the order of the plan: part 5 tells the box and the pads, and nobody else.
    rehearsal.ask("next")
    rehearsal.clock(192)
    assert sorted(send.instrument for _, send in rehearsal.sent[before:]) == ["box", "pads"]


def test_an_instrument_that_was_moved_by_hand_is_told_again_by_a_jump_and_not_by_the_plan() -> None:
    stage = begun()
    rehearsal = stage.rehearsal.start()
    rehearsal.clock(10)
    # The pads say that somebody put them on 9.
    rehearsal.hear(0xC1, 8)
    rehearsal.clock(2 * 192)
    stage.look()
    assert rehearsal.where[0] == 2
    assert [send.instrument for _, send in rehearsal.sent[3:]] == ["box"]
    rehearsal.ask("part 1")
    rehearsal.clock(200)
    stage.look()
    assert sorted(send.instrument for _, send in rehearsal.sent[4:]) == ["bass", "box", "pads"]
    assert stage.tuned_to(1)


def test_what_did_not_leave_is_told_again_by_a_jump() -> None:
    stage = begun()
    rehearsal = stage.rehearsal.start()
    rehearsal.clock(10)
    rehearsal.ask("part 4")
    # A bar before the boundary would be too early for any but the bass, which stays as it is.
    rehearsal.clock(191 - 10)
    first = rehearsal.sent[-1][1]
    assert (first.instrument, first.change.program) == ("box", 2)
    rehearsal.clock(1)
    pads = rehearsal.sent[-1][1]
    assert pads.instrument == "pads"
    rehearsal.fail(pads)
    rehearsal.clock(5)
    assert rehearsal.where[0] == 4
    rehearsal.ask("part 6")
    rehearsal.clock(400)
    assert [send.change.program for _, send in rehearsal.sent if send.instrument == "pads"][-1] == 5


def test_the_same_part_asked_for_before_the_start_tells_what_nobody_was_told() -> None:
    rehearsal = Rehearsal(read_text(NIGHT.replace("first: send\n", ""), "night.yaml"))
    rehearsal.passed()
    assert rehearsal.sent == []
    assert [want.told for want in rehearsal.conductor.standing().wants] == [False] * 3
    rehearsal.ask("part 1")
    assert sorted(send.instrument for _, send in rehearsal.sent) == sorted(NAMES)
    assert [want.told for want in rehearsal.conductor.standing().wants] == [True] * 3
    rehearsal.ask("part 1")
    assert len(rehearsal.sent) == 3


def test_a_part_that_names_no_program_for_another_pattern_is_left_to_the_hand() -> None:
    tide = read_text(
        """
set: Tidewater
instruments: {box: {}}
patterns: {slack water: {phrase: 1 bar}, ebb line: {phrase: 1 bar}}
songs:
  - song: Slack water
    parts:
      - {pattern: slack water, program: 1, phrases: 4}
      - {pattern: slack water, phrases: 4}
      - {pattern: ebb line, phrases: 4}
      - {pattern: ebb line, program: 2}
""",
        "tide.yaml",
    )
    assert [{k: c.program for k, c in stage.items()} for stage in stages(tide)] == [
        {"box": 0},
        {"box": 0},
        {},
        {"box": 1},
    ]


def test_a_killed_engine_knows_what_it_told() -> None:
    stage = begun()
    rehearsal = stage.rehearsal.start()
    rehearsal.clock(50)
    rehearsal.killed()
    rehearsal.clock(1)
    assert [want.told for want in rehearsal.conductor.standing().wants] == [True] * 3


def told_ahead() -> Stage:
    """The bass, whose lead is a bar, has the program of part 7, and part 6 plays on."""
    stage = begun()
    rehearsal = stage.rehearsal.start()
    rehearsal.clock(1)
    rehearsal.ask("part 6").clock(192)
    rehearsal.ask("part 7").clock(192 - 24 - 40)
    stage.look()
    assert rehearsal.where[0] == 6
    assert stage.programs["bass"] == 10
    return stage


def test_what_was_told_of_a_part_that_a_stop_took_away_is_put_right_by_the_next_start() -> None:
    stage = told_ahead()
    rehearsal, before = stage.rehearsal, len(stage.rehearsal.sent)
    rehearsal.stop()
    wants = {each.change.instrument: each for each in rehearsal.conductor.standing().wants}
    assert [name for name in NAMES if wants[name].other] == ["bass"]
    # It may go on where it was: nothing leaves by itself while it stands still.
    rehearsal.passed()
    assert len(rehearsal.sent) == before
    rehearsal.start()
    stage.look()
    assert stage.tuned_to(6)
    assert len(rehearsal.sent) == before + 1
    rehearsal.clock(50)
    assert (rehearsal.where, rehearsal.conductor.sure) == ((6, 49), True)
    # What comes next is told at its time again.
    rehearsal.ask("part 7").clock(192)
    stage.look()
    assert stage.tuned_to(7)


def test_going_on_where_it_was_nothing_is_told_twice() -> None:
    stage = told_ahead()
    rehearsal, before = stage.rehearsal, len(stage.rehearsal.sent)
    rehearsal.stop().go_on().clock(90)
    stage.look()
    assert stage.tuned_to(7)
    assert [send.instrument for _, send in rehearsal.sent[before:]] == ["box"]


def test_stopped_it_is_put_right_when_asked_for_and_stays_where_it_is() -> None:
    stage = told_ahead()
    rehearsal = stage.rehearsal
    where = rehearsal.where
    rehearsal.stop().ask("send programs")
    assert rehearsal.conductor.notice == "sent program 9 to bass"
    stage.look()
    assert stage.tuned_to(6)
    assert rehearsal.where == where
    assert not any(each.other for each in rehearsal.conductor.standing().wants)


def test_while_it_plays_nobody_is_told_back_what_was_told_for_the_boundary() -> None:
    stage = told_ahead()
    rehearsal = stage.rehearsal
    assert not any(each.other for each in rehearsal.conductor.standing().wants)
    rehearsal.ask("send programs")
    assert rehearsal.conductor.notice == "no instrument is without its program, as far as is known"


def test_an_instrument_that_could_not_be_told_in_time_is_offered_its_program() -> None:
    stage = begun()
    rehearsal = stage.rehearsal.start()
    rehearsal.clock(1).ask("part 4").clock(192)
    pads = rehearsal.sent[-1][1]
    assert pads.instrument == "pads"
    rehearsal.fail(pads).clock(5)
    assert rehearsal.where[0] == 4
    wants = {each.change.instrument: each for each in rehearsal.conductor.standing().wants}
    assert [name for name in NAMES if wants[name].other] == ["pads"]
    rehearsal.ask("send programs")
    stage.look()
    assert stage.tuned_to(4)
    assert not any(each.other for each in rehearsal.conductor.standing().wants)


def test_what_fell_due_while_the_count_was_unsure_is_offered_and_never_sent_by_itself() -> None:
    stage = begun()
    rehearsal = stage.rehearsal.start()
    rehearsal.clock(50).ask("part 7")
    rehearsal.conductor.suspect("the cable was pulled")
    # The lead of the bass is a bar, those of the others are a beat and none.
    rehearsal.clock(100).ask("confirm").clock(60)
    stage.look()
    assert (rehearsal.where[0], rehearsal.conductor.sure) == (7, True)
    wants = {each.change.instrument: each for each in rehearsal.conductor.standing().wants}
    assert [name for name in NAMES if wants[name].other] == ["bass"]
    before = len(rehearsal.sent)
    rehearsal.stop().start().clock(5)
    # It may have been chosen by hand.
    assert len(rehearsal.sent) == before
    rehearsal.ask("send programs")
    stage.look()
    assert stage.tuned_to(7)
    assert not any(each.other for each in rehearsal.conductor.standing().wants)
