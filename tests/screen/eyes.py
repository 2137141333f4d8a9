"""Colours as colour-blind eyes see them, and how far two colours are apart. No tests here."""

from __future__ import annotations

from math import atan2, cos, degrees, exp, hypot, radians, sin, sqrt

Triple = tuple[float, float, float]

# G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, A physiologically-based model for simulation of
# color vision deficiency, IEEE Transactions on Visualization and Computer Graphics 15 (6), 2009:
# the matrices at full severity, for linear RGB. Each row sums to 1, so greys stay as they are.
EYES: dict[str, tuple[Triple, Triple, Triple]] = {
    "any eye": ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "no red cones": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "no green cones": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "no blue cones": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}
# sRGB to XYZ and the white of D65 (IEC 61966-2-1, from memory).
_XYZ = (
    (0.4124564, 0.3575761, 0.1804375),
    (0.2126729, 0.7151522, 0.0721750),
    (0.0193339, 0.1191920, 0.9503041),
)
_WHITE = (0.95047, 1.0, 1.08883)


def linear(code: str) -> Triple:
    """Linear RGB, 0 to 1, of a colour such as "#56B4E9"."""
    r, g, b = (int(code[n : n + 2], 16) / 255 for n in (1, 3, 5))
    return _linear(r), _linear(g), _linear(b)


def _linear(channel: float) -> float:
    return channel / 12.92 if channel <= 0.04045 else ((channel + 0.055) / 1.055) ** 2.4


def seen_by(eye: str, code: str) -> Triple:
    """The colour as that eye sees it, in CIE Lab."""
    seen = _times(EYES[eye], linear(code))
    r, g, b = (min(1.0, max(0.0, channel)) for channel in seen)
    x, y, z = (
        _root(value / white) for value, white in zip(_times(_XYZ, (r, g, b)), _WHITE, strict=True)
    )
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


def _times(matrix: tuple[Triple, Triple, Triple], vector: Triple) -> Triple:
    one, two, three = (sum(a * b for a, b in zip(row, vector, strict=True)) for row in matrix)
    return one, two, three


def _root(value: float) -> float:
    return value ** (1 / 3) if value > 216 / 24389 else (24389 / 27 * value + 16) / 116


def apart(one: Triple, other: Triple) -> float:
    """The difference of two Lab colours by CIEDE2000; about 1 can just be seen side by side.

    Formula and test data: G. Sharma, W. Wu, E. N. Dalal, The CIEDE2000 color-difference formula,
    Color Research and Application 30 (1), 2005.
    """
    l1, a1, b1 = one
    l2, a2, b2 = other
    mean = ((hypot(a1, b1) + hypot(a2, b2)) / 2) ** 7
    stretch = 1.5 - 0.5 * sqrt(mean / (mean + 25**7))
    c1, c2 = hypot(stretch * a1, b1), hypot(stretch * a2, b2)
    h1 = degrees(atan2(b1, stretch * a1)) % 360 if c1 else 0.0
    h2 = degrees(atan2(b2, stretch * a2)) % 360 if c2 else 0.0
    turn = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    hue = h1 + h2 if c1 * c2 == 0 else (h1 + turn / 2) % 360
    hues = 2 * sqrt(c1 * c2) * sin(radians(turn / 2))
    light, chroma = (l1 + l2) / 2 - 50, (c1 + c2) / 2
    t = (
        1
        - 0.17 * cos(radians(hue - 30))
        + 0.24 * cos(radians(2 * hue))
        + 0.32 * cos(radians(3 * hue + 6))
        - 0.20 * cos(radians(4 * hue - 63))
    )
    spread = 30 * exp(-(((hue - 275) / 25) ** 2))
    turned = -2 * sqrt(chroma**7 / (chroma**7 + 25**7)) * sin(radians(2 * spread))
    dl = (l2 - l1) / (1 + 0.015 * light**2 / sqrt(20 + light**2))
    dc = (c2 - c1) / (1 + 0.045 * chroma)
    dh = hues / (1 + 0.015 * chroma * t)
    return sqrt(dl**2 + dc**2 + dh**2 + turned * dc * dh)
