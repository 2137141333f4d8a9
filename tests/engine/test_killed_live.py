"""Real kills on real MIDI: the engine is ended by SIGKILL while the instrument plays on.

Now and then JACK's server in its asynchronous mode never again brings anything to an instrument
whose neighbour was killed, from nobody, though it lists the cable as whole. So each rehearsal has a
server of its own, and is repeated if a third party finds that it cannot be heard, either. By day
what is kept, of which set, on which disk, is tested without MIDI, in `test_memory` and
`test_keptset`.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from companion.engine.checkpointfile import KEPT_NAME
from companion.follow.belief import WHICH_PART
from companion.link.ask import ask_snapshot, send_wish
from companion.link.endpoint import FILE_NAME, find_endpoint
from companion.link.folders import folders
from companion.link.messages import LinkError, Snapshot
from companion.wishes import Wish
from tests.engine.conftest import Players
from tests.engine.waiting import until
from tests.midi import jack
from tests.midi.attempts import TIMEOUT_S, server
from tests.midi.players import ROOT, Engine, Machine, lost_time

pytestmark = pytest.mark.timeout(TIMEOUT_S)
# A bar of 4/4, and a part, in clocks.
BAR, PART = 96, 192
# What a third party tells the instrument, and how often, to see if it is heard.
CALL, CALLS = [0x90, 60, 1], 5
HEARD_S = 3.0
# Parts of two bars, each with a program of its own that is sent a beat ahead.
SET = """\
set: Tidewater
instruments:
  drums: {port: "*drum*", channel: 10, change: {takes_effect: pattern end, send_before: 1 beat}}
patterns:
  slack water:
    phrase: 2 bars
    tracks: {low drum: {steps: {1: always, 16: pass 4 of 4}}}
songs:
  - song: Slack water
    tempo: 150
    parts:
""" + "".join(
    f"      - {{pattern: slack water, on: drums, program: {number}, phrases: 1}}\n"
    for number in range(1, 60)
)

# Nothing is sent for most of an hour: an instrument that is heard but no longer reached will do.
ONE_PART = SET.replace("phrases: 1}", "phrases: 999}")


class House:
    """A set list, a state folder, an instrument, and engines one after the other."""

    def __init__(self, folder: Path) -> None:
        self.state = folder / "state"
        self.engines: list[Engine] = []
        self._folder = folder
        self.set_up()

    def set_up(self) -> None:
        """Bring the instrument, on which nothing plays, and the set list as it is at first."""
        self.set_file = self._folder / "tidewater.yaml"
        self.set_file.write_text(SET)
        self._rig = contextlib.ExitStack()
        environment = jack.environment(self._rig.enter_context(server(jack.ASYNCHRONOUS)))
        self.environment = environment | {"COMPANION_STATE_DIR": str(self.state)}
        self._players = Players(environment)
        self._rig.callback(self._players.close)
        self.drum = self._players.drum("--bpm", "150", "--length", "96")
        self._witness = self._players.witness()

    def pads(self, port: str) -> Path:
        """A file of controls for a pad on a port that is not there, which engines complain of."""
        file = self.set_file.with_name("pads.yaml")
        file.write_text(f'controls: [{{press: {{note: 60, port: "{port}"}}, wish: next}}]\n')
        return file

    def misses(self, port: str) -> bool:
        """Whether the engine complains that a pad's port is not there."""
        found = self.snapshot()
        return found is not None and any(repr(port) in each.text for each in found.troubles)

    def complains(self, of: str) -> bool:
        """Whether a trouble is told with these words."""
        found = self.snapshot()
        return found is not None and any(of in each.text for each in found.troubles)

    def engine(self, *more: str) -> Engine:
        log = self.set_file.with_name(f"engine-{len(self.engines)}.log")
        words = ("--api", "jack", *more, str(self.set_file))
        engine = Engine(*words, environment=self.environment, log=log)
        self.engines.append(engine)
        until(lambda: engine.said or engine.process.poll() is not None, "the engine is ready")
        engine.assert_alive()
        return engine

    def snapshot(self) -> Snapshot | None:
        with contextlib.suppress(LinkError):
            return ask_snapshot(find_endpoint(self.state))
        return None

    def snapshot_when(self, state: str) -> Snapshot:
        found: Snapshot | None = None

        def there() -> bool:
            nonlocal found
            found = self.snapshot()
            return found is not None and found.state == state

        try:
            until(there, f"the engine is {state}")
        except AssertionError as error:
            raise AssertionError(f"{error}; {found}") from error
        assert found is not None
        return found

    def plays(self) -> None:
        """Press play, again if a busy machine lost that."""

        def runs() -> bool:
            found = self.snapshot()
            if found is not None and found.state == "running":
                return True
            if self.drum.where()["tick"] > BAR or not self.drum.where()["running"]:
                self.drum.do("start")
            return False

        until(runs, "the engine is running")

    def agrees(self) -> None:
        """Wait for a look at which the engine says what the instrument itself counts.

        A busy machine loses clocks here, and the engine says so: then a bar more or less is all
        that can be asked. A count that begins in the wrong place is off by more, or sure of it.
        """
        seen = ""

        def alike() -> bool:
            nonlocal seen
            before, found, after = self.drum.where(), self.snapshot(), self.drum.where()
            if found is None:
                return False
            spare = 1 if found.sure else BAR
            earliest = before["part"], before["tick_in_part"] - spare
            latest = after["part"], after["tick_in_part"]
            seen = f"{earliest} {(found.part, found.tick)} {latest} {found.doubt}"
            return earliest <= (found.part, found.tick) <= latest

        try:
            until(alike, "engine and instrument agree")
        except AssertionError as error:
            raise AssertionError(f"{error}: {seen}") from error

    def kill(self) -> None:
        """Kill the engine early in a part, when no program change is due."""
        until(lambda: self.drum.where()["tick_in_part"] % PART < BAR, "the first bar")
        self.engines[-1].process.kill()
        self.engines[-1].process.wait()

    def stumbled(self) -> str:
        """How JACK or the computer failed, "" if neither did."""
        pad = self._players.pad("--to", "tide drum in")
        before = self.drum.messages.count(CALL)
        for _ in range(CALLS):
            pad.send(*CALL)
        deadline = time.monotonic() + HEARD_S
        while self.drum.messages.count(CALL) == before:
            if time.monotonic() > deadline:
                return "JACK brings the instrument nothing any more"
            time.sleep(0.01)
        return lost_time(self.drum, self._witness)

    def close(self) -> None:
        """Everybody leaves, and nothing is left behind."""
        while self.engines:
            self.engines.pop().close()
        self._rig.close()
        shutil.rmtree(self.state, ignore_errors=True)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    house = House(tmp_path)
    yield house
    house.close()


def programs(drum: Machine) -> list[int]:
    return [message[1] for message in drum.messages if message[0] == 0xC9]


@pytest.mark.parametrize("kills", [1, pytest.param(10, marks=pytest.mark.nightly)])
def test_killed_while_it_plays_it_goes_on_where_the_music_is(house: House, kills: int) -> None:
    house.engine()
    house.plays()
    for kill in range(kills):
        house.drum.reach(100 + 400 * kill)
        house.agrees()
        house.kill()
        house.engine()
        house.snapshot_when("running")
        house.agrees()
    # In order, and none twice.
    sent = programs(house.drum)
    assert sent == list(range(1, len(sent) + 1))


@pytest.mark.nightly
def test_held_up_for_seconds_it_is_unsure_and_sends_nothing_late(house: House) -> None:
    process = house.engine().process
    house.plays()
    house.drum.reach(100)
    os.kill(process.pid, signal.SIGSTOP)
    try:
        # Past the change that was due and its boundary; at 150 beats a minute, five seconds.
        house.drum.reach(PART + 2 * BAR + 20)
    finally:
        os.kill(process.pid, signal.SIGCONT)

    def unsure() -> bool:
        found = house.snapshot()
        return found is not None and found.doubt == WHICH_PART

    until(unsure, "the count is unsure")
    house.agrees()
    assert programs(house.drum) == []
    # Another pattern may have been chosen meanwhile: a start leaves that in doubt, a word makes it
    # sure, and what falls due from then on is sent.
    house.drum.do("start")
    house.agrees()
    assert house.snapshot_when("running").doubt == WHICH_PART
    send_wish(find_endpoint(house.state), Wish.of("confirm"))
    house.drum.wait_for("took")
    house.agrees()
    assert programs(house.drum) == [1]


@pytest.mark.nightly
def test_ended_well_it_leaves_nothing_and_begins_afresh(house: House) -> None:
    engine = house.engine()
    house.plays()
    house.drum.reach(250)
    until((house.state / KEPT_NAME).exists, "the place is written")
    engine.process.send_signal(signal.SIGTERM)
    assert engine.process.wait(timeout=20) == 0
    assert [p.name for p in house.state.iterdir()] == ["engine.lock"]
    house.engine()
    found = house.snapshot_when("ready")
    assert (found.part, found.tick) == (1, 0)


@pytest.mark.nightly
def test_another_set_list_begins_afresh(house: House) -> None:
    house.engine()
    house.plays()
    house.drum.reach(250)
    house.kill()
    house.set_file = house.set_file.with_name("neap.yaml")
    house.set_file.write_text(SET.replace("Slack water", "Neap"))
    house.engine()
    assert house.snapshot_when("ready").part == 1


@pytest.mark.nightly
def test_other_presses_make_no_other_set(house: House) -> None:
    house.engine("--controls", str(house.pads("left pad")))
    house.plays()
    house.drum.reach(250)
    house.agrees()
    until(lambda: house.misses("left pad"), "the left pad is missed")
    house.kill()
    house.engine("--controls", str(house.pads("right pad")))
    house.snapshot_when("running")
    house.agrees()
    until(lambda: house.misses("right pad"), "the right pad is missed")


def test_killed_after_its_file_was_saved_with_a_fault_it_goes_on_with_the_set_as_it_was(
    house: House,
) -> None:
    house.set_file.write_text(ONE_PART)
    house.engine()
    house.plays()
    house.drum.reach(120)
    house.set_file.write_text(ONE_PART.replace("pass 4 of 4", "pass 5 of 4"))
    until(lambda: house.complains("plays on"), "the fault is told")
    house.kill()
    house.engine()
    house.snapshot_when("running")
    house.agrees()
    until(lambda: house.complains("plays on"), "the fault is told again")
    # Mended and longer than before, it is taken over, and the place with it.
    house.set_file.write_text(ONE_PART + "  - {song: Neap, parts: [{pattern: slack water}]}\n")

    def taken() -> bool:
        found = house.snapshot()
        return found is not None and found.songs == 2

    until(taken, "the saved set list is taken over")
    house.agrees()


@pytest.fixture
def small_disk(house: House) -> Iterator[Path]:
    """The state folder on a disk of its own, as small as can be."""
    house.state.mkdir()
    made = ["mount", "-t", "tmpfs", "-o", "size=64k,mode=0700", "tmpfs", str(house.state)]
    if sys.platform != "linux" or subprocess.run(made, capture_output=True).returncode:
        pytest.skip("no disk can be mounted here")
    try:
        yield house.state
    finally:
        house.close()
        subprocess.run(["umount", str(house.state)], check=True)
        for spare in folders(house.state)[1:]:
            shutil.rmtree(spare, ignore_errors=True)


@pytest.mark.nightly
def test_killed_on_a_full_disk_it_goes_on_all_the_same(house: House, small_disk: Path) -> None:
    (small_disk / "recordings").write_bytes(bytes(1 << 16))
    house.set_file.write_text(ONE_PART)
    house.engine()
    house.plays()
    house.drum.reach(250)
    until(lambda: house.complains("power cut"), "the full disk is told")
    house.kill()
    house.engine()
    house.snapshot_when("running")
    house.agrees()
    assert house.drum.where()["tick_in_part"] > 250
    # There is room again.
    (small_disk / "recordings").unlink()
    until((small_disk / KEPT_NAME).exists, "the place is on the disk")
    until(lambda: not house.complains("power cut"), "no trouble any more")


def engine_process(state: Path) -> int:
    """The process number that the engine has written down, 0 while there is none."""
    with contextlib.suppress(OSError, ValueError):
        number = json.loads((state / FILE_NAME).read_bytes())["pid"]
        return int(number)
    return 0


def test_under_an_open_screen_it_is_started_again_by_itself(house: House) -> None:
    terminal, inner = os.openpty()
    words = ["--api", "jack", "--controls", str(house.pads("left pad")), str(house.set_file)]
    command = [sys.executable, "-m", "companion", "play", *words]
    play = subprocess.Popen(
        command,
        stdin=inner,
        stdout=inner,
        stderr=inner,
        env=house.environment | {"TERM": "xterm-256color"},
        cwd=ROOT,
        start_new_session=True,
    )
    os.close(inner)

    def read() -> None:
        with contextlib.suppress(OSError):
            while os.read(terminal, 1 << 16):
                pass

    threading.Thread(target=read, daemon=True).start()
    try:
        house.snapshot_when("waiting")
        house.plays()
        house.drum.reach(100)
        first = engine_process(house.state)
        os.kill(first, signal.SIGKILL)
        until(lambda: engine_process(house.state) not in (0, first), "another engine")
        house.snapshot_when("running")
        house.agrees()
        # It has the same presses as the first.
        until(lambda: house.misses("left pad"), "the left pad is missed again")
        assert play.poll() is None
        second = engine_process(house.state)
        os.kill(second, signal.SIGTERM)
        # Ended as it should be, it stays so.
        until(lambda: engine_process(house.state) == 0, "no engine")
    finally:
        # First whoever would start another.
        play.kill()
        play.wait()
        os.close(terminal)
        if number := engine_process(house.state):
            with contextlib.suppress(ProcessLookupError):
                os.kill(number, signal.SIGTERM)
