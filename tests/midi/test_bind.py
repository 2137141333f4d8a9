"""Presses are learned on cables, beside an instrument that plays, and then they steer."""

from __future__ import annotations

import json
import signal
import time
from pathlib import Path

from companion.setlist import Address, Binding, Kind, Press
from companion.setlist.reading import read_controls
from companion.wishes import Ask, Wish
from tests.midi.players import Command, Stage, agrees, until
from tests.midi.sets import LENGTHS, LONG_FIRST_PART

# It plays a note on every eighth, twelve clocks, of a pass of 48.
NOTES = '{"11": {"36": [0, 12, 24, 36]}}'
DRUM = ("--program", "11", "--lengths", LENGTHS, "--notes", NOTES)
PORT = "tide pad*:tide pad out"


def fresh(stage: Stage) -> Path:
    """Where presses are written; what an earlier attempt at the rehearsal left there is gone."""
    file = stage.folder / "pads.yaml"
    file.unlink(missing_ok=True)
    return file


def bind(stage: Stage, file: Path, *words: str) -> Command:
    """Someone is asked to press a pad now."""
    command = stage.begin("bind", *words, "-o", file, "--api", "jack")
    command.says("Press the pad now")
    return command


def test_presses_that_were_learned_beside_a_running_drum_machine_steer(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    pad = stage.pad()
    machine.do("start")
    file = fresh(stage)

    # A pad that tells when it is let go.
    lesson = bind(stage, file, "disarm")
    pad.hit(60)
    assert "note 60 on channel 1 from tide pad:tide pad out asks for `disarm`." in lesson.ends()
    # A switch that sends one side on one press and the other on the next.
    lesson = bind(stage, file, "arm")
    pad.send(0xB2, 20, 127)
    lesson.says("Press the same once more")
    pad.send(0xB2, 20, 0)
    assert "controller 20 on channel 3 (127 and 0 by turns) from tide pad" in lesson.ends()
    # A button that chooses a program.
    lesson = bind(stage, file, "stay")
    pad.send(0xCF, 4)
    assert "program 5 on channel 16 from tide pad" in lesson.ends()
    assert read_controls(file) == (
        Binding(Press(Address(Kind.NOTE, 60, 0), PORT), Wish(Ask.DISARM)),
        Binding(Press(Address(Kind.CONTROLLER, 20, 2), PORT, toggle=True), Wish(Ask.ARM)),
        Binding(Press(Address(Kind.PROGRAM, 4, 15), PORT), Wish(Ask.STAY)),
    )
    assert "\n".join(file.read_text().splitlines()[-3:]) == (
        f'  - {{press: {{note: 60, channel: 1, port: "{PORT}"}}, wish: disarm}}\n'
        f'  - {{press: {{controller: 20, channel: 3, port: "{PORT}", toggle: true}}, wish: arm}}\n'
        f'  - {{press: {{program: 5, channel: 16, port: "{PORT}"}}, wish: stay}}'
    )

    machine.do("stop")
    stage.engine(LONG_FIRST_PART, "--controls", str(file))
    machine.do("start")
    machine.reach(30)
    pad.hit(60)
    stage.status_when(sending=False)
    pad.send(0xB2, 20, 127)
    stage.status_when(sending=True)
    pad.hit(60)
    stage.status_when(sending=False)
    pad.send(0xB2, 20, 0)
    stage.status_when(sending=True)
    pad.send(0xCF, 4)
    stage.status_when(staying=True)


def test_beside_an_engine_what_the_set_plays_is_refused_and_another_press_asked_for(
    stage: Stage,
) -> None:
    setlist = LONG_FIRST_PART.replace('    port: "*drum*"\n', "").replace(
        "low drum: {", "low drum: {note: 36, "
    )
    machine = stage.drum(*DRUM)
    pad = stage.pad()
    stage.engine(setlist)
    machine.do("start")
    machine.reach(20)
    file = fresh(stage)
    lesson = bind(stage, file, "nudge", "back", "a", "pass", "--set", str(stage.write(setlist)))
    assert "An engine is running" in lesson.said
    pad.send(0x99, 36, 100)
    time.sleep(0.1)
    pad.send(0x89, 36, 0)
    lesson.says("note 36 on channel 10 from tide pad:tide pad out will not do: it is what")
    pad.hit(61)
    assert "asks for `nudge back a pass`" in lesson.ends()
    (binding,) = read_controls(file)
    assert binding.press.address == Address(Kind.NOTE, 61, 0)
    assert agrees(stage, machine)["sure"]


def test_notes_of_a_drum_machine_that_runs_are_no_press_until_it_stops(stage: Stage) -> None:
    machine = stage.drum(*DRUM, "--idle-clock")
    machine.do("start")
    file = fresh(stage)
    lesson = bind(stage, file, "next", "--seconds", "2")
    said = lesson.ends(1)
    assert "what tide drum:tide drum out sent was taken for its music" in said
    assert not file.exists()


def test_ctrl_c_ends_it_in_one_sentence_and_leaves_the_file(stage: Stage) -> None:
    stage.pad()
    file = fresh(stage)
    file.write_text("controls:\n  - {press: note 60, wish: next}\n")
    lesson = bind(stage, file, "stay")
    lesson.process.send_signal(signal.SIGINT)
    said = lesson.ends(130)
    assert said.splitlines()[-1] == f"companion: nothing was learned; {file} is as it was"
    assert file.read_text() == "controls:\n  - {press: note 60, wish: next}\n"


def test_a_fill_wants_a_pad_that_tells_when_it_is_let_go(stage: Stage) -> None:
    pad = stage.pad()
    file = fresh(stage)
    lesson = bind(stage, file, "fill", "--json")
    pad.send(0xC0, 4)
    lesson.says("program 5 on channel 1 from tide pad:tide pad out will not do")
    pad.send(0xB0, 64, 127)
    time.sleep(0.2)
    pad.send(0xB0, 64, 0)
    found = json.loads(lesson.ends().splitlines()[-1])
    assert found == {
        "version": 1,
        "file": str(file),
        "press": {"controller": 64, "channel": 1, "port": PORT, "long": False, "toggle": False},
        "wish": "fill",
        "instead_of": None,
    }
    # The same pad again, for something else.
    lesson = bind(stage, file, "stay", "--json")
    pad.send(0xB0, 64, 127)
    time.sleep(0.2)
    pad.send(0xB0, 64, 0)
    assert json.loads(lesson.ends().splitlines()[-1])["instead_of"] == "fill"
    assert [each.wish for each in read_controls(file)] == [Wish(Ask.STAY)]


def test_a_running_engine_takes_over_what_is_learned_beside_it(stage: Stage) -> None:
    machine = stage.drum(*DRUM)
    pad = stage.pad()
    file = fresh(stage)
    file.write_text("controls:\n  - {press: {note: 60, port: '*pad*'}, wish: arm}\n")
    stage.engine(LONG_FIRST_PART, "--controls", str(file))
    machine.do("start")
    machine.reach(20)
    lesson = bind(stage, file, "disarm")
    pad.hit(61)
    lesson.ends()
    # At the next boundary; until then the pad asks for nothing.
    until(lambda: pad.hit(61) or not stage.status()["sending"], "the new press disarms")
    pad.hit(60)
    stage.status_when(sending=True)
    assert agrees(stage, machine)["sure"]


def test_a_pad_may_be_plugged_in_once_it_is_asked_for(stage: Stage) -> None:
    file = fresh(stage)
    lesson = bind(stage, file, "next", "--in", "*pad*")
    assert "No MIDI input is there yet: plug the pad in." in lesson.said
    pad = stage.pad()

    def learned() -> bool:
        # It is looked for twice a second, and a press before that goes unheard; after one that is
        # heard there has to be some quiet.
        pad.hit(60)
        time.sleep(0.6)
        return lesson.process.poll() is not None

    until(learned, "the pad is learned")
    lesson.ends()
    (binding,) = read_controls(file)
    assert binding.press.port == PORT


def test_a_port_that_no_input_has_is_refused_at_once(stage: Stage) -> None:
    stage.pad()
    done = stage.run("bind", "next", "-o", fresh(stage), "--api", "jack", "--in", "keys")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("companion: no MIDI input matches --in 'keys'; there are: tide")
