"""Where the set lists that come with the program are."""

from __future__ import annotations

from pathlib import Path

DEMO = "tidewater-first-steps.yaml"


def shipped_set(name: str) -> Path:
    """Path of a shipped set list: in the installed package, or in a checkout beside it."""
    package = Path(__file__).resolve().parent.parent
    installed = package / "setlists" / name
    return installed if installed.exists() else package.parent / "setlists" / name
