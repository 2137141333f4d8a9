"""The ends of the terminal: a screen ends with it, and outlives the end of its input.

Knows nothing of what is drawn. Where a hang-up is signalled, the signal ends the process first.
"""

from __future__ import annotations

import contextlib
import os
import select
import stat
import sys
import threading
import time

from companion.printable import lacks_blocks

# How shells count a process that a hang-up ended: 128 and the signal's number (POSIX: SIGHUP is 1).
HUNG_UP = 129
# A terminal that is gone keeps its reader busy, so not much longer; a look takes microseconds.
LOOK_S = 0.5
# Set by textual-serve, which runs the screen of a page (Textual: how it draws, if not as usual).
BROWSER = "TEXTUAL_DRIVER"


def wants_plain() -> bool:
    """Whether the terminal that a screen would draw on has no block characters."""
    if BROWSER in os.environ or sys.__stderr__ is None:
        return False
    return lacks_blocks(sys.__stderr__.encoding, os.environ.get("TERM", ""))


def end_with_terminal() -> None:
    """End this process, restoring nothing, once a terminal that it reads or draws on is gone.

    Standard input and standard error count, as in Textual; what is no terminal is left alone, but
    for the pipe from the server of a page, which closes with the server however that ends. The
    end is at once, with the status HUNG_UP, as by the signal: whoever draws may be waiting for a
    write that never succeeds, and there is nobody left to restore anything for.
    """
    ends = [end for end in _standard_ends() if _may_hang_up(end)]
    if ends:
        threading.Thread(target=_watch, args=(ends,), name="terminal-watch", daemon=True).start()


def outlive_input() -> None:
    """Let standard input that is no terminal fall silent at its end, instead of being over.

    Textual reads on at the end of a file or a pipe as fast as it can. So it gets a pipe that stays
    open, into which all that comes is passed on. To be called before the screen runs.
    """
    if sys.platform == "win32" or sys.__stdin__ is None:
        # Windows has the keys from its console.
        return
    if BROWSER in os.environ:
        # There the end of the input is that of the screen.
        return
    theirs = sys.__stdin__.fileno()
    if os.isatty(theirs) or (_may_hang_up(theirs) and is_gone(theirs)):
        return
    source = os.dup(theirs)
    silent, fed = os.pipe()
    os.dup2(silent, theirs)
    os.close(silent)
    threading.Thread(target=_pass_on, args=(source, fed), name="keys", daemon=True).start()


def is_gone(end: int) -> bool:
    """Whether the terminal behind the file number `end` has hung up."""
    if sys.platform == "win32":
        # Windows ends the processes of a console that is closed.
        return False
    look = select.poll()
    # Hang-ups and errors are told whatever is asked for.
    look.register(end, 0)
    return any(found & (select.POLLHUP | select.POLLERR) for _, found in look.poll(0))


def _watch(ends: list[int]) -> None:
    while not any(map(is_gone, ends)):
        time.sleep(LOOK_S)
    os._exit(HUNG_UP)


def _pass_on(source: int, fed: int) -> None:
    with contextlib.suppress(OSError):
        while said := os.read(source, 4096):
            os.write(fed, said)


def _standard_ends() -> list[int]:
    """The file numbers of standard input and error, without those that are closed."""
    return [stream.fileno() for stream in (sys.__stdin__, sys.__stderr__) if stream is not None]


def _may_hang_up(end: int) -> bool:
    # A pipe hangs up as well when its other end is done, but that is no reason to go. A terminal
    # that is gone already no longer passes for one with isatty.
    return stat.S_ISCHR(os.fstat(end).st_mode) or (BROWSER in os.environ and end == 0)
