"""A screen ends with its terminal though no signal says so, and not with its input."""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("Windows ends the processes of a console itself", allow_module_level=True)

import fcntl
import struct
import termios

from companion.screen.terminal import HUNG_UP, is_gone

ROOT = Path(__file__).parent.parent.parent
# A screen on a clock that stands still: drawn once, it has nothing more to write, so that no write
# can fail either. As under nohup it hears no hang-up, though this terminal is its own.
SCREEN = """
import fcntl, signal, termios
from companion.screen.app import make_app
from companion.screen.terminal import outlive_input
from tests.screen.stage import Clock, Feed, slack_water
outlive_input()
signal.signal(signal.SIGHUP, signal.SIG_IGN)
fcntl.ioctl(2, termios.TIOCSCTTY, 0)
raise SystemExit(make_app(Feed(slack_water(100)), look_only=True, now_ns=Clock()).run() != "keep")
"""
PATIENCE_S = 40


class Terminal:
    """A terminal of 100 x 30 that a screen draws on, read until it is closed."""

    def __init__(self) -> None:
        self.outer, self.inner = os.openpty()
        fcntl.ioctl(self.inner, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 100, 0, 0))

    def screen(self, stdin: int | None = None) -> subprocess.Popen[bytes]:
        """Open a screen on it, and wait until it is drawn; `stdin`: it is typed to elsewhere."""
        process = subprocess.Popen(
            [sys.executable, "-c", SCREEN],
            stdin=self.inner if stdin is None else stdin,
            stdout=self.inner,
            stderr=self.inner,
            # The size is the terminal's own, whatever pytest was told of its own.
            env={k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")}
            | {"TERM": "xterm-256color"},
            cwd=ROOT,
            start_new_session=True,
        )
        os.close(self.inner)
        self.inner = -1
        self.shows(b"low drum")
        return process

    def shows(self, words: bytes) -> None:
        """Read until these words are drawn; fails with what was drawn when they never are."""
        deadline, drawn = time.monotonic() + PATIENCE_S, b""
        while words not in drawn:
            ready, _, _ = select.select([self.outer], [], [], max(0.0, deadline - time.monotonic()))
            assert ready, f"never drawn: {words!r}; the last of what was: {drawn[-2000:]!r}"
            drawn += os.read(self.outer, 1 << 16)

    def read_on(self) -> threading.Thread:
        """Read what else is drawn, as terminals do, until the screen has ended."""

        def read() -> None:
            with contextlib.suppress(OSError):
                while os.read(self.outer, 1 << 16):
                    pass

        reader = threading.Thread(target=read, daemon=True)
        reader.start()
        return reader

    def close(self) -> None:
        """Take it away from whoever draws on it."""
        for end in (self.outer, self.inner):
            if end >= 0:
                os.close(end)
        self.outer = self.inner = -1


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    made = Terminal()
    yield made
    made.close()


@contextlib.contextmanager
def ended(process: subprocess.Popen[bytes]) -> Iterator[None]:
    """Whatever becomes of the test, the screen is ended after it."""
    try:
        yield
    finally:
        process.kill()
        process.wait()


def test_a_terminal_that_was_closed_is_gone_and_what_is_no_terminal_never_hangs_up(
    terminal: Terminal,
) -> None:
    with open(os.devnull, "rb") as nothing:
        assert not is_gone(nothing.fileno())
    assert not is_gone(terminal.inner)
    os.close(terminal.outer)
    terminal.outer = -1
    assert is_gone(terminal.inner)


def test_a_screen_that_hears_no_hang_up_ends_with_its_terminal(terminal: Terminal) -> None:
    process = terminal.screen()
    with ended(process):
        terminal.close()
        assert process.wait(PATIENCE_S) == HUNG_UP


def test_a_screen_that_only_draws_on_the_terminal_ends_with_it_too(terminal: Terminal) -> None:
    process = terminal.screen(subprocess.DEVNULL)
    with ended(process):
        terminal.close()
        assert process.wait(PATIENCE_S) == HUNG_UP


def test_keys_that_come_down_a_pipe_work_and_the_end_of_the_pipe_is_not_that_of_the_screen(
    terminal: Terminal,
) -> None:
    ours, theirs = os.pipe()
    process = terminal.screen(ours)
    os.close(ours)
    with ended(process):
        os.write(theirs, b"m")
        terminal.shows(b"a phrase begins")
        os.close(theirs)
        terminal.read_on()
        # Longer than a screen takes to notice that a terminal is gone.
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(2)


LISTEN = """
import os, select
from companion.screen.terminal import outlive_input
outlive_input()
print(os.read(0, 100).decode() if {reads} else "", select.select([0], [], [], {patience_s})[0])
"""


def heard(stdin: int, *, reads: bool, **environment: str) -> str:
    """What a process finds at its standard input, and whether there is more, or the end of it."""
    done = subprocess.run(
        # The end would be noticed at once.
        [sys.executable, "-c", LISTEN.format(reads=reads, patience_s=0.2)],
        stdin=stdin,
        capture_output=True,
        text=True,
        env=os.environ | environment,
        cwd=ROOT,
        timeout=PATIENCE_S,
        check=True,
    )
    return done.stdout.strip()


def test_input_without_keys_is_silent_and_not_over() -> None:
    # Read at its end as fast as can be, it kept a processor busy.
    assert heard(subprocess.DEVNULL, reads=False) == "[]"


def test_keys_come_down_a_pipe_and_then_it_is_silent() -> None:
    ours, theirs = os.pipe()
    os.write(theirs, b"mm")
    os.close(theirs)
    try:
        assert heard(ours, reads=True) == "mm []"
    finally:
        os.close(ours)


def test_a_screen_in_a_browser_hears_the_end_of_its_input() -> None:
    assert heard(subprocess.DEVNULL, reads=False, TEXTUAL_DRIVER="any") == "[0]"


def test_a_terminal_is_read_as_it_is(terminal: Terminal) -> None:
    os.write(terminal.outer, b"m\n")
    assert heard(terminal.inner, reads=True).split() == ["m", "[]"]


def test_a_key_closes_a_screen_as_ever(terminal: Terminal) -> None:
    process = terminal.screen()
    with ended(process):
        os.write(terminal.outer, b"q")
        terminal.read_on()
        assert process.wait(PATIENCE_S) == 0
