"""Writes down what was learned: a set list as a person would write it, doubts as comments.

Text in, text out. A pattern that is put into a file only adds lines to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import gcd

from companion.counting import TICKS_PER_QUARTER
from companion.counting.pattern import Meter
from companion.learn.heard import HeardProgram
from companion.learn.learner import (
    STEP_NAMES,
    Learned,
    LearnedPart,
    LearnedPattern,
    LearnedStep,
    LearnedTrack,
)
from companion.learn.names import instrument_name
from companion.learn.rules import SETTLED
from companion.setlist.yamltree import LINES, Mapping, Scalar, parse_tree

# What a pattern has that says nothing of it.
_LENGTH, _STEP, _PHRASE_BARS = 16, 6, 8


class NoRoom(Exception):
    """The pattern cannot be put into that text; the message says why."""


def draft(learned: Learned, about: str) -> str:
    """A whole set list. `about` says where it comes from, for the comment at its top."""
    channels = _channels(learned)
    main = _main(learned, channels)
    lines = [
        f"# Drafted by `companion learn` from {about}.",
        "# Names and cues are for you to write. What stands behind a # is what is not quite sure,",
        "# or how far a chance may be from the one that is written.",
    ]
    if learned.lost >= 0.002:
        lines.append(f"# About {learned.lost:.1%} of the notes seem to have been lost.")
    lines += ["", "set: Learned", "", "instruments:"]
    lead = _lead(learned)
    for channel in channels:
        lines += [f"  {instrument_name(channel)}:", f"    channel: {channel + 1}", *lead]
    lines += ["", "patterns:"]
    for at, pattern in enumerate(learned.patterns):
        lines += ["", *pattern_lines(pattern, _lengths(learned, at), main)]
    lines += ["", "songs:"]
    tempo: float | None = None
    for number, part in enumerate(learned.parts):
        if number == 0 or part.tempo != tempo:
            tempo = part.tempo
            title = "Learned" if number == 0 else f"Learned, from part {number + 1}"
            lines.append(f'  - song: "{title}"' if number else f"  - song: {title}")
            if tempo is not None and 20 <= tempo <= 400:
                lines.append(f"    tempo: {_number(tempo)}")
            lines.append("    parts:")
        lines += _part_lines(learned, part, main, len(channels) > 1)
    return "\n".join(lines) + "\n"


def _lead(learned: Learned) -> list[str]:
    """How far ahead instruments are told, where a pass is shorter than the beat that is usual."""
    if all(each.pass_ticks >= TICKS_PER_QUARTER for each in learned.patterns):
        return []
    steps = max(1, min(each.length for each in learned.patterns) - 1)
    return [f"    change: {{send_before: {steps} step{'' if steps == 1 else 's'}}}"]


def _channels(learned: Learned) -> list[int]:
    found = {each.channel for pattern in learned.patterns for each in pattern.tracks}
    found |= {each.channel for part in learned.parts for each in part.changes}
    return sorted(found, key=lambda channel: (channel != 9, channel))


def _main(learned: Learned, channels: Sequence[int]) -> int:
    """The channel whose instrument the parts are played on."""
    changes = [each.channel for part in learned.parts for each in part.changes[:1]]
    return max(channels, key=lambda each: (changes.count(each), -channels.index(each)))


def _lengths(learned: Learned, pattern: int) -> list[int]:
    return [part.ticks for part in learned.parts if part.pattern == pattern]


def phrase_ticks(pattern: LearnedPattern, lengths: Sequence[int]) -> int:
    """A phrase that every part of the pattern has a whole number of: 8 bars, or whole passes."""
    usual = _PHRASE_BARS * pattern.meter.bar_ticks
    whole = [ticks for ticks in lengths if ticks and ticks % pattern.pass_ticks == 0]
    if usual % pattern.pass_ticks == 0 and all(ticks % usual == 0 for ticks in whole):
        return usual
    return gcd(*whole) if whole else pattern.pass_ticks * max(1, usual // pattern.pass_ticks)


def pattern_lines(
    pattern: LearnedPattern, lengths: Sequence[int], channel: int | None, indent: int = 2
) -> list[str]:
    """A pattern as lines of YAML. `channel` is that of its instrument, None for no particular."""
    inner = [f"{pattern.name}:"]
    inner += [f"  # {remark}" for remark in pattern.remarks]
    if pattern.length != _LENGTH:
        inner.append(f"  length: {pattern.length}")
    if pattern.step_ticks != _STEP:
        inner.append(f"  step: {STEP_NAMES[pattern.step_ticks]}")
    if pattern.meter != Meter():
        inner.append(f"  meter: {pattern.meter}")
    phrase = phrase_ticks(pattern, lengths)
    if phrase == _PHRASE_BARS * pattern.meter.bar_ticks:
        inner.append(f"  phrase: {_PHRASE_BARS} bars")
    else:
        passes = phrase // pattern.pass_ticks
        inner.append(f"  phrase: {passes} pass{'' if passes == 1 else 'es'}")
    inner.append("  tracks:" if pattern.tracks else "  tracks: {}")
    for track in pattern.tracks:
        inner += [f"    {line}" for line in _track_lines(pattern, track, channel)]
    return [" " * indent + line if line else line for line in inner]


def _track_lines(pattern: LearnedPattern, track: LearnedTrack, channel: int | None) -> list[str]:
    lines = [f"{track.name}:"]
    lines += [f"  # {remark}" for remark in _remarks(track)]
    if track.note is not None and track.channel == channel:
        lines.append(f"  note: {track.note}")
    elif track.note is not None:
        lines.append(f"  note: {{number: {track.note}, channel: {track.channel + 1}}}")
    if (track.length, track.step_ticks) != (pattern.length, pattern.step_ticks):
        lines.append(f"  length: {track.length}")
    if track.step_ticks != pattern.step_ticks:
        lines.append(f"  step: {STEP_NAMES[track.step_ticks]}")
    lines.append("  steps:" if track.steps else "  steps: {}")
    for step in track.steps:
        written = f"    {step.number}: {_rule(step)}"
        doubt = doubt_of(step)
        lines.append(f"{written:<28}  # {doubt}" if doubt else written)
    return lines


def _remarks(track: LearnedTrack) -> list[str]:
    found = []
    if track.note is None:
        found.append(f"all notes of channel {track.channel + 1}")
    if track.swing:
        found.append(f"swings: every second step is {_number(track.swing)} ticks late")
    if track.quiet_passes:
        found.append(f"seems to have been muted, and was left out, on passes {quiet_text(track)}")
    for number, times in track.strays:
        what = "once" if times == 1 else f"{times} times"
        found.append(f"step {number} was heard {what} in {track.passes} passes: taken for a slip")
    return found


def quiet_text(track: LearnedTrack) -> str:
    """The passes in which a track was muted, runs as `3-8`."""
    runs: list[list[int]] = []
    for each in track.quiet_passes:
        if runs and runs[-1][-1] == each - 1:
            runs[-1].append(each)
        else:
            runs.append([each])
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)


def _rule(step: LearnedStep) -> str:
    if not step.what:
        return str(step.rule)
    return f'{{rule: "{step.rule}", what: "{step.what}"}}'


def doubt_of(step: LearnedStep) -> str:
    """What is not quite sure of a step, in words; nothing if all is."""
    said = []
    if step.probability < SETTLED:
        sure = f"{step.probability:.0%} sure"
        if step.runner_up is not None:
            rule, probability = step.runner_up
            # A rule may have commas in it.
            sure += f", or `{rule}` ({probability:.0%})"
        said.append(sure)
        if step.passes_to_settle:
            more = step.passes_to_settle
            said.append(f"{more} more pass{'' if more == 1 else 'es'} would settle it")
    if step.chance is not None:
        said.append(f"between {step.chance.low:.0%} and {step.chance.high:.0%}")
    return "; ".join(said)


def _part_lines(learned: Learned, part: LearnedPart, main: int, many: bool) -> list[str]:
    pattern = learned.patterns[part.pattern]
    lines = [f"- pattern: {pattern.name}"]
    if many:
        lines.append(f"  on: {instrument_name(main)}")
    own = next((each for each in part.changes if each.channel == main), None)
    if own is not None:
        lines.append(f"  program: {own.program + 1}")
        if own.bank is not None:
            lines.append(f"  bank: {own.bank}")
    others = [each for each in part.changes if each.channel != main]
    if others:
        lines.append(f"  also: [{', '.join(map(_also, others))}]")
    phrase = phrase_ticks(pattern, _lengths(learned, part.pattern))
    if part.ticks and part.ticks % phrase == 0:
        lines.append(f"  phrases: {part.ticks // phrase}")
    else:
        passes = part.ticks / pattern.pass_ticks
        lines.append(f"  # played for {_number(passes)} passes")
    return [f"      {line}" for line in lines]


def _also(change: HeardProgram) -> str:
    bank = "" if change.bank is None else f", bank: {change.bank}"
    return f"{{on: {instrument_name(change.channel)}, program: {change.program + 1}{bank}}}"


def _number(value: float) -> str:
    return f"{round(value, 2):g}"


# Into a file that is there ------------------------------------------------------------------------


def put_into(text: str, learned: Learned) -> str:
    """`text`, a set list, with the patterns added below its own. Raises NoRoom.

    Only lines are added. Whoever writes it checks the result as a set list.
    """
    root = parse_tree(text).root
    if not isinstance(root, Mapping):
        raise NoRoom("it is no set list")
    entry = root.entries.get("patterns")
    lines = LINES.findall(text)
    end_of_line = "\r\n" if "\r\n" in text else "\n"
    indent, at, new = 2, len(lines), []
    if entry is None:
        new.append("patterns:")
    elif isinstance(entry.node, Mapping) and entry.node.entries:
        there = {name.casefold() for name in entry.node.entries}
        for pattern in learned.patterns:
            if pattern.name.casefold() in there:
                raise NoRoom(
                    f"it has a pattern `{pattern.name}` already; give another name with --name"
                )
        first = min(entry.node.entries.values(), key=lambda each: (each.line, each.column))
        if first.line == entry.line or entry.column != 1:
            raise NoRoom("its patterns stand in braces; put each on lines of its own")
        indent = first.column - 1
        following = [each.line for each in root.entries.values() if each.line > entry.line]
        at = _end_of_block(lines, entry.line, min(following, default=len(lines) + 1) - 1)
    elif isinstance(entry.node, Scalar) and entry.node.text is None:
        at = entry.line
    else:
        raise NoRoom("its patterns stand in braces; put each on lines of its own")
    for number, pattern in enumerate(learned.patterns):
        if number or entry is not None:
            new.append("")
        new += pattern_lines(pattern, _lengths(learned, number), None, indent)
    if at and not lines[at - 1].endswith(("\n", "\r")):
        # A last line without an end gets one: nothing can be added to it otherwise.
        lines[at - 1] += end_of_line
    return "".join([*lines[:at], *(line + end_of_line for line in new), *lines[at:]])


def _end_of_block(lines: Sequence[str], first: int, last: int) -> int:
    """The line (counted from 1) after which a block that begins at `first` has ended."""
    at = last
    while at > first:
        line = lines[at - 1]
        if line.strip() and not line.startswith("#"):
            return at
        at -= 1
    return first
