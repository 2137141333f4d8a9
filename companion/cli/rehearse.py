"""`companion rehearse`: practise a set with the virtual instrument, alone or under its screen."""

from __future__ import annotations

import re
import secrets
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from companion.cautions import ON_STARTING
from companion.cli.exits import Refused
from companion.cli.saying import say, say_json
from companion.setlist import SetList

# What a seed that nobody chose is below: short enough to be typed again.
SEEDS = 1_000_000


@dataclass(frozen=True, slots=True)
class Asked:
    """The options of `companion rehearse`, as they were written."""

    begin: int | None
    loop: str | None
    times: int | None
    tempo: str | None
    count_in: int
    click: bool
    seed: int | None
    sound: str | None
    clock_out: str | None
    out: str | None
    send: bool
    now: bool
    join: bool
    api: str | None
    controls: Path | None

    def words(self) -> list[str]:
        """The command line that says the same."""
        values = {
            "--from": self.begin,
            "--loop": self.loop,
            "--times": self.times,
            "--tempo": self.tempo,
            "--count-in": self.count_in,
            "--seed": self.seed,
            "--sound": self.sound,
            "--clock-out": self.clock_out,
            "--out": self.out,
            "--api": self.api,
            "--controls": self.controls,
        }
        flags = {
            "--click": self.click,
            "--send": self.send,
            "--now": self.now,
            "--join": self.join,
        }
        words = [f"{name}={value}" for name, value in values.items() if value is not None]
        return [*words, *(name for name, on in flags.items() if on)]


def rehearse(
    set_file: Path,
    *,
    no_screen: bool,
    attended: bool,
    no_take: bool,
    as_json: bool,
    calm: bool,
    light: bool,
    **options: Any,
) -> None:
    """Rehearse a set. Raises Refused, or UsageError for options that do not go together.

    With `no_screen` it is this process that plays, until all is over; `attended` says that a screen
    watches it all the same, and so it can be started again. The other `options` are those of
    `Asked`.
    """
    asked = Asked(**options)
    loop = _loop(asked)
    _tempo(asked.tempo)
    if as_json and not no_screen:
        raise click.UsageError("--json is printed when all is over; add --no-screen")
    if asked.click and asked.sound is None:
        raise click.UsageError("--click needs a port to sound on; add --sound PORT")
    if asked.out is not None and not asked.send:
        raise click.UsageError("--out is where changes are sent; add --send")
    if asked.join and (loop is not None or asked.count_in or asked.now):
        raise click.UsageError(
            "--join begins in the middle; leave out --loop, --count-in and --now"
        )
    if not no_screen:
        from companion.cli import live

        words = [*asked.words(), "--no-screen", "--attended", *(["--no-take"] if no_take else [])]
        live.start_and_show(set_file, words, calm=calm, light=light, command="rehearse")
        return
    _run(set_file, asked, loop, stays=attended, take=not no_take, as_json=as_json)


def _run(
    set_file: Path,
    asked: Asked,
    loop: tuple[int, int] | None,
    *,
    stays: bool,
    take: bool,
    as_json: bool,
) -> None:
    from companion.cli.ports import must_match
    from companion.cli.serve import sole_engine
    from companion.engine.engine import Engine, Options
    from companion.engine.leftover import Leftover
    from companion.engine.ports import MidiSystem, PortError
    from companion.engine.rehearsing import Rehearsal
    from companion.engine.reload import Saved
    from companion.rehearse import CLICKS, Keys, Loop
    from companion.setlist.loading import load_apart
    from companion.takes.record import Recorder

    seed = secrets.randbelow(SEEDS) if asked.seed is None else asked.seed
    bpm, pace = _tempo(asked.tempo)
    leftover = Leftover()
    with sole_engine() as lock:
        setlist = load_apart(set_file, controls=asked.controls)
        for number in (asked.begin or 1, *(loop or ())):
            _must_be_there(setlist, number)
        if asked.join:
            _must_have_notes(setlist, asked.begin)
        leftover.silence()
        wanted = {"--sound": asked.sound, "--clock-out": asked.clock_out, "--out": asked.out}
        globs = {option: glob for option, glob in wanted.items() if glob is not None}
        system: MidiSystem | None = None
        try:
            system = MidiSystem(asked.api)
        except PortError:
            # Nobody needs MIDI to look at a rehearsal.
            if asked.api is not None or globs or asked.send:
                raise
        if system is not None:
            names = system.outputs()
            for option, glob in globs.items():
                if not names:
                    raise PortError(f"no MIDI output is there for {option} {glob!r}: plug it in")
                must_match("output", option, glob, names)
        rehearsal = Rehearsal(
            begin=asked.begin or 1,
            loop=None if loop is None else Loop(loop[0], asked.times),
            count_in=asked.count_in,
            click=asked.click,
            seed=seed,
            sound=asked.sound,
            clock_out=asked.clock_out,
            sends=asked.send,
            now=asked.now,
            stays=stays,
            join=asked.join,
        )
        options = Options(
            out_glob=asked.out,
            internal_clock=True,
            tempo=bpm,
            pace=pace,
            rehearsal=rehearsal,
        )
        recorder = Recorder(setlist, kind="rehearse", set_file=set_file) if take else None
        saved = Saved(set_file, asked.controls)
        engine = Engine(setlist, options, system, None, saved, recorder)
        leftover.keep(asked.api, rehearsal.outlets, Keys(setlist).all | CLICKS)
        engine.run(
            lock, lambda: _say_ready(setlist.name, seed, asked.now or asked.join, err=as_json)
        )
        leftover.forget()
        if recorder is not None and recorder.trouble:
            say(recorder.trouble, err=True)
    assert engine.rehearsing is not None
    joined = engine.rehearsing.joined
    if joined is not None and not as_json:
        told = joined.told(setlist)
        say(f"{told[0].upper()}{told[1:]}.")
    if as_json:
        played = [{"part": part, "ticks": ticks} for part, ticks in engine.rehearsing.played]
        number = None if recorder is None else recorder.take
        report: dict[str, object] = {"version": 1, "take": number, "seed": seed, "played": played}
        if joined is not None:
            report["joined"] = {
                "part": joined.part,
                "tick": joined.tick,
                "sure_after_ticks": joined.after,
                "right": joined.right,
            }
        say_json(report)


def _say_ready(name: str, seed: int, now: bool, *, err: bool) -> None:
    # Whoever opens a screen waits for the first line and then stops reading.
    start = "" if now else " Start it: companion tell start."
    say(
        f"Rehearsing {name}, seed {seed}.{start} End with Ctrl-C or: companion stop",
        ON_STARTING,
        err=err,
    )
    sys.stdout.flush()


def _must_be_there(setlist: SetList, number: int) -> None:
    parts = len(setlist.parts)
    if number > parts:
        has = "1 part" if parts == 1 else f"{parts} parts"
        raise Refused(f"there is no part {number}; the set has {has}")


def _must_have_notes(setlist: SetList, begin: int | None) -> None:
    parts = setlist.parts if begin is None else setlist.parts[begin - 1 : begin]
    if not any(setlist.notes_of(part) for part in parts):
        what = "the set" if begin is None else f"part {begin}"
        raise Refused(
            f"{what} names no notes, and so nothing can be found by ear; "
            "give its tracks a note: in the set list"
        )


def _loop(asked: Asked) -> tuple[int, int] | None:
    """The two parts of a loop, None without one. Raises UsageError."""
    if asked.loop is None:
        if asked.times is not None:
            raise click.UsageError("--times counts the rounds of a loop; add --loop A-B")
        return None
    if asked.begin is not None:
        raise click.UsageError("--loop says where to begin; leave out --from")
    found = re.fullmatch(r"\s*([0-9]{1,6})\s*-\s*([0-9]{1,6})\s*", asked.loop)
    first = int(found[1]) if found else 0
    if not found or first < 1 or int(found[2]) != first + 1:
        after = f"{max(first, 1)}-{max(first, 1) + 1}"
        raise click.UsageError(
            f"--loop {asked.loop!r}: a loop is of a part and the one after it, such as {after}"
        )
    return first, first + 1


def _tempo(written: str | None) -> tuple[float | None, float]:
    """Beats a minute, None for each song's own, and times how much of that. Raises UsageError."""
    from companion.engine.clock import FASTEST, SLOWEST

    if written is None:
        return None, 1.0
    found = re.fullmatch(r"\s*([0-9]{1,4}(?:\.[0-9]{1,4})?)\s*(%?)\s*", written)
    value = float(found[1]) if found else 0.0
    if found and found[2] and 10 <= value <= 400:
        return None, value / 100
    if found and not found[2] and SLOWEST <= value <= FASTEST:
        return value, 1.0
    raise click.UsageError(
        f"--tempo {written!r}: write beats a minute, 20 to 400, or a share of each song's own, "
        "10% to 400%"
    )
