"""Whoever else is on this machine: what they plant is not believed, and what is shut is said so."""

from __future__ import annotations

import json
import os
import pickle
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import companion
from companion.link.folders import folders
from tests.cli.conftest import Program
from tests.disk import given_away


@pytest.fixture
def state(program: Program) -> Iterator[Path]:
    """A state folder that is there already; its spares are elsewhere, and go afterwards."""
    runtime = program.folder / "run"
    runtime.mkdir(mode=0o700)
    program.environment["XDG_RUNTIME_DIR"] = str(runtime)
    folder = program.folder / "state"
    folder.mkdir(mode=0o700)
    yield folder
    for spare in folders(folder)[1:]:
        shutil.rmtree(spare, ignore_errors=True)


def complaints(program: Program, set_file: Path, prefix: tuple[str, ...] = ()) -> str:
    """What an engine says on standard error that starts, is seen and is stopped."""
    engine = subprocess.Popen(
        [*prefix, sys.executable, "-m", "companion", "engine", "--internal-clock", str(set_file)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=program.environment,
    )
    assert engine.stdout is not None
    assert engine.stdout.readline().startswith("Following"), engine.communicate()[1]
    assert program.status()["state"] in ("ready", "running")
    assert program.run("stop").returncode == 0
    return engine.communicate()[1]


class Planted:
    """What runs when it is unpickled (pickle: the reduce protocol of the Python library)."""

    def __init__(self, trace: Path) -> None:
        self._trace = trace

    def __reduce__(self) -> object:
        return os.mkdir, (str(self._trace),)


@pytest.mark.parametrize("whose", ["ours", "another user's"])
def test_what_was_planted_in_a_shared_place_never_runs(
    program: Program, good: Path, state: Path, whose: str
) -> None:
    trace = program.folder / "trace"
    head = {"version": companion.__version__, "file": str(good), "set": "0"}
    body = json.dumps(head).encode() + b"\n" + pickle.dumps(Planted(trace))
    (state / "set.kept").write_bytes(body)
    (state / "engine.json").write_text(
        json.dumps({"port": 9, "token": "theirs", "pid": 1, "version": 1, "set_name": "theirs"})
    )
    if whose == "another user's":
        for file in state.iterdir():
            given_away(file)
        given_away(state)
        said = complaints(program, good)
        assert said.startswith(f"companion: cannot use the folder {state}: ")
        assert "another user's" in said
        # Not even written to.
        assert (state / "set.kept").read_bytes() == body
    # The internal clock has no place to go on from; the instrument's has.
    program.run("engine", good)
    assert not trace.exists()


def test_a_state_folder_that_may_not_be_entered_is_said_so_and_another_serves(
    program: Program, good: Path, state: Path
) -> None:
    prefix: tuple[str, ...] = ()
    if os.getuid() == 0:
        # Root enters everywhere, but for a capability that can be put down (capabilities(7)).
        if shutil.which("setpriv") is None:
            pytest.skip("no way to keep root out of a folder")
        prefix = ("setpriv", "--bounding-set=-dac_override,-dac_read_search")
    state.chmod(0o000)
    asked = subprocess.run(
        [*prefix, sys.executable, "-m", "companion", "status"],
        capture_output=True,
        text=True,
        env=program.environment,
        check=False,
    )
    assert (asked.returncode, asked.stdout) == (1, "")
    assert asked.stderr == f"companion: cannot read {state / 'engine.json'}: permission denied\n"
    said = complaints(program, good, prefix)
    state.chmod(0o700)
    assert said == (
        f"companion: cannot use the folder {state}: permission denied; "
        "another folder serves meanwhile\n"
    )
