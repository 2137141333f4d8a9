"""A hall for each rehearsal."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest

from tests.rehearse.hall import Hall, Opened


@pytest.fixture
def opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Opened:
    """Opens a hall: the text of a set list, and what is asked of the rehearsal."""
    return partial(Hall, tmp_path, monkeypatch)
