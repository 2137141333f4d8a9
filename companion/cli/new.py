"""`companion new`: a commented set list to start from, by options, answers or defaults.

What is written passes `check`; a file that is there already stays as it is. Beside it goes the
schema that its first line names, so that editors complete and check it as one types.
"""

from __future__ import annotations

import contextlib
import json
import re
import shlex
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from companion.cli.exits import Refused
from companion.cli.saying import say, say_json

SCHEMA_FILE = "set-list.schema.json"
# As many parts as a set may have (docs/setlist.md), and patterns as there are programs.
MOST_PARTS, MOST_PATTERNS = 2_000, 128
TAKES_EFFECT = ("pattern end", "at once")
FIRST_PATTERN = """\
  pattern 1:
    length: 16                # steps in one pass
    step: 1/16
    phrase: 8 bars            # boundaries come every 8 bars; the big countdown counts to them
    tracks:
      low drum:
        steps:
          1: always
          9: always
          16: pass 4 of 4     # only on the fourth of every four passes
      snap:
        steps:
          5: always
          13: always
          15: chance 40%      # drawn afresh on every pass
      shaker:
        length: 12            # shorter than the pattern: it drifts against the bar
        steps:
          1: always
          # More terms, joined by commas, must all hold; `what` is how you would call it.
          10: {rule: "pass 3 of 5, chance 75%", what: "reverse swell"}"""


@dataclass(frozen=True, slots=True)
class NewSet:
    """What the set list is to say; `port` None for any, `parts` those of each song."""

    name: str = "My set"
    instrument: str = "drums"
    port: str | None = None
    channel: int = 10
    programs_from: int = 1
    takes_effect: str = TAKES_EFFECT[0]
    songs: int = 1
    parts: int = 3
    tempo: float = 120.0


def new(file: Path, *, as_json: bool, **given: Any) -> None:
    """Write `file`; `given` has the fields of NewSet, None for what was not said.

    Raises Refused if it is there already or cannot be written, UsageError for what no set can say.
    """
    if file.exists() or file.is_symlink():
        raise Refused(f"{file} is there already, and stays as it is; choose another name")
    said = {key: value for key, value in given.items() if value is not None}
    if sys.stdin.isatty() and sys.stderr.isatty():
        said |= _asked(said)
    wanted = NewSet(**said)
    if wanted.songs * wanted.parts > MOST_PARTS:
        raise click.UsageError(f"a set has at most {MOST_PARTS} parts")
    text = set_list_text(wanted)
    _must_pass(text)
    schema_note = _write(file, text)
    if as_json:
        count = wanted.songs * wanted.parts
        say_json({"version": 1, "file": str(file), "songs": wanted.songs, "parts": count})
        return
    shown = shlex.quote(str(file))
    say(
        f"{file} is written{schema_note}.",
        "Change it with any editor: what your patterns do, and the order of parts.",
        f"Then: companion check {shown}",
        f"And:  companion play {shown}",
    )


def _asked(said: dict[str, Any]) -> dict[str, Any]:
    """Answers to what was not said; return takes what stands in brackets."""
    none = NewSet()
    found: dict[str, Any] = {}

    def ask(key: str, question: str, kind: Any = str) -> None:
        if key not in said:
            default = getattr(none, key)
            found[key] = click.prompt(question, default=default, type=kind, err=True)

    ask("name", "Name of the set")
    ask("instrument", "What you call your instrument")
    if "port" not in said:
        names = _port_names()
        if names:
            say("MIDI ports here: " + "; ".join(names), err=True)
        answer = click.prompt(
            "A word out of its port's name (none: any port)", default="", err=True
        ).strip()
        found["port"] = answer if "*" in answer else f"*{answer}*" if answer else None
    ask("channel", "MIDI channel it listens on, 1 to 16", click.IntRange(1, 16))
    ask("programs_from", "Number of its first program, 0 or 1", click.IntRange(0, 1))
    ask(
        "takes_effect",
        "A change takes effect at (most: pattern end)",
        click.Choice(TAKES_EFFECT),
    )
    ask("songs", "How many songs", click.IntRange(1, 100))
    ask("parts", "How many parts in each song", click.IntRange(1, 100))
    ask("tempo", "Tempo in beats a minute", click.FloatRange(20, 400))
    return found


def _port_names() -> list[str]:
    from companion.engine.ports import MidiSystem, PortError

    with contextlib.suppress(PortError):
        system = MidiSystem()
        try:
            return system.outputs()
        finally:
            system.close()
    return []


def _must_pass(text: str) -> None:
    """Raise UsageError for what an option said that no set list can."""
    from companion.setlist import SetListError
    from companion.setlist.reading import read_text

    try:
        read_text(text, "the new set list")
    except SetListError as error:
        fault = error.faults[0]
        raise click.UsageError(f"{fault.wrong}; {fault.right}") from error


def _write(file: Path, text: str) -> str:
    """Write the set list and its schema; returns what to say of the schema. Raises Refused."""
    from companion.setlist.forms import ID, schema

    try:
        # Never over one that was made meanwhile.
        with open(file, "x", encoding="utf-8", newline="\n") as out:
            out.write(text)
    except FileExistsError:
        raise Refused(f"{file} is there already, and stays as it is; choose another name") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "its name will not do"
        raise Refused(f"{file} cannot be written: {why}") from error
    beside = file.parent / SCHEMA_FILE
    try:
        if beside.exists() and ID not in beside.read_text("utf-8"):
            return f" ({SCHEMA_FILE} is another file of yours: editors will not help)"
        beside.write_text(json.dumps(schema(), indent=2) + "\n", encoding="utf-8")
    except (OSError, ValueError):
        return f" ({SCHEMA_FILE} could not be: editors will not help)"
    return f", and {SCHEMA_FILE} beside it, by which editors complete and check it"


# -- the text --------------------------------------------------------------------------------------


def set_list_text(wanted: NewSet) -> str:
    """The set list as text, with comments."""
    count = wanted.songs * wanted.parts
    patterns = min(count, MOST_PATTERNS)
    lines = [
        f"# yaml-language-server: $schema={SCHEMA_FILE}",
        f"# The line above lets editors complete and check this file ({SCHEMA_FILE} beside it).",
        "#",
        "# What each pattern on your instrument does, and in which order you play them. After each",
        "# change: companion check and the name of this file. Whatever stands behind a # is for",
        "# people only.",
        "",
        f"set: {scalar(wanted.name)}",
        "",
        "instruments:",
        f"  {scalar(wanted.instrument)}:",
        *_port_lines(wanted.port),
        f"    channel: {wanted.channel}{_pad(wanted.channel, 12)}# the MIDI channel it listens on",
        "    change:",
        f"      programs_from: {wanted.programs_from}    # the number of the first program on its "
        "display",
        *_change_lines(wanted.takes_effect),
        "",
        "# One pass is one time through a pattern. Steps that are not listed do not matter here.",
        "patterns:",
        FIRST_PATTERN,
    ]
    for number in range(2, patterns + 1):
        lines += _pattern(number)
    lines += ["", "# The songs in the order you play them, and the parts of each.", "songs:"]
    for song in range(wanted.songs):
        lines += [f"  - song: Song {song + 1}", f"    tempo: {wanted.tempo:g}", "    parts:"]
        for at in range(wanted.parts):
            number = song * wanted.parts + at
            lines += _part(wanted, number % MOST_PATTERNS, number, number + 1 == count)
    return "\n".join(lines) + "\n"


def scalar(text: str) -> str:
    """A name as YAML has it: as it is where nothing in it means something, else in quotes."""
    plain = re.fullmatch(r"[A-Za-z][\w .()+-]*(?<! )", text) is not None
    special = text.casefold() in ("null", "true", "false", "yes", "no", "on", "off", "y", "n")
    return text if plain and not special else json.dumps(text, ensure_ascii=False)


def _pad(value: object, width: int) -> str:
    return " " * max(1, width - len(str(value)))


def _port_lines(port: str | None) -> list[str]:
    if port is None:
        return ['    # port: "*name*"     # any MIDI port with that name in it: companion ports']
    return [
        f"    port: {json.dumps(port, ensure_ascii=False)}"
        "   # * stands for anything; companion ports lists the ports"
    ]


def _change_lines(takes_effect: str) -> list[str]:
    if takes_effect == TAKES_EFFECT[0]:
        return [
            "      takes_effect: pattern end  # it finishes the running pattern first; or: at once",
            "      send_before: 1 beat        # so it is told ahead of the boundary",
        ]
    return ["      takes_effect: at once   # or: pattern end, if it finishes its pattern first"]


def _pattern(number: int) -> list[str]:
    """A pattern to be filled; no two are alike, or `check` would say so."""
    again, turn = divmod(number - 2, 8)
    step, rule = 16 - again, f"pass {8 - turn} of 8"
    if step == 1:
        step, rule = 16 - turn // 4, f"pass {4 - turn % 4} of 4"
    return [
        f"  pattern {number}:",
        "    phrase: 8 bars",
        "    tracks:",
        "      low drum:",
        "        steps:",
        "          1: always",
        f"          {step}: {rule}",
    ]


def _part(wanted: NewSet, pattern: int, number: int, last: bool) -> list[str]:
    shown = pattern + wanted.programs_from
    first = number == 0
    notes = {
        "program": "    # where this pattern is stored, as the display shows it" if first else "",
        "phrases": "    # planned length; leave it out to decide on stage" if first else "",
    }
    lines = [
        f"      - pattern: pattern {pattern + 1}",
        f"        on: {scalar(wanted.instrument)}",
        f"        program: {shown}{notes['program']}",
    ]
    if last:
        lines.append("        # No `phrases` here: it plays until you move on.")
    else:
        lines.append(f"        phrases: 2{notes['phrases']}")
    if first:
        lines += [
            "        cues:",
            "          # An unmute, like a new program, can be far louder than what went before.",
            "          - {at: start, mute: shaker}",
            "          - {at: bar 9, unmute: shaker, warn: 2 bars}",
        ]
        if not last:
            lines.append("          - {at: last 1 bar, fill: 1 bar}")
    return lines
