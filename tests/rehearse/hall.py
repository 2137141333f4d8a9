"""A rehearsal without MIDI and without waiting: the real engine, a cable that a list keeps.

The computer's time is simulated. Each call of `tick` is one tick of the internal clock. What goes
out on either port is kept in one list, in the order in which it left.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.engine.engine import Engine, Options
from companion.engine.rehearsing import CLOCK_OUT, SOUND, Rehearsal
from companion.link.messages import Snapshot
from companion.midi import INTERNAL
from companion.setlist import load
from companion.takes.record import Recorder
from companion.wishes import Wish
from tests.rehearse.listener import Listener

# How the sets begin: two patterns of a bar's half, the tracks of the second left open.
HEAD = """\
set: Tidewater
instruments:
  drums: {port: "*drum*", channel: 10}
  pads: {port: "*pad*", channel: 3}
patterns:
  slack water:
    length: 8
    phrase: 2 passes
    tracks:
      low drum: {note: 36, steps: {1: always, 8: pass 2 of 2}}
  ebb line:
    length: 8
    phrase: 3 passes
    tracks:
"""
Opened = Callable[..., "Hall"]


class Cable:
    """An output that only keeps what is sent."""

    def __init__(self, name: str, sent: list[tuple[str, bytes]]) -> None:
        self.name = name
        self._sent = sent
        self.broken = False

    def send(self, message: bytes) -> None:
        if self.broken:
            raise OSError("the cable is out")
        self._sent.append((self.name, bytes(message)))


class Hall:
    """One rehearsal of a set list whose text is `text`, recorded into the folder `takes` if any."""

    def __init__(
        self,
        folder: Path,
        monkeypatch: pytest.MonkeyPatch,
        text: str,
        *,
        takes: Path | None = None,
        **asked: Any,
    ) -> None:
        self.now_ns = 10**9
        # How late the computer hands a tick on.
        self.late_ns = 0
        monkeypatch.setattr("time.monotonic_ns", lambda: self.now_ns + self.late_ns)
        self.file = folder / "tidewater.yaml"
        self.file.write_text(text)
        self.sent: list[tuple[str, bytes]] = []
        self.asked = Rehearsal(sound="*", clock_out="*", **asked)
        options = Options(internal_clock=True, rehearsal=self.asked)
        setlist = load(self.file)
        self.takes, self.recorder = takes, None
        if takes is not None:
            self.recorder = Recorder(setlist, kind="rehearse", set_file=self.file, folder=takes)
            self.recorder.start()
        self.engine = Engine(setlist, options, None, recorder=self.recorder)
        self.plug_in(SOUND, CLOCK_OUT)
        assert self.engine.rehearsing is not None
        self.rehearsing = self.engine.rehearsing
        self.rehearsing.begin()

    def plug_in(self, *outlets: str) -> None:
        """These ports are there, as new ones, and no others."""
        self.engine._keeper.outlets = {each: Cable(each, self.sent) for each in outlets}  # type: ignore[misc]

    def tick(self, times: int = 1) -> Hall:
        """The clock ticks."""
        for _ in range(times):
            self.rehearsing.heard(INTERNAL, self.now_ns, (0xF8,))
            self.now_ns += 20_833_333
        return self

    def until_over(self, most: int = 20_000) -> Hall:
        """It plays to its end."""
        for _ in range(most):
            self.tick()
            if self.rehearsing.over:
                self.rehearsing.close()
                return self
        raise AssertionError(f"it is not over after {most} ticks")

    def recorded(self) -> Hall:
        """The take is written to its end."""
        assert self.recorder is not None
        self.recorder.close()
        assert not self.recorder.trouble
        return self

    def wish(self, words: str) -> str:
        """Somebody asks for something; returns the notice."""
        self.engine.wish(Wish.of(words))
        return self.look().notice

    def look(self) -> Snapshot:
        """What a screen shows."""
        return self.engine.snapshot()

    @property
    def listener(self) -> Listener:
        """Somebody who heard all of it on one cable."""
        return Listener().hear_all(message for _, message in self.sent)
