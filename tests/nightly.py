"""Of many cases that are alike, which run by day; the others run at night.

Both together are the whole number: `python -m pytest -m "nightly or not nightly"`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import pytest
from _pytest.mark.structures import ParameterSet

NIGHT = pytest.mark.nightly


def one_in(share: int, cases: Iterable[Any]) -> list[ParameterSet]:
    """The cases of a test with one argument: every so-manieth by day, the others at night."""
    return [pytest.param(case, marks=[NIGHT] if n % share else []) for n, case in enumerate(cases)]


def latin(*axes: Sequence[Any]) -> list[ParameterSet]:
    """Every combination of the axes' values, a Latin square of them by day, the others at night.

    By day each combination of all axes but the last comes once, with one value of the last in turn.
    """
    found: list[tuple[int, tuple[Any, ...]]] = [(0, ())]
    for axis in axes:
        found = [(at + n, (*case, each)) for at, case in found for n, each in enumerate(axis)]
    return [pytest.param(*case, marks=[NIGHT] if at % len(axes[-1]) else []) for at, case in found]
