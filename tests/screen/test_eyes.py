"""Colours that must be told apart stay apart for colour-blind eyes too."""

from __future__ import annotations

import pytest

from companion.screen.theme import DARK_VARIABLES, LIGHT_VARIABLES
from tests.screen.eyes import EYES, Triple, apart, seen_by

# CIEDE2000: about 1 can just be seen side by side; these must be told apart at a glance.
CLEAR, DISTINCT = 15.0, 10.0

# The countdown's stages change what the performer does next.
STAGES = [
    ("far", "near"),
    ("far", "imminent"),
    ("near", "imminent"),
    ("now-ground", "ground"),
    ("now-ground", "far"),
    ("now-ground", "near"),
]
OTHERS = [
    # A count that only runs on by itself against one that can be trusted.
    ("dim", "far"),
    ("dim", "near"),
    ("dim", "imminent"),
    # Lines of the agenda: pressing, ordinary, muted.
    ("soon", "plain"),
    ("soon", "quiet-ink"),
    ("plain", "quiet-ink"),
    # The next action, pressing or not.
    ("strong", "soon"),
    # Cells of the pass map: always, by rule, rare; the same in the present pass.
    ("spent", "far"),
    ("spent", "near"),
    ("here-dim", "strong"),
    ("here-dim", "near"),
    ("strong", "near"),
    ("pick-quiet", "ground"),
    # An alarm and a note.
    ("alarm-ground", "note-ground"),
    ("alarm-ground", "ground"),
]


@pytest.mark.parametrize("palette", [DARK_VARIABLES, LIGHT_VARIABLES], ids=["dark", "light"])
@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize(
    ("one", "other", "least"),
    [(*pair, CLEAR) for pair in STAGES] + [(*pair, DISTINCT) for pair in OTHERS],
)
def test_no_eye_takes_one_for_the_other(
    one: str, other: str, least: float, eye: str, palette: dict[str, str]
) -> None:
    assert apart(seen_by(eye, palette[one]), seen_by(eye, palette[other])) >= least


@pytest.mark.parametrize(
    ("one", "other", "difference"),
    # Pairs 1, 2, 4, 17, 20 and 34 of the data published with the formula (Sharma and others 2005).
    [
        ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
        ((50.0, 3.1571, -77.2803), (50.0, 0.0, -82.7485), 2.8615),
        ((50.0, -1.3802, -84.2814), (50.0, 0.0, -82.7485), 1.0),
        ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
        ((50.0, 2.5, 0.0), (58.0, 24.0, 15.0), 19.4535),
        ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_the_formula_gives_the_published_differences(
    one: Triple, other: Triple, difference: float
) -> None:
    assert apart(one, other) == pytest.approx(difference, abs=1e-4)
    assert apart(other, one) == pytest.approx(difference, abs=1e-4)


@pytest.mark.parametrize("eye", EYES)
def test_greys_are_the_same_to_every_eye(eye: str) -> None:
    # Each row of the published matrices sums to 1.
    assert seen_by(eye, "#808080") == pytest.approx(seen_by("any eye", "#808080"), abs=0.01)


def test_without_red_cones_red_is_dark() -> None:
    # Known of protanopia since Dalton; from memory.
    assert seen_by("no red cones", "#FF0000")[0] < seen_by("any eye", "#FF0000")[0] - 10
