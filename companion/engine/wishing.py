"""From what the link brings to what is wanted, and back: the one table between the two.

What a wish does is in `follow`; that `stop` ends the engine, in the engine.
"""

from __future__ import annotations

from companion.link.messages import WISHES, Wish
from companion.setlist.controls import Ask, Wanted

# A part's number has no more digits than this.
MOST_DIGITS = 6
_ASKS: dict[str, Ask] = {ask.value: ask for ask in Ask if ask.value in WISHES}


def wanted(wish: Wish) -> Wanted | None:
    """What a screen's `wish` wants of the conductor; None if it is nothing that can be granted."""
    ask = _ASKS.get(wish.name)
    if ask is not Ask.PART:
        return None if ask is None else Wanted(ask, wish.unit)
    number = wish.unit
    if not (number.isascii() and number.isdigit() and len(number) <= MOST_DIGITS):
        return None
    return Wanted(ask, part=int(number))


def as_wish(wanted: Wanted) -> Wish | None:
    """The wish that asks an engine for what is wanted; None for what only a held press can ask."""
    if wanted.ask.value not in WISHES:
        return None
    return Wish(wanted.ask.value, wanted.unit if wanted.part is None else str(wanted.part))
