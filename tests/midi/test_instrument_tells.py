"""What the instrument itself tells: a program chosen on it, one it did not take, and its mutes.

It sends the notes that it plays, as `--notes` of `instrument.py` says; its own count is the judge.
"""

from __future__ import annotations

from companion.link.messages import Snapshot, TrackView
from tests.midi.players import Machine, Stage, until
from tests.midi.sets import BEAT, DRUMS, PASS, PHRASE

LOW_DRUM, SHAKER = 36, 42

PARTS = (
    DRUMS
    + """\
    tells: {mutes: {shaker: {controller: 21}}}
patterns:
  slack water:
    length: 8
    phrase: 2 passes
    tracks:
      low drum: {note: 36, steps: {1: always, 5: always}}
      shaker: {note: 42, steps: {3: always, 7: always}}
  plank:
    length: 8
    phrase: 2 passes
    tracks:
      low drum: {note: 36, steps: {2: always, 4: always, 6: always}}
      shaker: {note: 42, steps: {1: always, 5: always}}
songs:
  - song: Slack water
    tempo: 150
    parts:
      - {pattern: slack water, on: drums, program: 12, phrases: 1}
      - {pattern: plank, on: drums, program: 13}
      - {pattern: slack water, on: drums, program: 14, phrases: 1}
      - {pattern: plank, on: drums, program: 15}
"""
)
OPEN_FIRST = PARTS.replace("program: 12, phrases: 1", "program: 12")
WITH_PAD = (
    PARTS
    + """\
controls:
  - {press: {note: 63, port: "*pad*"}, wish: confirm}
"""
)
# The same by the machine's own lights: program and note, and the ticks of a pass. A step is six.
SLACK_WATER = '{"36": [0, 24], "42": [12, 36]}'
PLANK = '{"36": [6, 18, 30], "42": [0, 24]}'
NOTES = f'{{"11": {SLACK_WATER}, "12": {PLANK}, "13": {SLACK_WATER}, "14": {PLANK}}}'
DRUM = ("--program", "11", "--length", "48")
HEARD = (*DRUM, "--notes", NOTES)
DID_NOT = "drums did not take program 13 and plays on as before"


def count_begins(stage: Stage, machine: Machine) -> int:
    """The machine's tick at which the running part begins by the engine's count, both stopped."""
    machine.do("stop")
    seen = stage.look_when(lambda s: s.state == "stopped", "the stop is heard")
    return int(machine.where()["tick"]) - seen.tick


# -- programs ------------------------------------------------------------------------------------


def test_a_program_chosen_on_the_instrument_takes_the_set_along(stage: Stage) -> None:
    machine = stage.drum(*HEARD)
    stage.engine(OPEN_FIRST)
    machine.do("start")
    machine.reach(4)
    chosen = machine.do("choose", program=13)["tick"]
    first = machine.wait_for("took")
    assert first["at_tick"] == (chosen // PASS + 1) * PASS
    seen = stage.look_when(lambda s: s.part == 3, "the set goes to the third part")
    here = machine.where()["tick_in_part"]
    assert here - 6 <= seen.tick <= here
    # It chose that itself and is not told. The next it is told, and its notes say that it took it.
    second = machine.wait_for("took", 2)
    assert (second["program"], second["at_tick"]) == (14, first["at_tick"] + PHRASE)
    assert machine.messages == [[0xC9, 14]]
    machine.reach(second["at_tick"] + PASS + 12)
    assert stage.status_when(sure=True, part=4)["troubles"] == []
    assert count_begins(stage, machine) == second["at_tick"]


def test_one_that_changes_at_once_takes_the_set_along_with_the_next_clock(stage: Stage) -> None:
    machine = stage.drum(*DRUM, "--at-once")
    stage.engine(OPEN_FIRST.replace("pattern end, send_before: 1 beat", "at once"))
    machine.do("start")
    machine.reach(7)
    machine.do("choose", program=13)
    took = machine.wait_for("took")
    stage.look_when(lambda s: s.part == 3, "the set goes to the third part")
    assert count_begins(stage, machine) == took["at_tick"] + 1
    assert machine.messages == []


def test_a_program_chosen_and_the_running_one_again_leaves_the_set_where_it_is(
    stage: Stage,
) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(OPEN_FIRST)
    machine.do("start")
    machine.reach(4)
    machine.do("choose", program=13)
    machine.do("choose", program=11)
    machine.reach(PASS + 4)
    seen = stage.look()
    assert (seen.part, seen.pass_number) == (1, 2)
    assert count_begins(stage, machine) == 0
    assert machine.messages == []


def test_what_comes_back_of_our_own_is_not_obeyed(stage: Stage) -> None:
    machine = stage.drum(*DRUM, "--at-once", "--echo")
    # Told a beat ahead: who took the echo for a choice would go along at once.
    stage.engine(PARTS.replace("takes_effect: pattern end", "takes_effect: at once"))
    machine.do("start")
    heard = machine.wait_for("heard")
    assert heard["tick"] < PHRASE - BEAT // 2
    stage.look_when(lambda s: s.part == 2 and s.sure, "the second part")
    assert count_begins(stage, machine) == PHRASE
    assert machine.messages == [[0xC9, 12]]


def test_notes_show_that_a_change_was_not_taken(stage: Stage) -> None:
    machine, pad = stage.drum(*HEARD, "--ignores"), stage.pad()
    stage.engine(WITH_PAD)
    machine.do("start")
    machine.reach(PHRASE)
    stage.look_when(lambda s: not s.sure, "the doubt")
    # The first pass of the part is enough, with a step for notes that come late.
    assert machine.where()["tick"] < PHRASE + PASS + BEAT
    status = stage.status()
    assert (status["part"], status["doubt"], status["troubles"]) == (2, DID_NOT, [DID_NOT])
    # Put right by hand, and said to be.
    machine.do("choose", program=12)
    assert machine.wait_for("took")["program"] == 12
    pad.hit(63)
    assert stage.status_when(sure=True)["troubles"] == []
    assert machine.messages == [[0xC9, 12]]


def test_its_own_word_that_it_stays_is_believed_before_the_boundary(stage: Stage) -> None:
    machine = stage.drum(*DRUM, "--ignores")
    stage.engine(PARTS)
    machine.do("start")
    machine.wait_for("heard")
    machine.do("send", bytes=[0xC9, 11])
    stage.look_when(lambda s: s.notice == "drums says that it stays on program 12", "its word")
    machine.reach(PHRASE + 6)
    seen = stage.look_when(lambda s: s.tick > PHRASE, "the part goes on")
    assert (seen.part, seen.sure) == (1, True)


def test_its_own_word_after_the_boundary_shows_that_a_change_was_not_taken(stage: Stage) -> None:
    machine = stage.drum(*DRUM, "--ignores")
    stage.engine(PARTS)
    machine.do("start")
    machine.wait_for("heard")
    machine.reach(PHRASE + 6)
    stage.look_when(lambda s: s.part == 2 and s.sure, "the second part")
    machine.do("send", bytes=[0xC9, 11])
    seen = stage.look_when(lambda s: not s.sure, "the doubt")
    assert (seen.part, seen.doubt) == (2, "drums may be on plank or slack water")
    assert machine.messages == [[0xC9, 12]]


# -- mutes ---------------------------------------------------------------------------------------


def track(seen: Snapshot, name: str) -> TrackView:
    """What is told of a track."""
    return next(each for each in seen.tracks if each.name == name)


def astray(seen: Snapshot) -> list[str]:
    """The sentences on tracks that are not as planned."""
    return [each.sentence for each in seen.coming if each.kind == "differs"]


def test_notes_that_stay_away_show_a_mute_and_the_next_note_its_end(stage: Stage) -> None:
    machine = stage.drum(*HEARD)
    stage.engine(OPEN_FIRST)
    machine.do("start")
    seen = stage.look_when(
        lambda s: {t.heard_muted for t in s.tracks} == {False}, "both tracks are heard"
    )
    assert astray(seen) == []
    muted = machine.do("mute", note=SHAKER)["tick"]
    seen = stage.look_when(lambda s: track(s, "shaker").heard_muted is True and s.sure, "the mute")
    assert machine.where()["tick"] <= muted + 3 * PASS
    assert not track(seen, "shaker").told
    assert track(seen, "low drum").heard_muted is False
    assert len(astray(seen)) == 1
    assert astray(seen)[0].startswith("shaker is silent, muted 9")
    assert astray(seen)[0].endswith("% likely; planned: sounding")
    until(
        lambda: [each for each in stage.status()["coming"] if each["kind"] == "differs"],
        "the status says so",
    )
    back = machine.do("unmute", note=SHAKER)["tick"]
    seen = stage.look_when(lambda s: track(s, "shaker").heard_muted is False, "its end")
    # The shaker plays twice a pass.
    assert machine.where()["tick"] <= back + PASS
    assert astray(seen) == []


def test_a_mute_that_the_instrument_tells_is_known_at_once(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    stage.engine(OPEN_FIRST)
    machine.do("start")
    machine.reach(4)
    machine.do("send", bytes=[0xB9, 21, 127])
    seen = stage.look_when(lambda s: track(s, "shaker").heard_muted is True and s.sure, "the mute")
    assert track(seen, "shaker").told
    assert astray(seen) == ["shaker is muted; planned: sounding"]
    machine.do("send", bytes=[0xB9, 21, 0])
    seen = stage.look_when(lambda s: track(s, "shaker").heard_muted is False, "its end")
    assert astray(seen) == []
