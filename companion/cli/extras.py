"""What is installed only on demand, and the line to type where it is not.

`learn`, `pictures` and `web` are extras of the distribution; `all` has them all.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from companion.cli.exits import Refused

DISTRIBUTION = "pattern-pass-companion"
# The modules that each extra brings.
EXTRAS = {
    "learn": ("numpy",),
    "pictures": ("matplotlib",),
    "web": ("aiohttp", "textual_serve"),
}


@contextmanager
def extra(name: str) -> Iterator[None]:
    """Turn it into Refused, with what to type, that an import fails for want of extra `name`."""
    try:
        yield
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] not in EXTRAS[name]:
            raise
        # The same interpreter, wherever its pip is; from a source folder it is `.` for the name.
        line = f"{sys.executable} -m pip install '{DISTRIBUTION}[{name}]'"
        raise Refused(f"this needs {error.name}, which is not installed; type: {line}") from error
