"""Running the program as its user does: another process, a state folder of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.typed import PATIENCE_S, typed

GOOD = """\
set: Tidewater
instruments:
  drums: {port: "*drum*", channel: 10}
patterns:
  slack water:
    phrase: 2 bars
    tracks:
      low drum: {steps: {1: always, 16: pass 4 of 4}}
  ebb line:
    phrase: 2 bars
    tracks:
      shaker: {steps: {5: chance 50%}}
songs:
  - song: Slack water
    tempo: 240
    parts:
      - {pattern: slack water, on: drums, program: 12, phrases: 2}
      - {pattern: ebb line, on: drums, program: 13}
"""


class Running(subprocess.Popen[str]):
    """A process that does not outlive the test that failed beside it."""

    def __exit__(self, failed: type[BaseException] | None, *rest: Any) -> None:
        if failed is not None:
            self.kill()
        super().__exit__(failed, *rest)


class Program:
    """The program in one state folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.environment = os.environ | {
            "COMPANION_STATE_DIR": str(folder / "state"),
            # No server of anybody's: these tests are about machines without MIDI.
            "JACK_DEFAULT_SERVER": f"nobody-{os.getpid()}",
            "JACK_NO_START_SERVER": "1",
        }

    def run(self, *words: str | Path) -> subprocess.CompletedProcess[str]:
        """Run to the end."""
        return typed(*words, environment=self.environment, folder=self.folder)

    def start(self, *words: str | Path) -> Running:
        """Start an engine and wait until it can be reached."""
        process = Running(
            [sys.executable, "-m", "companion", "engine", *map(str, words)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=self.environment,
            cwd=self.folder,
        )
        assert process.stdout is not None
        assert process.stdout.readline().startswith("Following")
        return process

    def status(self) -> dict[str, Any]:
        """What `status --json` says."""
        found = json.loads(self.run("status", "--json").stdout)
        assert isinstance(found, dict)
        return found

    def status_when(self, **wanted: Any) -> dict[str, Any]:
        """The first status with these values; fails when none comes."""
        deadline = time.monotonic() + PATIENCE_S
        while True:
            found = self.status()
            if all(found[key] == value for key, value in wanted.items()):
                return found
            assert time.monotonic() < deadline, f"never {wanted}; last {found}"
            time.sleep(0.02)

    def write(self, name: str, text: str | bytes) -> Path:
        """A file in the folder."""
        path = self.folder / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Program]:
    """The program, and no engine left behind."""
    program = Program(tmp_path)
    yield program
    program.run("stop")


@pytest.fixture
def good(program: Program) -> Path:
    """A set list without faults."""
    return program.write("tidewater.yaml", GOOD)
