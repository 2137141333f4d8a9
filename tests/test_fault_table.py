"""docs/faults.md: every test it names exists, and the transport's table in it is current."""

from __future__ import annotations

import re
from pathlib import Path

from tests.follow.transport_table import table

TESTS = Path(__file__).parent
PAGE = (TESTS.parent / "docs" / "faults.md").read_text(encoding="utf-8")


def test_every_test_that_the_page_names_exists() -> None:
    named = set(re.findall(r"`(test_\w+)`", PAGE))
    there = {
        name
        for path in TESTS.rglob("test_*.py")
        for name in re.findall(r"^(?:async )?def (test_\w+)", path.read_text("utf-8"), re.MULTILINE)
    }
    assert len(named) > 25
    assert named <= there


def test_the_transports_table_is_current() -> None:
    assert PAGE.endswith(table())
