"""Polynomials in bits, and linear maps of them: the algebra under the memory of `if` terms.

A polynomial is `{mask: factor}`: the mask says which bits a term multiplies, mask 0 being the
constant. A bit is its own square, so no bit stands in a term twice. A map gives for each mask the
polynomial that its term turns into.
"""

from __future__ import annotations

Terms = dict[int, float]


def set_bit(terms: Terms, bit: int, value: float) -> Terms:
    """The polynomial with the bit replaced by a number."""
    out: Terms = {}
    for mask, factor in terms.items():
        if mask & bit:
            mask ^= bit
            factor *= value
        out[mask] = out.get(mask, 0.0) + factor
    return {mask: factor for mask, factor in out.items() if factor}


def times_bit(terms: Terms, bit: int, played: bool) -> Terms:
    """The polynomial times the bit, or times one minus the bit."""
    out: Terms = {} if played else dict(terms)
    sign = 1.0 if played else -1.0
    for mask, factor in terms.items():
        out[mask | bit] = out.get(mask | bit, 0.0) + sign * factor
    return {mask: factor for mask, factor in out.items() if factor}


def power(columns: dict[int, Terms], terms: Terms, rounds: int) -> Terms:
    """`terms` after the linear map with these columns has been applied `rounds` times."""
    while rounds:
        if rounds & 1:
            terms = apply(columns, terms)
        rounds >>= 1
        if rounds:
            squared = {mask: apply(columns, column) for mask, column in columns.items()}
            if squared == columns:
                # From here on more rounds change nothing.
                return apply(columns, terms)
            columns = squared
    return terms


def apply(columns: dict[int, Terms], terms: Terms) -> Terms:
    """`terms` after one application of the linear map."""
    out: Terms = {}
    for mask, factor in terms.items():
        for other, more in columns[mask].items():
            out[other] = out.get(other, 0.0) + factor * more
    return {mask: factor for mask, factor in out.items() if abs(factor) > 1e-300}
