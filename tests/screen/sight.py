"""Contrast and flashes as WCAG 2.2 defines them, for every half of every cell. No tests here.

Colours are judged by coloraide, a library of the trade; the definitions of flashes are
written out below, as no library has them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from coloraide import Color
from numpy.typing import NDArray

from companion.screen.canvas import ROLES, Row

# Box drawing, blocks and geometric shapes carry no words: graphics, not text.
_GRAPHICS = range(0x2500, 0x2600)
# WCAG 2.2, definition of general flash and red flash thresholds.
LEAST_CHANGE, BRIGHT, SATURATED, LEAST_UCS = 0.1, 0.8, 0.8, 0.2
# The older working definition of a red flash (WCAG 2.0 and 2.1).
LEAST_RED, RED_SCALE = 20.0, 320.0
# How much of its cell a letter covers (bold and mono: 0.15 to 0.3, judged by eye).
LETTER = 0.25
_UPPER, _LOWER = "█▀▌▐▛▜▙▟▚▞▘▝━", "█▄▌▐▛▜▙▟▚▞▖▗"
_HALF = "▌▐▚▞▘▝▖▗"

Palette = dict[str, tuple[str, str]]
"""What each role looks like: ink and ground, as codes such as "#56B4E9"."""


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.2, definition)."""
    return float(Color(one).contrast(other, method="wcag21"))


def is_graphic(text: str) -> bool:
    """Whether `text` is made of blocks and lines only."""
    return all(ord(c) in _GRAPHICS or c.isspace() for c in text)


# -- what is seen -----------------------------------------------------------------------------

# A half of a cell is seen as (role, share of ink); shares in quarters: none, a letter's, half, all.
_SHARES = (0.0, LETTER, 0.5, 1.0)


@lru_cache(maxsize=4096)
def _looks(character: str) -> tuple[int, int]:
    """The shares of ink in the upper and the lower half of a cell, as places in _SHARES."""
    if character == " ":
        return 0, 0
    if ord(character) not in _GRAPHICS:
        return 1, 1
    upper = 0 if character not in _UPPER else 2 if character in "▌▐▚▞▘▝▙▟" else 3
    lower = 0 if character not in _LOWER else 2 if character in "▌▐▚▞▖▗▛▜" else 3
    return upper, lower


def seen(rows: Sequence[Row], width: int, height: int) -> NDArray[np.uint8]:
    """What each half of each cell looks like, as places in the table of `lights`."""
    drawn = [_seen_row(row, width) for row in rows[:height]]
    return np.concatenate(drawn + [_seen_row((), width)] * (height - len(drawn))).ravel()


@lru_cache(maxsize=4096)
def _seen_row(row: Row, width: int) -> NDArray[np.uint8]:
    ground = ROLES.index("ground") * len(_SHARES)
    halves = np.full((2, width), ground, dtype=np.uint8)
    x = 0
    for text, role in row:
        base = ROLES.index(role) * len(_SHARES)
        for character in text[: width - x]:
            upper, lower = _looks(character)
            halves[:, x] = base + upper, base + lower
            x += 1
    return halves


@dataclass(frozen=True)
class Lights:
    """How each look weighs: luminance, (R-G-B) x 320, whether it is a saturated red, CIE 1976 UCS.

    `red` says of each two looks whether going from one to the other is part of a red flash by the
    working definition of WCAG 2.2.
    """

    luminance: NDArray[np.float64]
    redness: NDArray[np.float64]
    saturated: NDArray[np.bool_]
    red: NDArray[np.bool_]


def lights(palette: Palette) -> Lights:
    """The weights of all looks in a palette."""
    linear = []
    for role in ROLES:
        ink, ground = (
            np.array(Color(code).convert("srgb-linear").coords()) for code in palette[role]
        )
        linear += [ground + share * (ink - ground) for share in _SHARES]
    rgb = np.array(linear)
    total = rgb.sum(axis=1)
    share = np.divide(rgb[:, 0], total, out=np.zeros_like(total), where=total > 0)
    places = np.array([Color("srgb-linear", list(c)).convert("xyz-d65").uv("1976") for c in rgb])
    # Black has no colour of its own; to the eye it is that of the light around.
    places[total == 0] = Color("white").uv("1976")
    apart = np.hypot(*(places[:, None, axis] - places[None, :, axis] for axis in (0, 1)))
    saturated = share >= SATURATED
    return Lights(
        luminance=rgb @ np.array([0.2126, 0.7152, 0.0722]),
        redness=np.maximum(0.0, (rgb[:, 0] - rgb[:, 1] - rgb[:, 2]) * RED_SCALE),
        saturated=saturated,
        red=(saturated[:, None] | saturated[None, :]) & (apart > LEAST_UCS),
    )


# -- flashes ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Flashes:
    """The most flashes one half of a cell makes in a second.

    `area` is how much of the screen makes more than three of one kind in the same second, 0 to 1.
    """

    general: int
    red: int
    red_by_older: int
    area: float

    @property
    def most(self) -> int:
        """The most of any kind."""
        return max(self.general, self.red, self.red_by_older)


def flashes(times: Sequence[float], frames: Sequence[NDArray[np.uint8]], table: Lights) -> Flashes:
    """Count the flashes in `frames` (see `seen`) shown at `times`, in seconds, by WCAG 2.2."""
    kept = [n for n in range(len(frames)) if n == 0 or not np.array_equal(frames[n], frames[n - 1])]
    looks = np.array([frames[n] for n in kept])
    spots = looks.shape[1]
    # Most of a screen never changes.
    looks = looks[:, (looks != looks[0]).any(axis=0)]
    when = np.array([times[n] for n in kept])
    general = _opposing(
        table.luminance[looks],
        lambda step, darker, _: (np.abs(step) >= LEAST_CHANGE) & (darker < BRIGHT),
        looks,
    )
    older = _opposing(
        table.redness[looks],
        lambda step, _, either: (np.abs(step) > LEAST_RED) & either,
        looks,
        table.saturated,
    )
    newer = _changes(looks, table.red)
    counts = [_in_a_second(when, turns) for turns in (general, newer, older)]
    most = [int(count.max(initial=0)) for count in counts]
    area = max(float((count > 3).sum(axis=1).max(initial=0)) / spots for count in counts)
    return Flashes(*most, area=area)


def _opposing(
    values: NDArray[np.float64],
    counts: Callable[..., NDArray[np.bool_]],
    looks: NDArray[np.uint8],
    saturated: NDArray[np.bool_] | None = None,
) -> NDArray[np.bool_]:
    """Where each spot's value turns: a change that counts, opposite to the one before.

    A change is measured from the latest extreme, so that one in small steps counts too.
    """
    turns = np.zeros(values.shape, dtype=bool)
    extreme, towards = values[0].copy(), np.zeros(values.shape[1])
    origin = looks[0].copy()
    for n in range(1, len(values)):
        step = values[n] - extreme
        either = (
            saturated[origin] | saturated[looks[n]]
            if saturated is not None
            else np.zeros(step.shape, dtype=bool)
        )
        turned = counts(step, np.minimum(values[n], extreme), either) & (np.sign(step) != towards)
        further = (np.sign(step) == towards) & (step != 0)
        towards = np.where(turned, np.sign(step), towards)
        extreme = np.where(turned | further, values[n], extreme)
        origin = np.where(turned | further, looks[n], origin)
        turns[n] = turned
    return turns


def _changes(looks: NDArray[np.uint8], red: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where each spot changes to or from a saturated red; each such change opposes the last."""
    turns = np.zeros(looks.shape, dtype=bool)
    if not red.any():
        return turns
    before = looks[0].copy()
    for n in range(1, len(looks)):
        turns[n] = red[before, looks[n]]
        before = np.where(turns[n], looks[n], before)
    return turns


def _in_a_second(when: NDArray[np.float64], turns: NDArray[np.bool_]) -> NDArray[np.int32]:
    """The flashes, pairs of turns, of each spot in each second that begins with one."""
    total = np.zeros((len(turns) + 1, turns.shape[1]), dtype=np.int32)
    turns.cumsum(axis=0, out=total[1:])
    starts = np.flatnonzero(turns.any(axis=1))
    # A second that ends just as the next turn comes does not hold it.
    stops = np.searchsorted(when, when[starts] + 1 - 1e-6)
    return (total[stops] - total[starts]) // 2
