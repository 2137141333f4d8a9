"""Colours that must be told apart stay apart for colour-blind eyes too; coloraide is the judge.

It has the simulations of Brettel and others (1997) and Vienot and others (1999), and CIEDE2000.
"""

from __future__ import annotations

import pytest
from coloraide import Color

from companion.screen.theme import DARK_VARIABLES, LIGHT_VARIABLES

EYES = ("any eye", "protan", "deutan", "tritan")

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
    # A count that stands or may be wrong against one that can be trusted.
    ("still", "far"),
    ("still", "near"),
    ("still", "imminent"),
    # Lines of the agenda: pressing, ordinary, muted.
    ("soon", "plain"),
    ("soon", "quiet-ink"),
    ("plain", "quiet-ink"),
    # The next action, pressing or not.
    ("strong", "soon"),
    # Cells of the pass map: always, by rule, rare; the same in the present pass.
    ("spent", "far"),
    ("spent", "strong"),
    ("strong", "far"),
    ("here-dim", "strong"),
    ("here-dim", "here-far"),
    ("here-far", "strong"),
    ("pick-quiet", "ground"),
    # An alarm and a note, and an alarm and whatever is near.
    ("alarm-ground", "note-ground"),
    ("alarm-ground", "ground"),
    ("alarm-ground", "far"),
    ("alarm-ground", "near"),
    ("alarm-ground", "imminent"),
    ("alarm-ground", "soon"),
]


def seen_by(eye: str, code: str) -> Color:
    """The colour as that eye sees it."""
    colour = Color(code)
    return colour if eye == "any eye" else colour.filter(eye, 1)


def apart(one: Color, other: Color) -> float:
    """The difference of two colours by CIEDE2000; about 1 can just be seen side by side."""
    return float(one.delta_e(other, method="2000"))


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


def test_each_colour_says_one_thing() -> None:
    # What is near has its colours, what is not in order another, what is rare none of them.
    for palette in (DARK_VARIABLES, LIGHT_VARIABLES):
        near = {palette[name] for name in ("near", "imminent", "soon")}
        amiss = {palette[name] for name in ("alarm-ground", "amiss")}
        well, rare = {palette["far"]}, {palette["strong"]}
        kinds = (near, amiss, well, rare, {palette["still"]})
        assert len(set().union(*kinds)) == sum(map(len, kinds))


def test_without_red_cones_red_is_dark() -> None:
    # Known of protanopia since Dalton; from memory.
    red = [seen_by(eye, "#FF0000").convert("lab-d65")["lightness"] for eye in EYES[:2]]
    assert red[1] < red[0] - 10
