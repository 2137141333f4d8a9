"""Set lists as text for these tests: the one of docs/setlist.md, edited where a test wants it."""

from __future__ import annotations

from pathlib import Path

from companion.setlist import SetList, SetListError
from companion.setlist.reading import read_text

TIDEWATER_FILE = Path(__file__).parent / "tidewater.yaml"
TIDEWATER = TIDEWATER_FILE.read_text(encoding="utf-8")

# Two instruments, two songs, three parts; the second and third part have changes to wait for.
TWO_SONGS = """\
set: Tidewater
instruments:
  drums:
    channel: 10
    change: {send_before: 1 beat}
  sampler:
    channel: 2
    change: {programs_from: 0, takes_effect: at once}
patterns:
  slack water:
    phrase: 2 bars
    tracks:
      low drum: {steps: {1: always}}
  neap:
    length: 12
    meter: 3/4
    phrase: 4 bars
    tracks:
      bell: {steps: {1: pass 1 of 2}}
songs:
  - song: Slack water
    tempo: 120
    parts:
      - {pattern: slack water, on: drums, program: 1, phrases: 2}
      - {pattern: neap, on: drums, program: 2, phrases: 2}
  - song: Neap
    parts:
      - {pattern: slack water, on: sampler, program: 5}
"""


def edited(text: str, *edits: tuple[str, str]) -> str:
    """`text` with the first of each old piece replaced; a piece that is not there is an error."""
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def tidewater(*edits: tuple[str, str]) -> SetList:
    """The set list of docs/setlist.md, edited and read."""
    return read_text(edited(TIDEWATER, *edits), "tidewater.yaml")


def two_songs(*edits: tuple[str, str]) -> SetList:
    """The longer set list, edited and read."""
    return read_text(edited(TWO_SONGS, *edits), "tidewater.yaml")


def faults(text: str) -> list[str]:
    """Every fault of `text`, as `LINE:COLUMN: what is wrong; what would be right`."""
    try:
        read_text(text, "tidewater.yaml")
    except SetListError as error:
        return [str(fault) for fault in error.faults]
    return []
