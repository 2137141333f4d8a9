"""Rehearsals on JACK: the notes where the rules put them, counted at the end of the cable."""

from __future__ import annotations

import json
import time
from typing import Any

import pytest
from scipy.stats import binomtest

from tests.midi.players import Command, Player, Stage, until
from tests.rehearse.judge import Judge
from tests.rehearse.listener import CLICKS, Listener

# Passes of a beat, so that two hundred of them take half a minute at 400 beats a minute.
TRANSITION = """\
set: Tidewater
instruments:
  drums: {port: "*drum*", channel: 10, change: {send_before: 1 step}}
patterns:
  slack water:
    length: 4
    phrase: 4 passes
    tracks:
      low drum: {note: 36, steps: {1: always, 4: pass 4 of 4}}
      shaker: {note: 70, length: 3, steps: {2: chance 50%, 3: if last silent}}
  ebb line:
    length: 4
    phrase: 4 passes
    tracks:
      hiss: {note: 42, steps: {1: "not pass 2 of 3", 3: chance 25%}}
      bell: {note: 56, length: 5, step: 1/16T, steps: {2: if hiss played, 4: after first pass}}
songs:
  - song: Slack water
    tempo: 200
    parts:
      - {pattern: slack water, on: drums, program: 1, phrases: 2}
      - {pattern: ebb line, on: drums, program: 2, phrases: 2}
"""
PHRASE = 96
SOUND = ("--api", "jack", "--sound", "*tide ears*", "--clock-out", "*tide ears*")


class Ears(Player):
    """Somebody at the end of a cable."""

    def __init__(self, environment: dict[str, str]) -> None:
        super().__init__("cable.py", environment=environment)

    @property
    def listener(self) -> Listener:
        """What he has heard so far."""
        heard = [message for event in self.of("heard") for message in event["messages"]]
        return Listener().hear_all(heard)

    def hears(self, what: Any, words: str) -> Listener:
        """Wait until `what` holds of what he has heard."""
        return until(lambda: (found := self.listener) if what(self.listener) else None, words)


def ears(stage: Stage) -> Ears:
    return stage._on_stage(Ears(stage.environment))


def rehearse(stage: Stage, text: str, *words: str) -> Command:
    return stage.begin("rehearse", stage.write(text), "--no-screen", *SOUND, *words)


def finished(command: Command, patience_s: float) -> dict[str, Any]:
    """What `--json` says, once all is over."""
    until(lambda: command.process.poll() is not None, "the end", patience_s)
    assert command.process.returncode == 0, command.said
    found = json.loads(command.said.splitlines()[-1])
    assert isinstance(found, dict)
    return found


@pytest.mark.parametrize("rounds", [4, pytest.param(25, marks=pytest.mark.nightly)])
def test_a_transition_is_played_over_and_over_by_its_rules(stage: Stage, rounds: int) -> None:
    listening = ears(stage)
    words = ("--loop", "1-2", "--times", str(rounds), "--tempo", "400", "--seed", "11")
    command = rehearse(stage, TRANSITION, *words, "--now", "--json")
    said = finished(command, 20 + rounds * 2 * PHRASE * 60 / (400 * 24))
    parts = [{"part": n, "ticks": PHRASE} for _ in range(rounds) for n in (1, 2)]
    assert said["seed"] == 11
    assert said["played"] == parts
    heard = listening.hears(lambda each: each.transport[-1:] and not each.playing, "the end")
    assert not heard.wrong
    assert not heard.sounding
    assert len(heard.ticks) == 2 * rounds * PHRASE
    # No note lasts a step: six ticks, or four.
    assert all(ticks < (4 if note == 56 else 6) for note, ticks in heard.held)
    judge = Judge(TRANSITION)
    ticks = iter(heard.ticks)
    for _ in range(rounds):
        judge.begin(1, PHRASE)
        for _ in range(PHRASE):
            judge.hear(next(ticks))
        judge.begin(2)
        for _ in range(PHRASE):
            judge.hear(next(ticks))
    assert not judge.wrong, judge.wrong[:5]
    # Clopper and Pearson 1934, by scipy.
    for place, tally in judge.tallies.items():
        found = binomtest(tally.played, tally.might).proportion_ci(0.9999, method="exact")
        assert found.low <= tally.chance <= found.high, (place, tally)


def test_it_waits_is_told_to_start_and_pause_and_ends_every_note(stage: Stage) -> None:
    listening = ears(stage)
    command = rehearse(stage, TRANSITION, "--count-in", "1", "--click", "--no-take")
    command.says("seed")
    stage.look_when(lambda s: s.state == "ready" and s.sure, "it is ready")
    listening.hears(lambda each: each.clocks > 20 and not each.transport, "clocks and no start")
    told = stage.run("tell", "start")
    assert told.returncode == 0, told.stderr
    heard = listening.hears(lambda each: len(each.ticks) > 30, "it plays")
    (start,) = heard.transport
    # A bar of 4/4 before it: four clicks, the one and three beats.
    assert [note for _, note in heard.idle] == [76, 77, 77, 77]
    assert start[1] - heard.idle[0][0] == 95
    assert stage.run("tell", "pause").returncode == 0
    stage.look_when(lambda s: s.state == "stopped", "it is paused")
    heard = listening.hears(lambda each: not each.playing, "a stop")
    assert not heard.sounding
    assert stage.run("tell", "start").returncode == 0
    heard = listening.hears(lambda each: len(each.transport) == 3 and len(each.ticks) > 120, "on")
    assert [what for what, _ in heard.transport] == [0xFA, 0xFC, 0xFB]
    assert stage.run("stop").returncode == 0
    assert "seed" in command.ends()
    heard = listening.hears(lambda each: not each.playing, "a stop at the end")
    assert not heard.sounding
    judge = Judge(TRANSITION)
    for notes in heard.ticks:
        judge.hear(notes - CLICKS)
    assert not judge.wrong


def test_without_send_nothing_leaves_and_with_it_the_real_instrument_follows(stage: Stage) -> None:
    drum = stage.drum("--program", "0", "--length", "24")
    port = ("--clock-out", "*tide drum in*")
    words = ("rehearse", "--no-screen", "--api", "jack", "--now", "--tempo", "200%", *port)
    path = stage.write(TRANSITION)
    for more, changes in ((), []), (("--send",), [[0xC9, 1]]):
        before = len(drum.messages)
        stage.begin(*words, *more, path).ends()
        sent = [m for m in drum.messages[before:] if m[0] < 0xF0]
        assert sent == changes
        real_time = [m[0] for m in drum.messages[before:] if m[0] != 0xF8 and m[0] >= 0xF0]
        assert real_time == [0xFA, 0xFC]


def test_the_real_instrument_is_taken_through_a_loop(stage: Stage) -> None:
    drum = stage.drum("--program", "0", "--length", "24")
    words = ("--loop", "1-2", "--times", "3", "--now", "--send", "--json", "--tempo", "100%")
    port = ("--clock-out", "*tide drum in*", "--api", "jack")
    path = stage.write(TRANSITION)
    command = stage.begin("rehearse", path, "--no-screen", *words, *port)
    said = finished(command, 30)
    assert said["played"] == [{"part": n, "ticks": PHRASE} for n in (1, 2)] * 3
    # Each change once, within the step ahead of its boundary, and none after the last round.
    changes, clocks = [], 0
    for message in drum.messages:
        if message[0] == 0xFA:
            clocks = 0
        elif message[0] == 0xF8:
            clocks += 1
        elif message[0] < 0xF0:
            changes.append((message, clocks))
    assert [message for message, _ in changes] == [[0xC9, n] for n in (1, 0, 1, 0, 1)]
    assert all(0 <= n * PHRASE - at <= 6 for n, (_, at) in enumerate(changes, 1)), changes


def test_a_killed_rehearsal_is_silenced_by_the_next_engine(stage: Stage) -> None:
    listening = ears(stage)
    text = TRANSITION.replace("tempo: 200", "tempo: 20").replace("2: chance 50%", "2: always")
    command = rehearse(stage, text, "--now")
    listening.hears(lambda each: each.sounding, "a note")
    command.process.kill()
    command.process.wait()
    time.sleep(0.2)
    left = set(listening.listener.sounding)
    assert left
    setlist = stage.write(text)
    following = stage.begin("engine", "--api", "jack", "--in", "*nobody*", "--no-send", setlist)
    heard = listening.hears(lambda each: not each.sounding and not each.playing, "silence")
    assert heard.transport[-1][0] == 0xFC
    # Once is enough.
    left_behind = stage.folder / "state" / "sounding.json"
    until(lambda: not left_behind.exists(), "the end of what it left behind")
    following.close()


def test_a_port_that_goes_away_is_said_and_silenced_when_it_is_back(stage: Stage) -> None:
    listening = ears(stage)
    rehearse(stage, TRANSITION.replace("phrases: 2", "phrases: 200"), "--now")
    listening.hears(lambda each: len(each.ticks) > 20, "it plays")
    listening.close()
    seen = stage.look_when(lambda s: bool(s.troubles), "a trouble")
    assert any("tide ears" in each.text for each in seen.troubles)
    assert seen.state == "running"
    again = ears(stage)
    heard = again.hears(lambda each: len(each.held) + each.clocks > 40, "it is back")
    assert stage.look_when(lambda s: not s.troubles, "no trouble").state == "running"
    assert not heard.wrong


def test_a_port_that_is_not_there_is_named_in_a_line(stage: Stage) -> None:
    ears(stage)
    path = stage.write(TRANSITION)
    for words in (("--sound",), ("--clock-out",), ("--send", "--out")):
        done = stage.run(
            "rehearse", path, "--no-screen", "--api", "jack", "--now", *words, "*nobody*"
        )
        assert (done.returncode, done.stdout) == (1, "")
        assert f"{words[-1]} '*nobody*'" in done.stderr.splitlines()[-1]
