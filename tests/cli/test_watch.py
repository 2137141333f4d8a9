"""`--watch`: once more within a second of each save, until Ctrl-C."""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import GOOD, Program

# The contract's second, and another for a machine that is busy with other tests.
WITHIN_S = 2.0


@contextmanager
def watching(program: Program, *words: str | Path) -> Iterator[tuple[Any, queue.Queue[str]]]:
    """A command that watches, and the lines that it prints."""
    process = subprocess.Popen(
        [sys.executable, "-m", "companion", *map(str, words), "--watch"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=program.environment,
        cwd=program.folder,
    )
    lines: queue.Queue[str] = queue.Queue()
    assert process.stdout is not None
    reader = threading.Thread(
        target=lambda: [lines.put(line) for line in process.stdout], daemon=True
    )
    reader.start()
    try:
        yield process, lines
    finally:
        process.kill()
        process.wait()


def test_check_says_again_what_it_finds_at_each_save(program: Program, good: Path) -> None:
    with watching(program, "check", good, "--json") as (process, lines):
        assert json.loads(lines.get(timeout=20))["files"][0]["faults"] == []
        began = time.monotonic()
        good.write_text(GOOD.replace("always", "alwys"))
        (fault,) = json.loads(lines.get(timeout=WITHIN_S))["files"][0]["faults"]
        assert fault["line"] == 8
        assert time.monotonic() - began < WITHIN_S
        # Editors put another file in its place.
        other = program.write("other.yaml", GOOD)
        os.replace(other, good)
        assert json.loads(lines.get(timeout=WITHIN_S))["files"][0]["faults"] == []
        # It is saved once, so it is said once.
        with pytest.raises(queue.Empty):
            lines.get(timeout=0.7)
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=10) == 130
        assert process.stderr.read() == ""


def test_forecast_goes_on_over_a_fault(program: Program, good: Path) -> None:
    with watching(program, "forecast", good, "--part", "1", "--json") as (process, lines):
        assert json.loads(lines.get(timeout=20))["pattern"] == "slack water"
        good.write_text(GOOD.replace("always", "alwys"))
        # On a fault nothing is printed for programs: one line on standard error.
        assert "alwys" in process.stderr.readline()
        good.write_text(GOOD.replace("slack water", "high water"))
        assert json.loads(lines.get(timeout=WITHIN_S))["pattern"] == "high water"
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=10) == 130
