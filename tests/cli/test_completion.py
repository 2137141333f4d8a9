"""What a shell is told to complete, as it asks for it: click's protocol for bash."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from companion.cli import completion
from companion.cli.main import cli
from companion.engine import ports
from tests.cli.conftest import Program


def offered(program: Program, *words: str | Path) -> list[str]:
    """What completes the last word, with what kind each is: "plain,map", "file,se"."""
    line = ["companion", *map(str, words)]
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.argv[0] = 'companion'; "
         "from companion.cli.main import cli; cli(prog_name='companion')"],
        capture_output=True,
        text=True,
        env=program.environment
        | {
            "_COMPANION_COMPLETE": "bash_complete",
            "COMP_WORDS": " ".join(line),
            "COMP_CWORD": str(len(line) - 1),
        },
        cwd=program.folder,
        timeout=20,
        check=False,
    )  # fmt: skip
    assert done.stderr == ""
    return [line for line in done.stdout.split("\n") if line]


def test_commands_files_parts_and_wishes_are_completed(program: Program, good: Path) -> None:
    assert offered(program, "fore") == ["plain,forecast"]
    assert offered(program, "check", "tide") == ["file,tide"]
    assert offered(program, "forecast", good, "--part", "") == ["plain,1", "plain,2"]
    assert offered(program, "map", good, "--part", "2") == ["plain,2"]
    assert offered(program, "tell", "nudge", "") == ["plain,forward", "plain,back"]
    assert "plain,stay" in offered(program, "bind", "s")
    # Of the end of the engine no pad may dream, and `stop` is a command.
    assert "plain,stop" not in offered(program, "tell", "st")


def test_where_nothing_is_known_nothing_is_said(program: Program) -> None:
    assert offered(program, "forecast", "none.yaml", "--part", "") == []
    # A machine without MIDI.
    assert offered(program, "play", "--in", "") == []


def test_ports_are_completed_by_a_word_of_shells_that_finds_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class System:
        """Two ports as JACK names them."""

        def __init__(self, api: str | None) -> None:
            assert api == "jack"

        def inputs(self) -> list[str]:
            return ["tide drum:out 1", "tide pad:out"]

        outputs = inputs

        def close(self) -> None:
            pass

    monkeypatch.setattr(ports, "MidiSystem", System)
    play = cli.commands["play"]
    with play.make_context("play", ["--api", "jack"], resilient_parsing=True) as context:
        found = [item.value for item in completion.inputs(context, play.params[0], "t")]
    assert len(found) == 2
    assert not any(set(each) & {" ", ":"} for each in found)
    from companion.follow.portnames import matches

    assert [matches(found[0], name) for name in System("jack").inputs()] == [True, False]


def test_the_shells_own_script_is_to_be_had() -> None:
    done = CliRunner().invoke(
        cli, [], prog_name="companion", env={**os.environ, "_COMPANION_COMPLETE": "zsh_source"}
    )
    assert "compdef" in done.output
