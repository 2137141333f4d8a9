"""Cables on real MIDI: pulled, put back, put back before anybody looked; and the server gone.

The instrument is a process of its own that is killed and started again. That what comes back is
picked up within two seconds is measured in tests/bench; here it is only waited for.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from companion.engine.portkeeper import Keeper
from companion.engine.ports import MidiSystem
from companion.midi import program_change
from companion.setlist import SetList
from tests.builders import SetBuilder, bar_pattern
from tests.engine.conftest import Players
from tests.engine.waiting import until
from tests.midi import jack
from tests.midi.players import Machine


def two_parts() -> SetList:
    return (
        SetBuilder()
        .instrument("drums", port="*drum*", channel=9)
        .part(bar_pattern("slack water"), program=1)
        .part(bar_pattern("ebb line"), program=2)
        .build()
    )


class Desk:
    """A keeper with its ports, and a note of everything it passes on."""

    def __init__(self, in_glob: str | None = "*drum*") -> None:
        self.setlist = two_parts()
        self.heard: list[tuple[str, int]] = []
        self.gone: list[str] = []
        self.system = MidiSystem("jack")
        self.keeper = Keeper(
            self.setlist,
            self.system,
            self.hear,
            in_glob=in_glob,
            out_glob=None,
            sends=True,
            beside=lambda: self.heard[0][0] if self.heard else None,
            gone=self.gone.append,
        )
        self.keeper.start()

    def hear(self, port: str, _: int, message: Sequence[int]) -> None:
        self.heard.append((port, message[0]))

    def send(self) -> bool:
        change = self.setlist.parts[1].changes[0]
        channel = self.setlist.instruments[change.instrument].channel
        return self.keeper.routes.send(change.instrument, program_change(channel, change.program))

    def tells(self, *words: str) -> bool:
        """Whether one trouble has all of these words."""
        return any(all(word in each.text for word in words) for each in self.keeper.troubles)

    def hears_clock(self) -> None:
        before = len(self.heard)
        until(lambda: len(self.heard) > before + 3, "clock is heard")

    def reaches(self, machine: Machine) -> None:
        """A program change arrives; whatever is on its way comes within a clock or two."""

        def arrived() -> bool:
            return bool(machine.messages) or (self.send() and False)

        until(arrived, "a program change arrives")


@pytest.fixture
def desk(players: Players) -> Iterator[Desk]:
    desk = Desk()
    yield desk
    desk.keeper.close()


def pull(machine: Machine) -> None:
    machine.process.kill()
    machine.process.wait()


def connections(players: Players) -> list[str]:
    """The engine's ends of all cables, as JACK lists them."""
    listed = subprocess.run(
        ["jack_lsp", "-c"], env=players.environment, capture_output=True, text=True, check=True
    )
    lines = (line.strip() for line in listed.stdout.splitlines() if line.startswith(" "))
    return [line for line in lines if line.startswith("companion")]


def test_the_engine_waits_with_nothing_plugged_in(desk: Desk, players: Players) -> None:
    assert any("no MIDI input" in trouble.text for trouble in desk.keeper.troubles)
    assert any("no MIDI output" in trouble.text for trouble in desk.keeper.troubles)
    assert not desk.send()
    drum = players.drum()
    drum.do("start")
    desk.hears_clock()
    until(lambda: desk.keeper.troubles == (), "no trouble left")
    desk.reaches(drum)
    # A program change on channel 10 for program 3 on the display (MIDI 1.0
    # Detailed Specification 4.2.1, Channel Voice Messages, from memory: Cn pp).
    assert drum.messages[0] == [0xC9, 2]


def test_a_cable_that_is_pulled_and_put_back_is_picked_up(desk: Desk, players: Players) -> None:
    for _ in range(3):
        drum = players.drum()
        drum.do("start")
        desk.hears_clock()
        desk.reaches(drum)
        pull(drum)
        until(lambda: desk.gone, "the cable is missed")
        until(lambda: not desk.send(), "nothing is sent into the air")
        until(lambda: desk.tells("no MIDI input", "plug the instrument in"), "the way in is missed")
        until(lambda: desk.tells("no MIDI output", "drums gets no program"), "the way out, too")
        desk.gone.clear()
    # The way in comes back by the name it had, whatever the system calls it now.
    assert {port for port, _ in desk.heard} == {"tide drum:tide drum out"}


def test_a_cable_put_back_before_anybody_looked_is_picked_up(desk: Desk, players: Players) -> None:
    drum = players.drum()
    drum.do("start")
    desk.hears_clock()
    for _ in range(2):
        for ours in connections(players):
            for ends in (("tide drum:tide drum out", ours), (ours, "tide drum-01:tide drum in")):
                subprocess.run(["jack_disconnect", *ends], env=players.environment, check=False)
        # The list of ports is what it was; only silence tells.
        desk.hears_clock()
        drum.events.clear()
        desk.reaches(drum)
    assert desk.gone == []


def test_our_own_ports_are_nobodys_instrument(players: Players) -> None:
    # Another of us on the same system, and it even ticks; we listen to whatever there is.
    another = players.drum("--name", "companion")
    another.do("start")
    desk = Desk(in_glob=None)
    with contextlib.closing(desk.keeper):
        assert (desk.system.inputs(), desk.system.outputs()) == ([], [])
        drum = players.drum()
        drum.do("start")
        desk.hears_clock()
        assert len(connections(players)) >= 2
        assert desk.system.inputs() == ["tide drum:tide drum out"]
        assert desk.system.outputs() == ["tide drum-01:tide drum in"]
        assert {port for port, _ in desk.heard} == {"tide drum:tide drum out"}
        desk.reaches(drum)
        assert another.messages == []


def server_process(name: str) -> int:
    """The process of the JACK server with that name."""
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            with contextlib.suppress(OSError):
                words = (folder / "cmdline").read_bytes().split(b"\0")
                if words[0].endswith(b"jackd") and name.encode() in words:
                    return int(folder.name)
    raise AssertionError(f"no server {name}")


def test_a_midi_system_that_dies_is_a_trouble_and_is_taken_up_again(
    jack_server: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A server of this test's own: the other one is needed by others.
    with contextlib.ExitStack() as leaving:
        try:
            name = leaving.enter_context(jack.server(jack.ASYNCHRONOUS))
        except jack.NoServer as error:
            pytest.skip(f"no second server: {error}")
        environment = jack.environment(name)
        for key, value in environment.items():
            monkeypatch.setenv(key, value)
        players = Players(environment)
        desk = Desk()
        drum = players.drum()
        drum.do("start")
        desk.hears_clock()
        process = server_process(name)
        os.kill(process, signal.SIGTERM)
        until(lambda: desk.gone, "the clock is missed")
        until(lambda: any("MIDI system" in t.text for t in desk.keeper.troubles), "a trouble")
        assert not desk.send()
        players.close()
        with tempfile.TemporaryFile() as log:
            program = "jackd"
            again = jack._spawn([program, "-n", name, *jack.ASYNCHRONOUS.words], name, log)
            leaving.callback(again.wait)
            leaving.callback(again.terminate)
            jack._wait_until_it_answers(again, name, log)
        players = Players(environment)
        drum = players.drum()
        drum.do("start")
        desk.hears_clock()
        desk.reaches(drum)
        assert desk.keeper.troubles == ()
        players.close()
        desk.keeper.close()
