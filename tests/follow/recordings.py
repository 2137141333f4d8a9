"""Recorded clocks and what is true of each message. The files and their format: `recorded/`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FOLDER = Path(__file__).parent / "recorded"


@dataclass(frozen=True, slots=True)
class Recording:
    """The clocks of one recording, from its start to its stop.

    `t_ns` are the arrivals. A file knows the latest clock sent by then (`sent`), which in a bunch
    is ahead of the message. `tick` is the latest tick that each message itself can be: messages
    keep their order and none comes twice, so it is at most `sent`, and less than the next one is.
    """

    name: str
    t_ns: NDArray[np.int64]
    tick: NDArray[np.int64]
    sent: NDArray[np.int64]

    def off(self, ticks: NDArray[np.int64]) -> NDArray[np.int64]:
        """How far these counts are off, after each message: beyond both its tick and `sent`."""
        return np.maximum(np.maximum(self.tick - ticks, ticks - self.sent), 0)


def recordings() -> list[Recording]:
    """All recordings whose truth is known, by name."""
    return [read(path) for path in sorted(FOLDER.glob("*.clock"))]


def read(path: Path) -> Recording:
    """A recording: one message a line, with driver time, status byte in hex and latest clock."""
    lines = [line.split() for line in path.read_text().splitlines()]
    clocks = [(int(t), int(sent)) for t, status, sent in lines if status == "f8" and sent != "-1"]
    times, sent = np.array(clocks, np.int64).T
    # The latest each can be: running back, one less than the next at most.
    back = np.arange(len(sent))[::-1]
    tick = np.minimum.accumulate(sent[::-1] + np.arange(len(sent)))[::-1] - back
    return Recording(path.stem, times, tick, sent)
