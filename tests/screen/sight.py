"""Luminance, contrast and flashes as WCAG 2.2 defines them. No tests here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

# Box drawing, blocks and geometric shapes carry no words: graphics, not text.
_GRAPHICS = range(0x2500, 0x2600)


def luminance(colour: tuple[int, int, int]) -> float:
    """Relative luminance of an sRGB colour, 0 to 1 (WCAG 2.2, definition)."""
    r, g, b = (_linear(channel / 255) for channel in colour)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def _linear(channel: float) -> float:
    return channel / 12.92 if channel <= 0.04045 else ((channel + 0.055) / 1.055) ** 2.4


def contrast(one: tuple[int, int, int], other: tuple[int, int, int]) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.2, definition)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def is_graphic(text: str) -> bool:
    """Whether `text` is made of blocks and lines only."""
    return all(ord(c) in _GRAPHICS or c.isspace() for c in text)


def most_flashes(moments: Iterable[tuple[float, Sequence[float]]], window: float = 1.0) -> int:
    """The most flashes any one spot makes within `window` seconds.

    `moments` are (seconds, luminance of each spot). A flash is a pair of opposing changes of 0.1
    or more where the darker state is below 0.8 (WCAG 2.2, definition of general flash).
    """
    history = list(moments)
    worst = 0
    for spot in range(len(history[0][1])):
        changes: list[float] = []
        before, direction = history[0][1][spot], 0
        for seconds, values in history[1:]:
            step = values[spot] - before
            if abs(step) >= 0.1 and min(before, values[spot]) < 0.8:
                towards = 1 if step > 0 else -1
                if towards != direction:
                    changes.append(seconds)
                direction, before = towards, values[spot]
        for i, start in enumerate(changes):
            inside = sum(1 for at in changes[i:] if at < start + window)
            worst = max(worst, inside // 2)
    return worst
