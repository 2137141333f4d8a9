"""The commands with a screen: demo, play and screen. The engine is another process."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import IO

import click

from companion.cli.exits import Refused
from companion.cli.needed import engine_needed
from companion.cli.shipped import DEMO, shipped_set
from companion.cli.supervise import DIED_NS, Supervisor
from companion.link.client import Client, send_wish
from companion.link.endpoint import Endpoint, NoEngine, find_endpoint
from companion.link.messages import LinkError, Wish


def engine_arguments(
    in_glob: str | None,
    out_glob: str | None,
    api: str | None,
    no_send: bool,
    controls: Path | None = None,
) -> list[str]:
    """The command-line words that hand these choices on to `companion engine`."""
    words: list[str] = []
    chosen = {"--in": in_glob, "--out": out_glob, "--api": api, "--controls": controls}
    for option, value in chosen.items():
        if value is not None:
            words += [option, str(value)]
    return [*words, "--no-send"] if no_send else words


def demo(*, calm: bool, light: bool) -> None:
    """Start an engine with the internal clock on the shipped set, and show it."""
    play(shipped_set(DEMO), ["--internal-clock", "--demo"], calm=calm, light=light)


def play(set_file: Path, arguments: list[str], *, calm: bool, light: bool) -> None:
    """Start an engine on `set_file` and show it; one that dies meanwhile is started again.

    Raises Refused if it does not start, or cannot be started again.
    """
    with _notepad() as complaints:
        process = _spawn(set_file, arguments, complaints, subprocess.PIPE)
        # While the engine reads the set list, this process loads the screen.
        import companion.screen.app  # noqa: F401

        _wait_until_ready(process, complaints)

        def again(died_ns: int) -> subprocess.Popen[bytes]:
            complaints.seek(0)
            complaints.truncate()
            return _spawn(set_file, arguments, complaints, subprocess.DEVNULL, died_ns)

        supervisor = Supervisor(process, again, lambda: _last_line(complaints))
        show(calm=calm, light=light, supervisor=supervisor)


def screen(*, calm: bool, light: bool, look_only: bool = False) -> None:
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
) -> None:
    """Run the screen until it is closed, and end the engine if the performer says so.

    Raises Refused if the engine cannot be ended, or if `supervisor` had to give it up.
    """
    from companion.screen.app import make_app
    from companion.screen.terminal import outlive_input

    outlive_input()
    find: Callable[[], Endpoint] = find_endpoint if supervisor is None else supervisor.find
    choice = make_app(Client(find), calm=calm, light=light, look_only=look_only).run()
    if supervisor is not None:
        supervisor.close()
    if choice == "stop":
        try:
            send_wish(find_endpoint(), Wish("stop"))
        except NoEngine:
            if supervisor is not None:
                supervisor.end()
            return
        except LinkError as error:
            raise Refused(str(error)) from error
        click.echo("The engine has ended.")
    elif _engine_runs():
        click.echo("The engine goes on. Look again: companion screen. End it: companion stop.")
    elif supervisor is not None and supervisor.trouble:
        raise Refused(supervisor.trouble)


def _engine_runs() -> bool:
    try:
        find_endpoint()
    except LinkError:
        return False
    return True


def _spawn(
    set_file: Path,
    arguments: list[str],
    complaints: IO[bytes],
    said: int,
    died_ns: int | None = None,
) -> subprocess.Popen[bytes]:
    # A session of its own: closing the terminal, or Ctrl-C in it, must not reach the engine.
    flags = 0
    if sys.platform == "win32":
        flags = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.DETACHED_PROCESS
    command = [sys.executable, "-m", "companion", "engine", *arguments, "--", str(set_file)]
    return subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=said,
        stderr=complaints,
        env=os.environ | ({} if died_ns is None else {DIED_NS: str(died_ns)}),
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
    click.echo(text, err=True)
    raise click.exceptions.Exit(process.returncode or 1)
