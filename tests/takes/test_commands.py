"""The commands about takes as a user types them; the engine has its own clock."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import mido
import pytest

from companion.setlist.reading import read_set_list
from companion.takes.export import play_again, read_clock
from companion.takes.store import NAME
from tests.cli.conftest import Program

CUED = """\
set: Tidewater
instruments:
  drums: {port: "*drum*", channel: 10}
patterns:
  slack water: {phrase: 1 bar, tracks: {shaker: {steps: {1: always}}}}
  ebb line: {phrase: 1 bar, tracks: {shaker: {steps: {5: chance 50%}}}}
songs:
  - song: Slack water
    tempo: 300
    parts:
      - {pattern: slack water, on: drums, program: 12, phrases: 2}
      - {pattern: ebb line, on: drums, program: 13, cues: [{every: phrase, say: now}]}
"""
KINDS = {"start", "stop", "part", "boundary", "bar", "wish", "cue", "mark"}


@pytest.fixture
def program(tmp_path: Path) -> Program:
    """The program, its takes in a folder of their own."""
    found = Program(tmp_path)
    found.environment["COMPANION_DATA_DIR"] = str(tmp_path / "data")
    return found


def told(program: Program, *words: str | Path) -> dict[str, Any]:
    done = program.run(*words, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    assert found["version"] == 1
    return found


def test_a_run_of_the_engine_is_a_take_from_beginning_to_end(program: Program) -> None:
    set_file = program.write("cued.yaml", CUED)
    assert told(program, "takes")["takes"] == []
    assert program.run("takes").stdout.startswith("no takes yet")
    with program.start(set_file, "--internal-clock"):
        assert program.status_when(state="running", take=1)["take"] == 1
        assert program.run("tell", "mark").stdout.startswith("remembered: part ")
        program.status_when(part=2)
        # Each bar of this part begins with a cue: one is always near.
        assert program.run("tell", "done").stdout == "done: say now\n"
        assert told(program, "takes")["takes"][0]["ended"] == "running"
        program.run("stop")
    listed = told(program, "takes")
    take = listed["takes"][0]
    assert listed["folder"] == str(program.folder / "data")
    assert listed["bytes"] == (program.folder / "data" / NAME).stat().st_size
    assert (take["take"], take["kind"], take["set"], take["file"], take["parts"]) == (
        1, "engine", "Tidewater", str(set_file), [1, 2],
    )  # fmt: skip
    assert (take["ended"], take["note"]) == ("stopped", "")
    assert take["seconds"] > 1
    assert time.strptime(take["began"][:19], "%Y-%m-%dT%H:%M:%S")
    # Written out in each way, and read.
    for ending in ("mid", "jsonl", "csv", "clock"):
        done = program.run("takes", "export", "last", "-o", f"take.{ending}")
        assert (done.returncode, done.stderr) == (0, "")
    lines = [json.loads(each) for each in (program.folder / "take.jsonl").open()]
    assert {each["kind"] for each in lines} >= KINDS
    said = [each["wish"] for each in lines if each["kind"] == "wish" and each["taken"]]
    assert said == ["mark", "done"]
    first = mido.MidiFile(program.folder / "take.mid").tracks[0]
    assert [m.text for m in first if m.type == "marker"] == ["1 slack water", "2 ebb line"]
    # The internal clock is exact, and so is every bar that was played by it.
    tempi = [m.tempo for m in first if m.type == "set_tempo"]
    assert tempi
    assert all(abs(mido.tempo2bpm(tempo) - 300) < 0.01 for tempo in tempi)
    arrived = read_clock((program.folder / "take.clock").read_text())
    assert arrived[0][1:] == (b"\xfa", -1)
    setlist = read_set_list(set_file)
    assert list(play_again(setlist, arrived)) == [count for _, _, count in arrived]
    # How it went.
    review = told(program, "review", "last", "--within", "1 bar")
    assert review["take"] == 1
    assert review["sure"] > 0.99
    assert [(p["part"], p["name"], p["planned_ticks"]) for p in review["parts"]] == [
        (1, "slack water", 192),
        (2, "ebb line", None),
    ]
    assert review["parts"][0]["played_ticks"] == 192
    (cue,) = [each for each in review["cues"] if each["result"] == "hit"]
    assert (cue["do"], cue["due_tick"] % 96, cue["by"]) == ("say", 0, "done")
    # Of the cues a bar apart the nearest.
    assert abs(cue["done_tick"] - cue["due_tick"]) <= 48
    assert abs(cue["late_steps"] - cue["late_ms"] * 300 * 4 / 60e3) < 0.5
    assert [(t["from"], t["to"], t["takes"]) for t in review["transitions"]] == [(1, 2, 1)]
    # A note, and away with it.
    noted = told(program, "takes", "note", "1", "the", "late", "one")
    assert noted == {"version": 1, "take": 1, "note": "the late one"}
    assert told(program, "takes")["takes"][0]["note"] == "the late one"
    assert "the late one" in program.run("takes").stdout
    refused = program.run("takes", "delete", "1")
    assert (refused.returncode, refused.stdout) == (2, "")
    done = told(program, "takes", "export", "1", "-o", "again.mid")
    assert done == {"version": 1, "take": 1, "file": "again.mid"}
    assert told(program, "takes", "delete", "last", "--yes") == {"version": 1, "deleted": [1]}
    assert told(program, "takes")["takes"] == []


def test_without_takes_nothing_is_recorded(program: Program) -> None:
    set_file = program.write("cued.yaml", CUED)
    for words in (("--no-take",), ("--demo",)):
        with program.start(set_file, "--internal-clock", *words):
            assert program.status_when(state="running")["take"] is None
            assert program.run("tell", "mark").stderr.startswith("companion: nothing is recorded")
            program.run("stop")
    assert not (program.folder / "data").exists()


def test_what_cannot_be_is_said_in_one_line(program: Program) -> None:
    for words in (
        ("takes", "export", "1", "-o", "x.mid"),
        ("takes", "note", "last", "x"),
        ("takes", "delete", "3", "--yes"),
        ("review", "--json"),
        ("review", "7", "-o", "x.html"),
    ):
        done = program.run(*words)
        assert (done.returncode, done.stdout) == (1, ""), words
        assert len(done.stderr.splitlines()) == 1
        assert done.stderr.startswith("companion: there ")
    for words in (
        ("takes", "export", "first", "-o", "x.mid"),
        ("takes", "note", "0", "x"),
        ("review", "--within", "a while"),
        ("takes", "--json", "export", "1", "-o", "x.mid"),
    ):
        assert program.run(*words).returncode == 2, words
    (program.folder / "data").mkdir()
    (program.folder / "data" / NAME).write_bytes(b"SQLite format 3\0" + b"\xff" * 4096)
    for words in (("takes",), ("takes", "--json"), ("review", "--json")):
        done = program.run(*words)
        assert (done.returncode, done.stdout) == (1, "")
        assert len(done.stderr.splitlines()) == 1
        assert NAME in done.stderr


def test_a_rehearsal_that_cannot_be_recorded_is_played_and_says_why(program: Program) -> None:
    (program.folder / "data").mkdir()
    (program.folder / "data" / NAME).write_bytes(b"nothing of the kind" * 100)
    set_file = program.write("cued.yaml", CUED)
    words = ("--no-screen", "--now", "--loop", "1-2", "--times", "1", "--json")
    done = program.run("rehearse", set_file, *words)
    assert done.returncode == 0
    found = json.loads(done.stdout)
    assert found["take"] is None
    assert [each["part"] for each in found["played"]] == [1, 2]
    assert done.stderr.splitlines()[-1].startswith("no recording: ")
