"""Debian's jack_midi_clock: a clock that is not ours, and goes by JACK's transport.

It sends clock while the transport rolls, start when it begins to and stop when it ends; see its
manual page, jack_midi_clock(1).
"""

from __future__ import annotations

import contextlib
import shutil
import subprocess
from collections.abc import Iterator

import pytest

from tests.midi.players import Stage, until

PROGRAM = "jack_midi_clock"
BPM = 120

needed = pytest.mark.skipif(
    shutil.which(PROGRAM) is None or shutil.which("jack_transport") is None,
    reason="needs Debian's jack-midi-clock, and jack_transport",
)


@contextlib.contextmanager
def clock(stage: Stage) -> Iterator[None]:
    """The clock of a transport that stands still."""
    process = subprocess.Popen(
        [PROGRAM, "--force-bpm", "--bpm", f"{BPM}"],
        env=stage.environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        until(lambda: "mclk_out" in _said("jack_lsp", stage), "its port")
        yield
    finally:
        transport(stage, "stop")
        process.terminate()
        process.wait(timeout=10)


def _said(program: str, stage: Stage) -> str:
    return subprocess.run(
        [program], env=stage.environment, capture_output=True, text=True, check=False
    ).stdout


def transport(stage: Stage, *words: str) -> None:
    """Tell JACK's transport what to do."""
    subprocess.run(
        ["jack_transport"],
        input="\n".join([*words, "quit", ""]),
        text=True,
        env=stage.environment,
        capture_output=True,
        check=False,
        timeout=10,
    )
