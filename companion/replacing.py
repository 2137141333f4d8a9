"""Putting a file in the place of another in one step, so that nobody ever finds half of it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A path beside `path`, to be written: it takes its place, or is gone if anything is raised."""
    trial = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        yield trial
        os.replace(trial, path)
    finally:
        with suppress(OSError):
            trial.unlink(missing_ok=True)
