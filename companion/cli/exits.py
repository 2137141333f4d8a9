"""How commands end: the exit statuses, and the one line that tells what went wrong.

What a command does is not here. The faults of a set list, one line each, are in `faults`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable

import click

from companion.printable import printable

OK = 0
# The input or the world is at fault; said in one line on standard error.
FAULT = 1
# Wrong use of the command line.
USAGE = 2
# Ctrl-C, as shells count it.
INTERRUPTED = 130


class Refused(Exception):
    """A command cannot do its work; the message is the one line the user sees."""


def status_of(run: Callable[[], object]) -> int:
    """Run a command; returns its exit status.

    Whatever goes wrong ends in one line, not a traceback. `run` returns the status, or something
    else, which is as good as OK. With COMPANION_DEBUG in the environment, a fault of our own is
    raised.
    """
    try:
        status = run()
    except click.exceptions.Abort:
        return INTERRUPTED
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except Refused as error:
        click.echo(f"companion: {printable(str(error))}", err=True)
        return FAULT
    except BrokenPipeError:
        # Whoever read our output has seen enough.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except Exception as error:
        if os.environ.get("COMPANION_DEBUG"):
            raise
        what = " ".join(f"{type(error).__name__}: {error}".split())
        what = printable(what)
        click.echo(f"companion: a fault of our own: {what}; please report it", err=True)
        return FAULT
    return status if isinstance(status, int) else OK
