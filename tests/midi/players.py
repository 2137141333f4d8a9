"""Those who take part in a rehearsal, each a process: instrument, recorder, engine, screen.

Every wait is for a condition and has a deadline; when it passes, the failure says what was awaited
and what was there instead.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import shutil
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from companion.link.ask import ask_snapshot
from companion.link.endpoint import find_endpoint
from companion.link.messages import LinkError, Snapshot
from tests.midi.attempts import Lied
from tests.midi.jack import haste
from tests.typed import typed

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
PATIENCE_S = 20.0
POLL_S = 0.02
# What was sent so long before has been heard, on a busy machine too.
HEARD_S = 0.1
# A tick that lasts longer than this many ticks may rightly be taken for one that went missing; the
# engine is allowed half a tick, and what the witness sees is not exactly what the engine sees.
LONGEST = 1.3

T = TypeVar("T")
P = TypeVar("P", bound="Player | Command | Screen")
Event = dict[str, Any]


def until(condition: Callable[[], T | None], what: str, patience_s: float = PATIENCE_S) -> T:
    """What `condition` returns once that is true; fails when it never is."""
    deadline = time.monotonic() + patience_s
    while True:
        found = condition()
        if found:
            return found
        assert time.monotonic() < deadline, f"never: {what}; last: {found!r}"
        time.sleep(POLL_S)


def first(look: Callable[[], T], fits: Callable[[T], bool], what: str) -> T:
    """The first look that fits; fails with the last one when none does."""
    deadline = time.monotonic() + PATIENCE_S
    while not fits(seen := look()):
        assert time.monotonic() < deadline, f"never: {what}; last: {seen}"
        time.sleep(POLL_S)
    return seen


class Player:
    """A process that prints events as JSON lines and may be told things in the same way.

    It is begun at once and may be waited for with `ready`, so that several come together.
    """

    def __init__(self, script: str, *words: str, environment: dict[str, str]) -> None:
        self.events: list[Event] = []
        self._news = threading.Condition()
        self.process = subprocess.Popen(
            [*haste(), sys.executable, str(HERE / script), *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self._news:
                self.events.append(json.loads(line))
                self._news.notify_all()

    def ready(self) -> None:
        """Wait until it has its ports."""
        self.wait_for("ready")

    def of(self, event: str) -> list[Event]:
        """All events of that name so far."""
        return [e for e in list(self.events) if e["event"] == event]

    def wait_for(self, event: str, times: int = 1) -> Event:
        """The event of that name, once there are `times` of them."""
        deadline = time.monotonic() + PATIENCE_S
        with self._news:
            while len(found := self.of(event)) < times:
                assert self.process.poll() is None, f"{self.process.args!r} ended: {self.events}"
                assert time.monotonic() < deadline, f"never: {times} x {event!r}; {self.events}"
                self._news.wait(0.2)
        return found[times - 1]

    def ask(self, line: str, event: str) -> Event:
        """Tell it a line; returns the event of that name that it answers with."""
        before = len(self.of(event))
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        return self.wait_for(event, before + 1)

    def leave(self) -> None:
        """Ask it to end."""
        with contextlib.suppress(OSError):
            assert self.process.stdin is not None
            self.process.stdin.close()

    def close(self) -> None:
        """End it."""
        self.leave()
        try:
            self.process.wait(timeout=3)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self._reader.join(timeout=3)


class Machine(Player):
    """The drum machine or sampler of `instrument.py`; programs and channels are wire values."""

    def __init__(self, *words: str, environment: dict[str, str]) -> None:
        super().__init__("instrument.py", *words, environment=environment)

    def do(self, what: str, **more: Any) -> Event:
        """Press something on the front panel; returns where the machine then is."""
        return self.ask(json.dumps({"do": what, **more}), what)

    def where(self) -> Event:
        """Where it is by its own count."""
        return self.do("where")

    def reach(self, tick: int) -> Event:
        """Wait until it has ticked `tick` since its start."""
        return until(
            lambda: here if (here := self.where())["tick"] >= tick else None, f"tick {tick}"
        )

    @property
    def messages(self) -> list[list[int]]:
        """Bytes of each message that came down its cable."""
        return [e["bytes"] for e in self.of("heard")]


class Pad(Player):
    """The pad of `pad.py`: a port without a clock."""

    def __init__(self, *words: str, environment: dict[str, str]) -> None:
        super().__init__("pad.py", *words, environment=environment)

    def send(self, *message: int) -> None:
        """Send one message."""
        self.ask(json.dumps(message), "sent")

    def hit(self, note: int) -> None:
        """Press a pad and let it go again, as long as a finger is on it."""
        self.press(note)
        time.sleep(0.1)
        self.let_go(note)

    def press(self, note: int) -> None:
        """Press a pad and keep it down."""
        self.send(0x90, note, 100)

    def let_go(self, note: int) -> None:
        """Let go of it."""
        self.send(0x80, note, 0)


class Recorder(Player):
    """The third party of `recorder.py`."""

    def __init__(self, *words: str, environment: dict[str, str]) -> None:
        super().__init__("recorder.py", *words, environment=environment)

    @property
    def programs(self) -> list[Event]:
        """The program changes that went out."""
        return [e for e in self.of("heard") if e["type"] == "program_change"]


class Witness(Player):
    """The witness of `witness.py`: did the computer itself keep time?"""

    def __init__(self, *words: str, environment: dict[str, str]) -> None:
        super().__init__("witness.py", *words, environment=environment)

    def verdict(self) -> Event:
        """What it has seen so far."""
        return self.ask("", "verdict")


def lost_time(machine: Machine | None, witness: Witness) -> str:
    """How the computer failed to bring the machine's clock in time, "" if it did not.

    `machine` is None where the clock is not one of ours.
    """
    seen = witness.verdict()
    if seen["longest"] > LONGEST:
        return f"a tick lasted {seen['longest']:.1f} ticks"
    if machine is None:
        return ""
    if machine.process.poll() is None and machine.where()["clocks"] > seen["clocks"] + 1:
        return f"the witness heard {seen['clocks']} clocks of {machine.where()['clocks']}"
    return ""


class Command:
    """A command of the program that takes its time; what it says is read while it runs."""

    def __init__(
        self, *words: str, environment: dict[str, str], log: Path, ahead: tuple[str, ...] = ()
    ) -> None:
        """`ahead` are the words of another program that starts it."""
        self._log = log
        with log.open("wb") as out:
            self.process = subprocess.Popen(
                [*ahead, sys.executable, "-m", "companion", *words],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT,
                env=environment,
                cwd=ROOT,
            )

    @property
    def said(self) -> str:
        """All it has printed so far."""
        return self._log.read_text()

    def says(self, text: str) -> None:
        """Wait until it has said `text`."""
        until(lambda: text in self.said, f"{text!r} in what it says: {self.said!r}")

    def ends(self, status: int = 0) -> str:
        """Wait until it has ended with this exit status; returns all that it said."""
        until(lambda: self.process.poll() is not None, f"the end of: {self.said!r}")
        assert self.process.returncode == status, self.said
        return self.said

    def leave(self) -> None:
        """Ask it to end."""
        self.process.kill()

    def close(self) -> None:
        """End it if it still runs."""
        self.process.kill()
        self.process.wait()


class Engine(Command):
    """`companion engine`: it prints a line once its ports are open and it can be reached."""

    def __init__(self, *words: str, environment: dict[str, str], log: Path) -> None:
        super().__init__("engine", *words, environment=environment, log=log, ahead=haste())

    def assert_alive(self) -> None:
        """Fails, with the engine's own words, if it has ended."""
        assert self.process.poll() is None, self.said

    def leave(self) -> None:
        """Ask it to end in good order."""
        self.process.terminate()

    def close(self) -> None:
        """End it if it still runs, in good order if it can."""
        self.leave()
        try:
            self.process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            super().close()


class Screen:
    """`companion screen` in a terminal of 100 x 30, read as fast as it draws."""

    def __init__(self, environment: dict[str, str]) -> None:
        self._terminal, inner = os.openpty()
        self._open = True
        fcntl.ioctl(inner, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 100, 0, 0))
        self.process = subprocess.Popen(
            [sys.executable, "-m", "companion", "screen"],
            stdin=inner,
            stdout=inner,
            stderr=inner,
            env=self._own(environment),
            cwd=ROOT,
            start_new_session=True,
        )
        os.close(inner)
        self.drawn = b""
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    @staticmethod
    def _own(environment: dict[str, str]) -> dict[str, str]:
        # A width that whoever runs the tests has in its environment is not that of this terminal.
        widths = ("COLUMNS", "LINES")
        own = {name: value for name, value in environment.items() if name not in widths}
        return own | {"TERM": "xterm-256color"}

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while self._open and (found := os.read(self._terminal, 1 << 16)):
                self.drawn = (self.drawn + found)[-(1 << 20) :]

    def shows(self, text: str) -> None:
        """Wait until it has drawn `text`."""
        until(lambda: text.encode() in self.drawn, f"{text!r} on the screen")

    def press(self, keys: str) -> None:
        """Type on its keyboard."""
        os.write(self._terminal, keys.encode())

    def hang_up(self) -> None:
        """Take its terminal away, of which no signal tells it: the terminal is not its own."""
        # Whoever reads from a terminal keeps it open; what is drawn next ends that reading.
        self._open = False
        self._reader.join(timeout=PATIENCE_S)
        os.close(self._terminal)

    def send_signal(self, number: int) -> None:
        """Do to the process what a system or a user can do."""
        self.process.send_signal(number)

    def leave(self) -> None:
        """Kill it, whatever state it is in."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGKILL)

    def close(self) -> None:
        """Kill it, whatever state it is in."""
        self.leave()
        self.process.wait()
        if self._open:
            os.close(self._terminal)


class Stage:
    """One rehearsal: a state folder, the JACK server, and whoever was asked onto the stage."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        self.folder = folder
        self.environment = environment | {"COMPANION_STATE_DIR": str(folder / "state")}
        self._cast: list[Player | Command | Screen] = []
        self._engines = 0
        self._commands = 0
        self._witnesses: list[tuple[Machine | None, Witness]] = []

    def set_up(self) -> None:
        """Nobody is there from the beginning, and nothing is left of an earlier rehearsal."""
        shutil.rmtree(self.folder / "state", ignore_errors=True)

    def drum(self, *words: str) -> Machine:
        """A drum machine, `tide drum`, on channel 10, that takes changes at its pattern's end."""
        machine = Machine(*words, environment=self.environment)
        witness = Witness(environment=self.environment)
        self._cast += [machine, witness]
        for each in (machine, witness):
            each.ready()
        self._witnesses.append((machine, witness))
        return machine

    def witness(self, clock: str) -> Witness:
        """Somebody who counts the clocks of the port with this in its name."""
        witness = self._on_stage(Witness("--clock", clock, environment=self.environment))
        self._witnesses.append((None, witness))
        return witness

    def sampler(self, *words: str, follows: bool = False) -> Machine:
        """A sampler, `tide sampler`, on channel 3, that takes changes at once.

        One that `follows` the drum machine, which is there before it, counts by its clock.
        """
        own = ("--name", "tide sampler", "--channel", "2", "--at-once")
        if follows:
            own += ("--follows", "tide drum out")
        return self._on_stage(Machine(*own, *words, environment=self.environment))

    def pad(self, *words: str) -> Pad:
        """A pad, `tide pad`."""
        return self._on_stage(Pad(*words, environment=self.environment))

    def recorder(self, *words: str) -> Recorder:
        """Somebody who listens in on all that the engine sends; after the engine."""
        return self._on_stage(Recorder(*words, environment=self.environment))

    def screen(self) -> Screen:
        """One more screen on the running engine."""
        return self._on_stage(Screen(self.environment))

    def engine(self, setlist: str, *words: str) -> Engine:
        """A running engine on `setlist`, wired to the drum machine, that can be reached."""
        ports = ("--api", "jack", "--in", "*drum out*", *words)
        path = self.write(setlist)
        self._engines += 1
        log = self.folder / f"engine-{self._engines}.log"
        engine = Engine(*ports, str(path), environment=self.environment, log=log)
        self._on_stage(engine)

        until(
            lambda: engine.said or engine.process.poll() is not None,
            "the engine says that it is ready",
        )
        engine.assert_alive()
        until(lambda: self.run("status", "--json").returncode == 0, "the engine answers")
        return engine

    def write(self, setlist: str) -> Path:
        """The set list as a file."""
        path = self.folder / "tidewater.yaml"
        path.write_text(setlist)
        return path

    def run(self, *words: str | Path) -> subprocess.CompletedProcess[str]:
        """Run a command of the program to its end."""
        return typed(*words, environment=self.environment, folder=ROOT)

    def begin(self, *words: str | Path) -> Command:
        """Begin a command of the program that does not end by itself at once."""
        self._commands += 1
        log = self.folder / f"command-{self._commands}.log"
        return self._on_stage(Command(*map(str, words), environment=self.environment, log=log))

    def status(self) -> dict[str, Any]:
        """What `companion status --json` says, once all is heard that was sent before."""
        time.sleep(HEARD_S)
        done = self.run("status", "--json")
        assert done.returncode == 0, done.stderr
        found = json.loads(done.stdout)
        assert isinstance(found, dict)
        return found

    def look(self) -> Snapshot:
        """What a screen would be told now; far sooner there than a status."""
        try:
            return ask_snapshot(find_endpoint(self.folder / "state"))
        except LinkError as error:
            raise AssertionError(f"the engine does not answer: {error}") from error

    def look_when(self, fits: Callable[[Snapshot], bool], what: str) -> Snapshot:
        """The first look that fits; fails when none comes.

        An engine that makes a client of JACK's while a clock plays may not answer for seconds.
        """

        def look() -> Snapshot | AssertionError:
            try:
                return self.look()
            except AssertionError as error:
                return error

        found = first(look, lambda seen: isinstance(seen, Snapshot) and fits(seen), what)
        assert isinstance(found, Snapshot)
        return found

    def status_when(self, **wanted: Any) -> dict[str, Any]:
        """The first status with these values; fails when none comes."""
        return first(
            self.status, lambda found: wanted.items() <= found.items(), f"a status with {wanted}"
        )

    def stumbled(self) -> str:
        """How the computer itself failed to keep time in this rehearsal, "" if it did not."""
        return next(filter(None, (lost_time(*pair) for pair in self._witnesses)), "")

    def longest(self) -> float:
        """The longest time from one clock to the next that a witness saw, in ticks."""
        return max(float(witness.verdict()["longest"]) for _, witness in self._witnesses)

    def close(self) -> None:
        """Everybody leaves together."""
        self._witnesses.clear()
        cast, self._cast = self._cast[::-1], []
        for each in cast:
            each.leave()
        for each in cast:
            each.close()

    def _on_stage(self, player: P) -> P:
        self._cast.append(player)
        if isinstance(player, Player):
            player.ready()
        return player


def agrees(stage: Stage, drum: Machine) -> dict[str, Any]:
    """Look at the status once; it must lie between what the machine counts before and after.

    Whether the count is sure is another matter: on a busy machine a clock may come late enough to
    be looked into, but what is shown meanwhile must be right all the same.
    """
    before = drum.where()
    status = stage.status()
    after = drum.where()
    told = (status["part"], status["tick"], status["pass"])
    earliest = (before["part"], before["tick_in_part"], before["pass"])
    latest = (after["part"], after["tick_in_part"], after["pass"])
    if not (earliest[:2] <= told[:2] <= latest[:2] and earliest[::2] <= told[::2] <= latest[::2]):
        raise (Lied if status["sure"] else AssertionError)((earliest, told, latest))
    return status
