"""Loads a set list in a child process, which spares the engine the YAML reader and its work.

The child is this module itself; it writes the pickled set list, or its faults, to standard output.
"""

from __future__ import annotations

import gc
import os
import pickle
import subprocess
import sys
from pathlib import Path

from companion.setlist.faults import Fault, SetListError
from companion.setlist.model import SetList

# A set list of the greatest allowed size takes a few seconds on a slow machine.
PATIENCE_SECONDS = 60.0

_PACKAGE_HOME = Path(__file__).resolve().parents[2]


def load_apart(
    path: Path, patience_seconds: float = PATIENCE_SECONDS, controls: Path | None = None
) -> SetList:
    """The set list in the file at `path`, read by a child process. Raises SetListError.

    The presses in the file at `controls`, if given, win over the set's own where they clash. A
    child that dies, hangs for `patience_seconds` or cannot be started is a fault like any other.
    """
    files = [os.fspath(each) for each in (path, controls) if each is not None]
    command = [sys.executable, "-P", "-m", "companion.setlist.loading", *files]
    try:
        done = subprocess.run(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=_environment(),
            timeout=patience_seconds,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise _broken(path, f"reading it took over {patience_seconds:g} seconds") from None
    except (OSError, ValueError) as error:
        raise _broken(path, f"its reader cannot be started ({error})") from None
    try:
        # Trusted: what is unpickled was written by our own child, never by the file's author.
        result = pickle.loads(done.stdout)
    except Exception:
        raise _broken(path, "its reader stopped in the middle") from None
    if isinstance(result, SetListError):
        raise result
    if not isinstance(result, SetList):
        raise _broken(path, "its reader stopped in the middle")
    return result


def _environment() -> dict[str, str]:
    """Ours, with this package to be found wherever the child starts."""
    paths = [str(_PACKAGE_HOME), *filter(None, [os.environ.get("PYTHONPATH")])]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}


def _broken(path: Path, wrong: str) -> SetListError:
    right = "try again, and run `companion check` on it if it happens again"
    return SetListError(path, [Fault(1, 1, wrong, right)])


def _main(path: Path, controls: Path | None = None) -> None:
    from companion.setlist.reading import read_set_list, with_controls

    # Looking for garbage takes a good part of a long read, and this process ends with it.
    gc.disable()
    result: SetList | SetListError
    try:
        result = read_set_list(path)
        if controls is not None:
            result = with_controls(result, controls)
    except SetListError as error:
        result = error
    sys.stdout.buffer.write(pickle.dumps(result))
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    _main(*map(Path, sys.argv[1:3]))
