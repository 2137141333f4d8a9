"""Port globs of the command line that match nothing: refused, where there is anything at all."""

from __future__ import annotations

from companion.engine.matching import matches
from companion.engine.ports import PortError


def must_match(kind: str, option: str, glob: str | None, names: list[str]) -> None:
    """Raise PortError for a `glob` that matches none of the ports `names`.

    `kind` and `option` say what it is for. With nothing plugged in yet there is nothing to tell it
    by: whoever asks waits.
    """
    if glob is None or not names or any(matches(glob, name) for name in names):
        return
    raise PortError(
        f"no MIDI {kind} matches {option} {glob!r}; there are: {', '.join(names)}; "
        "see: companion ports"
    )
