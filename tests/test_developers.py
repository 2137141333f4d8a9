"""The guide for contributors names files that are there."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
# The rooms are written without the package's name.
PLACES = (ROOT, ROOT / "companion")


def test_every_file_that_the_guide_names_exists() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([\w./]+\.(?:py|md|tcss|toml))`", guide))
    assert len(named) > 40
    assert [n for n in sorted(named) if not any((place / n).exists() for place in PLACES)] == []


def test_every_function_that_the_guide_names_is_in_the_file_beside_it() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for path, names in re.findall(r"`([\w/]+\.py)` \(((?:`\w+`(?:, )?)+)", guide):
        text = next((p / path).read_text(encoding="utf-8") for p in PLACES if (p / path).exists())
        for name in re.findall(r"`(\w+)`", names):
            assert re.search(rf"(?:def|class) {name}\b", text), (path, name)
