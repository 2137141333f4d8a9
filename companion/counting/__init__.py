"""Pure arithmetic: patterns and play rules as values, how likely their steps are, what is coming.

No port, clock, file or thread; positions are whole MIDI clock ticks from the start of the part.
Others give it a `Pattern` and ask: where a tick lies (`position`), what may play in a stretch of
ticks (`step_events`), when a step or several come next and when all repeats (`next_together`,
`repeats_after`), what a pass map shows (`build_grid`). Whatever depends on the
past of too many tracks raises `OutOfReach`.
"""

from importlib import import_module
from typing import TYPE_CHECKING

from companion.counting.pattern import (
    ALWAYS,
    STEP_TICKS,
    TICKS_PER_QUARTER,
    TICKS_PER_SONG_POSITION,
    Cycle,
    If,
    Meter,
    Pattern,
    Position,
    Rule,
    Step,
    Track,
    position,
)

if TYPE_CHECKING:
    from companion.counting.chances import RARE, OutOfReach, chance_of_any
    from companion.counting.compiled import CompiledPattern, CompiledStep, compile_pattern
    from companion.counting.forecast import StepEvent, prepare, step_events
    from companion.counting.grid import Grid, GridRow, StepRow, build_grid, rows_beside, step_rows
    from companion.counting.passes import PassSet
    from companion.counting.questions import (
        Meeting,
        PhraseShape,
        Repeat,
        StepSounding,
        Within,
        chance_within,
        chance_within_phrase,
        next_at_once,
        next_together,
        phrase_shape,
        repeat_passes,
        repeats_after,
    )

__all__ = [
    "ALWAYS",
    "RARE",
    "STEP_TICKS",
    "TICKS_PER_QUARTER",
    "TICKS_PER_SONG_POSITION",
    "CompiledPattern",
    "CompiledStep",
    "Cycle",
    "Grid",
    "GridRow",
    "If",
    "Meeting",
    "Meter",
    "OutOfReach",
    "PassSet",
    "Pattern",
    "PhraseShape",
    "Position",
    "Repeat",
    "Rule",
    "Step",
    "StepEvent",
    "StepRow",
    "StepSounding",
    "Track",
    "Within",
    "build_grid",
    "chance_of_any",
    "chance_within",
    "chance_within_phrase",
    "compile_pattern",
    "next_at_once",
    "next_together",
    "phrase_shape",
    "position",
    "prepare",
    "repeat_passes",
    "repeats_after",
    "rows_beside",
    "step_events",
    "step_rows",
]

# Whoever wants the values alone, as a command that asks the engine does, is spared the arithmetic:
# 50 ms of processor time.
_ARITHMETIC = ("chances", "compiled", "forecast", "grid", "passes", "questions")


def __getattr__(name: str) -> object:
    if name in __all__:
        for each in _ARITHMETIC:
            found = vars(import_module(f"companion.counting.{each}")).get(name)
            if found is not None:
                return found
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
