"""Loads a set list in a child process, which spares the engine the YAML reader and its work.

The child is this module itself; it writes the set list, or the path of the file with its faults, to
standard output as lines of JSON (`packed`), which also serve to keep one in a file. A line makes
one value out of plain ones and of those in lines before it, so what is one object here is one
object there: a long set says the same few things thousands of times. Data alone: what a line may
make stands in `_MADE`, and nothing else is made.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterable
from dataclasses import fields
from enum import Enum
from fractions import Fraction
from itertools import chain
from pathlib import Path
from typing import Any

from companion import wishes
from companion.counting import Cycle, If, Meter, Pattern, Rule, Step, Track
from companion.setlist import model
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
    result = None
    with contextlib.suppress(ValueError):
        result = unpacked(done.stdout)
    match result:
        case SetList():
            return result
        case (str(file), int(more), *faults) if all(isinstance(each, Fault) for each in faults):
            raise SetListError(Path(file), faults, more)
    raise _broken(path, "its reader stopped in the middle")


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
    result: SetList | tuple[str | int | Fault, ...]
    try:
        result = read_set_list(path)
        if controls is not None:
            result = with_controls(result, controls)
    except SetListError as error:
        result = (os.fspath(error.path), error.more, *error.faults)
    sys.stdout.buffer.write(packed(result))
    sys.stdout.buffer.flush()


_ENUMS = (model.Unit, model.WhenKind, model.Action, model.Kind, wishes.Ask)
_CLASSES: tuple[Any, ...] = (
    *(Fault, Meter, Cycle, If, Rule, Step, Track, Pattern),
    *(model.Span, model.Instrument, model.When, model.Cue, model.ProgramChange, model.Layer),
    *(model.Part, model.Song, SetList),
    *(model.Address, model.NoteKey, model.MuteTold, model.MuteControl, model.Tells),
    *(model.Press, wishes.Wish, model.Binding),
)
_FIELDS = {each: tuple(field.name for field in fields(each)) for each in _CLASSES}


def _dict(*flat: Any) -> dict[Any, Any]:
    return dict(zip(flat[::2], flat[1::2], strict=True))


_MADE: dict[str, Callable[..., Any]] = {
    "tuple": lambda *items: items,
    "dict": _dict,
    "range": range,
    "Fraction": Fraction,
    **{each.__name__: each for each in (*_CLASSES, *_ENUMS)},
}


def packed(value: SetList | tuple[str | int | Fault, ...]) -> bytes:
    """The value as lines; raises TypeError for one that holds anything else than sets do."""
    lines: list[str] = []
    known: dict[int, tuple[int, Any]] = {}

    def reference(inner: Any) -> Any:
        if inner is None or type(inner) in (bool, int, float, str):
            return inner
        if id(inner) not in known:
            words = [type(inner).__name__, *map(reference, _pieces(inner))]
            # The value is kept with it: the identity of one that is gone may come again.
            known[id(inner)] = len(lines), inner
            lines.append(json.dumps(words, separators=(",", ":")))
        return [known[id(inner)][0]]

    reference(value)
    return "\n".join(lines).encode()


def unpacked(body: bytes) -> Any:
    """The value that lines stand for, whatever kind it is of. Raises ValueError."""
    made: list[Any] = []
    try:
        for line in body.splitlines():
            kind, *words = json.loads(line)
            made.append(
                _MADE[kind](*(made[word[0]] if type(word) is list else word for word in words))
            )
        return made[-1]
    except (ArithmeticError, LookupError, RecursionError, TypeError, ValueError) as error:
        raise ValueError("not a set that was kept") from error


def _pieces(value: Any) -> Iterable[Any]:
    """What the maker of such a value is called with."""
    kind = type(value)
    if kind in _FIELDS:
        return (getattr(value, name) for name in _FIELDS[kind])
    if kind is tuple:
        return value  # type: ignore[no-any-return]
    if kind is dict:
        return chain.from_iterable(value.items())
    if kind is range:
        return value.start, value.stop, value.step
    if kind is Fraction:
        return value.numerator, value.denominator
    if isinstance(value, Enum) and isinstance(value, _ENUMS):
        return (value.value,)
    raise TypeError(f"no set holds a {kind.__name__}")


if __name__ == "__main__":
    _main(*map(Path, sys.argv[1:3]))
