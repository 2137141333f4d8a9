"""The commands with a screen: demo, play and screen. The engine is another process.

`Supervisor` watches over it: one that dies while its screen is open is started again.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import IO, Any

import click

from companion.cautions import ON_STARTING
from companion.cli.awake import Awake
from companion.cli.exits import Refused
from companion.cli.saying import engine_needed, say
from companion.link.ask import send_wish
from companion.link.endpoint import Endpoint, NoEngine, find_endpoint
from companion.link.messages import LinkError
from companion.wishes import Ask, Wish

# Tells an engine that it takes the place of one that died.
AGAIN = "COMPANION_AGAIN"
# An engine that lived so long did not die of how it was started.
LONG_S = 10.0
# How long to wait before each further start, after the first, second ... quick death in a row.
WAITS_S = (0.0, 0.25, 0.5, 1.0, 2.0)
DEMO = "tidewater-first-steps.yaml"


def engine_arguments(
    *,
    in_glob: str | None,
    out_glob: str | None,
    api: str | None,
    no_send: bool,
    controls: Path | None,
    no_take: bool,
) -> list[str]:
    """The command-line words that hand these choices on to `companion engine`."""
    words: list[str] = []
    chosen = {"--in": in_glob, "--out": out_glob, "--api": api, "--controls": controls}
    for option, value in chosen.items():
        if value is not None:
            words += [option, str(value)]
    words += ["--no-send"] if no_send else []
    return [*words, *(["--no-take"] if no_take else ["--take-kind", "play"])]


def demo(*, calm: bool, light: bool) -> None:
    """Start an engine with the internal clock on the shipped set, and show it."""
    start_and_show(shipped_set(DEMO), ["--internal-clock", "--demo"], calm=calm, light=light)


def play(set_file: Path, *, calm: bool, light: bool, **chosen: Any) -> None:
    """Start an engine on `set_file` and show it; `chosen` is for `engine_arguments`."""
    start_and_show(set_file, engine_arguments(**chosen), calm=calm, light=light)


def start_and_show(
    set_file: Path, arguments: list[str], *, calm: bool, light: bool, command: str = "engine"
) -> None:
    """Start an engine on `set_file` and show it; one that dies meanwhile is started again.

    `command` is the one that runs it. Raises Refused if it does not start, or cannot be started
    again.
    """
    with _notepad() as complaints, closing(Awake()) as awake:
        process = _spawn(command, set_file, arguments, complaints, subprocess.PIPE)
        # While the engine reads the set list, this process loads the screen.
        import companion.screen.app  # noqa: F401

        _wait_until_ready(process, complaints)
        # Not before: what did not start has its own one line to say.
        click.echo(ON_STARTING, err=True)
        # By now it has been refused, if it is.
        sleepy = awake.trouble
        if sleepy:
            click.echo(f"{sleepy[0].upper()}{sleepy[1:]}.", err=True)

        def again() -> subprocess.Popen[bytes]:
            complaints.seek(0)
            complaints.truncate()
            return _spawn(command, set_file, arguments, complaints, subprocess.DEVNULL, again=True)

        supervisor = Supervisor(process, again, lambda: _last_line(complaints))
        show(calm=calm, light=light, supervisor=supervisor, notice=sleepy)


def screen(*, calm: bool, light: bool, look_only: bool) -> None:
    """Show the running engine; `look_only` asks nothing of it. Raises Refused if there is none."""
    with engine_needed():
        find_endpoint()
    show(calm=calm, light=light, look_only=look_only)


def show(
    *,
    calm: bool,
    light: bool,
    look_only: bool = False,
    supervisor: Supervisor | None = None,
    notice: str = "",
) -> None:
    """Run the screen until it is closed, and end the engine if the performer says so.

    `notice` is what it says first.

    Raises Refused if the engine cannot be ended, or if `supervisor` had to give it up.
    """
    from companion.link.client import Client
    from companion.screen.app import make_app
    from companion.screen.terminal import outlive_input, wants_plain

    outlive_input()
    find: Callable[[], Endpoint] = find_endpoint if supervisor is None else supervisor.find
    app = make_app(
        Client(find),
        calm=calm,
        light=light,
        look_only=look_only,
        plain=wants_plain(),
        of_day=datetime.now,
    )
    app.say(notice)
    choice = app.run()
    if supervisor is not None:
        supervisor.close()
    if choice == "stop":
        try:
            send_wish(find_endpoint(), Wish(Ask.STOP))
        except NoEngine:
            if supervisor is not None:
                supervisor.end()
            return
        except LinkError as error:
            raise Refused(str(error)) from error
        say("The engine has ended.")
    elif _engine_runs():
        say("The engine goes on. Look again: companion screen. End it: companion stop.")
    elif supervisor is not None and supervisor.trouble:
        raise Refused(supervisor.trouble)


def _engine_runs() -> bool:
    try:
        find_endpoint()
    except LinkError:
        return False
    return True


def _spawn(
    command: str,
    set_file: Path,
    arguments: list[str],
    complaints: IO[bytes],
    said: int,
    again: bool = False,
) -> subprocess.Popen[bytes]:
    # A session of its own: closing the terminal, or Ctrl-C in it, must not reach the engine.
    flags = 0
    if sys.platform == "win32":
        flags = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.DETACHED_PROCESS
    return subprocess.Popen(
        [sys.executable, "-m", "companion", command, *arguments, "--", str(set_file)],
        stdin=subprocess.DEVNULL,
        stdout=said,
        stderr=complaints,
        env=os.environ | ({AGAIN: "1"} if again else {}),
        start_new_session=True,
        creationflags=flags,
    )


def _notepad() -> IO[bytes]:
    """A file without a name, in memory where there is a way: no disk has to take it."""
    if sys.platform == "linux":
        return open(os.memfd_create("complaints"), "w+b")
    return tempfile.TemporaryFile()


def _last_line(complaints: IO[bytes]) -> str:
    """The last line of what an engine that has ended complained of."""
    complaints.seek(0)
    lines = complaints.read().decode(errors="replace").split("\n")
    found = next((line.strip() for line in reversed(lines) if line.strip()), "")
    return found.removeprefix("companion: ")


def _wait_until_ready(process: subprocess.Popen[bytes], complaints: IO[bytes]) -> None:
    """The engine says one line once it can be reached, or ends with its complaints."""
    assert process.stdout is not None
    with process.stdout as said:
        if said.readline():
            return
    process.wait()
    complaints.seek(0)
    text = complaints.read().decode(errors="replace").strip()
    if not text:
        raise Refused(f"the engine ended with status {process.returncode} and said nothing")
    say(*text.split("\n"), err=True)
    raise click.exceptions.Exit(process.returncode or 1)


class Supervisor:
    """Watches over one engine, and over those that follow it.

    `start` starts another one, and may raise OSError; `last_words` is what the latest had to say
    for itself, "" if nothing. `trouble` says in plain words why none is started any more.
    """

    def __init__(
        self,
        process: subprocess.Popen[bytes],
        start: Callable[[], subprocess.Popen[bytes]],
        last_words: Callable[[], str],
    ) -> None:
        self._process = process
        self._start = start
        self._last_words = last_words
        self._lock = threading.Lock()
        self._closed = threading.Event()
        self.trouble = ""
        self.starts = 0
        self._thread = threading.Thread(target=self._run, name="supervisor", daemon=True)
        self._thread.start()

    @property
    def watching(self) -> bool:
        """Whether an engine that dies now would be started again."""
        return self._thread.is_alive()

    def find(self) -> Endpoint:
        """Where the engine is. Raises NoEngine or LinkError, as `find_endpoint` does."""
        try:
            return find_endpoint()
        except NoEngine as error:
            raise NoEngine(self.trouble or "the engine is being started again") from error

    def close(self) -> None:
        """Start no engine any more; the one that runs goes on."""
        with self._lock:
            self._closed.set()

    def end(self) -> None:
        """End an engine that cannot be reached yet, so that none is left behind."""
        self.close()
        if self._process.poll() is None:
            self._process.terminate()
            self._process.wait()

    def _run(self) -> None:
        deaths = 0
        while True:
            began = time.monotonic()
            status = self._process.wait()
            if status == 0 or self._closed.is_set():
                # Somebody ended it.
                return
            if time.monotonic() - began > LONG_S:
                deaths = 0
            if deaths == len(WAITS_S):
                self.trouble = f"the engine died {deaths + 1} times in a row: {self._why(status)}"
                return
            if self._closed.wait(WAITS_S[deaths]):
                return
            deaths += 1
            if not self._again():
                return

    def _again(self) -> bool:
        """Start the next one; False if there is no need, or no way."""
        try:
            find_endpoint()
        except NoEngine:
            pass
        except LinkError as error:
            self.trouble = str(error)
            return False
        else:
            # Somebody else was quicker.
            return False
        with self._lock:
            if self._closed.is_set():
                return False
            try:
                self._process = self._start()
            except OSError as error:
                self.trouble = f"the engine cannot be started again: {error}"
                return False
            self.starts += 1
        return True

    def _why(self, status: int) -> str:
        words = self._last_words()
        if words:
            return words
        if status < 0:
            try:
                return f"it was ended by {signal.Signals(-status).name}"
            except ValueError:
                return f"it was ended by signal {-status}"
        return f"it ended with status {status} and said nothing"


def shipped_set(name: str) -> Path:
    """Path of a shipped set list: in the installed package, or in a checkout beside it."""
    package = Path(__file__).resolve().parent.parent
    installed = package / "setlists" / name
    return installed if installed.exists() else package.parent / "setlists" / name
