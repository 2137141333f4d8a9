"""`companion new`: what it writes passes, says what was asked for, and replaces nothing."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from pathlib import Path

import jsonschema
import pytest

from companion.cli.new import NewSet, set_list_text
from companion.setlist import SetList, load
from companion.setlist.advice import advise
from companion.setlist.reading import read_with_places
from tests.cli.conftest import Program
from tests.setlist.test_schema import told


def loaded(program: Program, name: str) -> SetList:
    return load(program.folder / name)


def test_defaults_pass_the_check_without_advice(program: Program) -> None:
    done = program.run("new", "my.yaml", "--json")
    assert done.returncode == 0
    assert json.loads(done.stdout)["version"] == 1
    setlist, places = read_with_places(program.folder / "my.yaml")
    assert advise(setlist, places) == []
    assert (len(setlist.songs), len(setlist.parts)) == (1, 3)
    # The last part is left open, which is how one begins.
    assert setlist.parts[-1].phrases is None


def test_what_was_asked_for_stands_in_it(program: Program) -> None:
    done = program.run(
        "new", "my.yaml", "--set", 'Tide: "two" #1 潮', "--instrument", "yes", "--port", '*b"ox*',
        "--channel", "3", "--programs-from", "0", "--takes-effect", "at once",
        "--songs", "2", "--parts", "4", "--tempo", "97.5",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    setlist = loaded(program, "my.yaml")
    assert setlist.name == 'Tide: "two" #1 潮'
    (box,) = setlist.instruments.values()
    assert (box.name, box.port, box.channel) == ("yes", '*b"ox*', 2)
    assert (box.programs_from, box.at_once) == (0, True)
    assert [song.tempo for song in setlist.songs] == [97.5, 97.5]
    assert len(setlist.parts) == 8
    # Program 0 on such a display is the first.
    assert [part.changes[0].program for part in setlist.parts] == list(range(8))


@pytest.mark.parametrize("songs", [1, 9, 40])
@pytest.mark.parametrize("parts", [1, 2, 50])
def test_any_size_passes(songs: int, parts: int, tmp_path: Path) -> None:
    path = tmp_path / "my.yaml"
    path.write_text(set_list_text(NewSet(songs=songs, parts=parts)), "utf-8")
    setlist, places = read_with_places(path)
    assert (len(setlist.songs), len(setlist.parts)) == (songs, songs * parts)
    assert advise(setlist, places) == []


def test_a_file_that_is_there_stays_as_it_is(program: Program) -> None:
    path = program.write("my.yaml", "mine\n")
    done = program.run("new", "my.yaml", "--json")
    assert (done.returncode, done.stdout, path.read_text()) == (1, "", "mine\n")
    assert "stays as it is" in done.stderr
    lost = program.run("new", "nowhere/my.yaml")
    assert (lost.returncode, lost.stdout) == (1, "")
    # A name of nothing is no name, and then no file is made.
    empty = program.run("new", "other.yaml", "--instrument", "")
    assert empty.returncode == 2
    assert not (program.folder / "other.yaml").exists()


def test_editors_find_the_schema_that_its_first_line_names(program: Program) -> None:
    program.run("new", "my.yaml")
    text = (program.folder / "my.yaml").read_text("utf-8")
    first = text.splitlines()[0]
    mark = "# yaml-language-server: $schema="
    assert first.startswith(mark)
    schema = json.loads((program.folder / first.removeprefix(mark)).read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(told(program.folder / "my.yaml"))
    # One of the user's own of that name stays.
    (program.folder / "set-list.schema.json").write_text("{}")
    done = program.run("new", "next.yaml")
    assert done.returncode == 0
    assert (program.folder / "set-list.schema.json").read_text() == "{}"


@pytest.mark.skipif(sys.platform == "win32", reason="needs a terminal of POSIX")
def test_on_a_terminal_it_asks_for_what_is_missing(program: Program) -> None:
    ours, theirs = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "companion", "new", "my.yaml", "--channel", "7", "--tempo", "90"],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env=program.environment,
        cwd=program.folder,
    )
    os.close(theirs)
    # Name, instrument, word of its port, first program, when it changes, songs, parts.
    answers = ["Night", "", "box", "5", "0", "at once", "2", ""]
    said = ""
    deadline = time.monotonic() + 20
    try:
        while process.poll() is None and time.monotonic() < deadline:
            if select.select([ours], [], [], 0.2)[0]:
                try:
                    said += os.read(ours, 4096).decode()
                except OSError:
                    break
            elif said.rstrip().endswith(":") and answers:
                os.write(ours, (answers.pop(0) + "\n").encode())
                said += "\n"
        process.wait(timeout=10)
    finally:
        process.kill()
        process.wait()
        os.close(ours)
    assert process.returncode == 0, said
    assert answers == []
    # 5 is no first program: it asked again.
    assert "not in the range" in said
    setlist = loaded(program, "my.yaml")
    (box,) = setlist.instruments.values()
    assert (setlist.name, box.name, box.port, box.channel) == ("Night", "drums", "*box*", 6)
    assert (box.programs_from, box.at_once, len(setlist.parts)) == (0, True, 6)
    assert setlist.songs[0].tempo == 90
