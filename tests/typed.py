"""A command of the program as it is typed, run to its end.

What a fresh process costs is not what is tested: commands that read files or ask an engine run in
this one. Those that open ports, draw on a terminal or start a server have a process of their own,
so that a JACK library that finds no server, or a signal handler, stays out of this one.
"""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from unittest import mock

from companion.cli.main import main

PATIENCE_S = 20.0
HERE = ("check", "forecast", "map", "new", "status", "stop", "takes", "tell")


def typed(
    *words: str | Path, environment: Mapping[str, str], folder: Path
) -> subprocess.CompletedProcess[str]:
    """Run `companion WORDS` in `folder`; returns what it printed, and its exit status."""
    command = [*map(str, words)]
    if command and command[0] in HERE:
        return _here(command, environment, folder)
    return subprocess.run(
        [sys.executable, "-m", "companion", *command],
        capture_output=True,
        text=True,
        env=environment,
        cwd=folder,
        timeout=PATIENCE_S,
        check=False,
    )


def _here(
    command: list[str], environment: Mapping[str, str], folder: Path
) -> subprocess.CompletedProcess[str]:
    written = io.BytesIO(), io.BytesIO()
    out, err = (io.TextIOWrapper(each, "utf-8", write_through=True) for each in written)
    status: object = 0
    with (
        mock.patch.object(sys, "argv", ["companion", *command]),
        mock.patch.object(sys, "stdin", io.StringIO()),
        mock.patch.dict(os.environ, environment, clear=True),
        contextlib.chdir(folder),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as end:
            status = end.code
    assert isinstance(status, int)
    said = [each.getvalue().decode() for each in written]
    return subprocess.CompletedProcess(command, status, *said)
