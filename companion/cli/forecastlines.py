"""A forecast in sentences, with bars and seconds, for people."""

from __future__ import annotations

from dataclasses import dataclass

from companion.counting.forecast import step_events
from companion.counting.pattern import Pattern
from companion.counting.questions import chance_within_phrase, phrase_shape, repeats_after
from companion.engine.view import cue_sentence, step_sentence
from companion.setlist.cues import cue_ticks
from companion.setlist.model import Part, SetList, Span, Unit
from companion.setlist.plan import carried_passes

# Most lines of events printed of one part.
MOST_LINES = 200
# 120 beats a minute, where a song says nothing.
PRESUMED_BPM = 120.0
# Numbers of more digits are told by their length.
MOST_DIGITS = 15


@dataclass(frozen=True, slots=True)
class Clock:
    """Turns ticks of a part into bars and minutes at the song's tempo."""

    pattern: Pattern
    bpm: float
    presumed: bool

    @classmethod
    def of(cls, setlist: SetList, part: Part) -> Clock:
        """The clock of a part."""
        tempo = setlist.songs[part.song].tempo
        return cls(part.pattern, tempo or PRESUMED_BPM, tempo is None)

    def at(self, tick: int) -> str:
        """Where a tick lies, such as "bar 4 beat 4, at 0:07"."""
        meter = self.pattern.meter
        bar, in_bar = divmod(tick, meter.bar_ticks)
        return f"bar {big(bar + 1)} beat {in_bar // meter.beat_ticks + 1}, at {self.lasting(tick)}"

    def lasting(self, ticks: int) -> str:
        """How long ticks last, such as "1:05", or in days and years where that is long."""
        # Whole numbers: a repeat may have more digits than a float can hold.
        seconds = ticks * 60_000 // round(self.bpm * 1000 * 24)
        if seconds < 86_400:
            hours, rest = divmod(seconds, 3600)
            minutes = f"{rest // 60:02d}" if hours else f"{rest // 60}"
            return (f"{hours}:" if hours else "") + f"{minutes}:{rest % 60:02d}"
        days = seconds // 86_400
        return f"{big(days)} days" if days < 730 else f"{big(days // 365)} years"


def forecast_lines(
    setlist: SetList, part: Part, passes: int, *, every_step: bool, fill: bool
) -> list[str]:
    """What is coming in the first `passes` passes of a part."""
    pattern, clock = part.pattern, Clock.of(setlist, part)
    lines = _head(setlist, part, clock)
    lines.append(_repeat(pattern, clock))
    carried = carried_passes(setlist, part)
    shape = phrase_shape(pattern, 1, carried_passes=carried, fill=fill)
    if shape.fullest.hits > shape.emptiest.hits:
        lines.append(
            f"  fullest pass of a phrase: pass {shape.fullest.pass_number}, "
            f"{shape.fullest.hits:.1f} hits expected; "
            f"emptiest: pass {shape.emptiest.pass_number}, {shape.emptiest.hits:.1f}"
        )
    for track, step, chance in within_phrase(setlist, part, fill=fill):
        lines.append(f"  {track}, step {step}: {percent(chance)} to sound within a phrase")
    until = passes * pattern.pass_ticks
    events = [
        (e.tick, 2, step_sentence(e.track, e.step, e.what, e.chance))
        for e in step_events(
            pattern,
            0,
            until,
            carried_passes=carried,
            fill=fill,
            every_step=every_step,
            rare=setlist.rare,
        )
    ]
    for cue in part.cues:
        ticks = cue_ticks(cue.when, pattern, part.planned_ticks, 0, until)
        events += [(tick, 1, cue_sentence(cue)) for tick in ticks]
    for number, tick in enumerate(range(pattern.phrase_ticks, until, pattern.phrase_ticks), 2):
        events.append((tick, 0, f"phrase {number} begins"))
    events.sort()
    lines += [f"  {clock.at(tick)}: {text}" for tick, _, text in events[:MOST_LINES]]
    if len(events) > MOST_LINES:
        lines.append(f"  and {len(events) - MOST_LINES} more; see --json, or fewer --passes")
    return lines


def within_phrase(setlist: SetList, part: Part, *, fill: bool) -> list[tuple[str, int, float]]:
    """(track, step, chance to sound at least once in the first phrase) of rare chance steps.

    Steps that are certain to sound in it, or certain not to, are left out.
    """
    pattern, carried = part.pattern, carried_passes(setlist, part)
    events = step_events(
        pattern, 0, pattern.phrase_ticks, carried_passes=carried, fill=fill, rare=setlist.rare
    )
    keys = dict.fromkeys((e.track, e.step) for e in events if e.chance < 1)
    found = []
    for key in keys:
        chance = chance_within_phrase(pattern, [key], 1, carried_passes=carried, fill=fill).chance
        if chance < 1:
            found.append((*key, chance))
    return found


def _head(setlist: SetList, part: Part, clock: Clock) -> list[str]:
    pattern = part.pattern
    song = setlist.songs[part.song].title
    first = f"Part {part.number} of {len(setlist.parts)}: {pattern.name} ({song})"
    if part.instrument is not None:
        first += f", on {part.instrument}"
    for change in part.changes:
        shown = setlist.instruments[change.instrument].shown(change.program)
        own = change.instrument == part.instrument
        first += f", program {shown}" + ("" if own else f" on {change.instrument}")
    tempo = f"{clock.bpm:g} beats a minute" + (", presumed" if clock.presumed else "")
    if part.planned_ticks is None:
        stay = "until you move on"
    else:
        stay = f"{Span(part.phrases or 0, Unit.PHRASES)}, {clock.lasting(part.planned_ticks)}"
    return [
        first,
        f"  a pass is {_bars(pattern, pattern.pass_ticks)}, "
        f"a phrase {_bars(pattern, pattern.phrase_ticks)}; planned, at {tempo}: {stay}",
    ]


def _repeat(pattern: Pattern, clock: Clock) -> str:
    repeat = repeats_after(pattern)
    if repeat.passes == 1:
        return "  every pass is the same but for chance"
    line = (
        f"  everything but chance repeats after {big(repeat.passes)} passes, "
        f"{clock.lasting(repeat.ticks)}"
    )
    if repeat.phrases is None:
        return f"{line}: not a whole number of phrases"
    return f"{line}: {big(repeat.phrases)} phrase{'s' if repeat.phrases > 1 else ''}"


def _bars(pattern: Pattern, ticks: int) -> str:
    bars, rest = divmod(ticks, pattern.meter.bar_ticks)
    if rest == 0:
        return str(Span(bars, Unit.BARS))
    beats, rest = divmod(ticks, pattern.meter.beat_ticks)
    return str(Span(beats, Unit.BEATS)) if rest == 0 else f"{ticks} clock ticks"


def big(number: int) -> str:
    """A whole number for people: in groups of three digits, or by its length if it is huge."""
    digits = f"{number:,}".replace(",", " ")
    count = len(str(number))
    return digits if count <= MOST_DIGITS else f"about 10^{count - 1} (a number of {count} digits)"


def percent(chance: float) -> str:
    """A chance for people."""
    return "under 1%" if chance < 0.01 else f"{min(100 * chance, 99):.0f}%"
