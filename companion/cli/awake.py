"""Keeping the computer awake while a set is played, by what the system has for that.

Only asked for as long as this process lives: whatever ends it, the computer may sleep again.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence

WHY = "a set is being played"
CANNOT = "the computer may fall asleep: {}; switch that off in its settings"
# SetThreadExecutionState (Windows API, winbase.h, from memory): ES_CONTINUOUS, and with it
# ES_SYSTEM_REQUIRED and ES_DISPLAY_REQUIRED.
_CONTINUOUS, _REQUIRED = 0x80000000, 0x00000003


def command(platform: str, pid: int) -> list[str] | None:
    """What keeps a computer of that `sys.platform` awake for as long as process `pid` lives.

    None where that is no command.
    """
    if platform == "darwin":
        return ["caffeinate", "-d", "-i", "-m", "-s", "-w", str(pid)]
    if platform == "win32":
        return None
    # It ends when its standard input does, and that ends with us.
    words = ["systemd-inhibit", "--what=idle:sleep", "--who=companion", f"--why={WHY}"]
    return [*words, "--mode=block", "cat"]


class Awake:
    """Keeps the computer awake from now on until it is closed."""

    def __init__(
        self,
        platform: str = sys.platform,
        *,
        find: Callable[[str], str | None] = shutil.which,
        words: Sequence[str] | None = None,
    ) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._why_not = ""
        found = command(platform, os.getpid()) if words is None else list(words)
        self._name = found[0] if found else ""
        if found is None:
            if not _windows(_CONTINUOUS | _REQUIRED):
                self._why_not = "Windows did not take the wish"
        elif find(found[0]) is None:
            self._why_not = f"there is no {found[0]}"
        else:
            pipe, quiet = subprocess.PIPE, subprocess.DEVNULL
            try:
                self._process = subprocess.Popen(found, stdin=pipe, stdout=quiet, stderr=quiet)
            except OSError as error:
                self._why_not = f"{found[0]}: {error.strerror or error}"

    @property
    def trouble(self) -> str:
        """Why the computer may fall asleep all the same, and what to do; "" if it may not.

        What is refused by the system is so within moments: ask a little later.
        """
        if self._process is not None and self._process.poll() is not None:
            self._why_not = f"{self._name} was refused"
        return CANNOT.format(self._why_not) if self._why_not else ""

    def close(self) -> None:
        """Let the computer sleep again."""
        if self._process is None:
            if not self._why_not:
                _windows(_CONTINUOUS)
            return
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.terminate()
        self._process.wait()


def _windows(state: int) -> bool:
    windll = getattr(ctypes, "windll", None)
    return windll is not None and bool(windll.kernel32.SetThreadExecutionState(state))
