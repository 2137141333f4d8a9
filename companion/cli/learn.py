"""`companion learn`: from a file, a take or a live port to a drafted set list.

What is learned and how it is written is `companion.learn`'s; here it is fetched, watched while it
fills in, and put where it was asked for.
"""

from __future__ import annotations

import shutil
import sys
import time
from pathlib import Path
from typing import Any

import click

from companion.cli import exits
from companion.cli.exits import Refused
from companion.cli.saying import refuse_faults, say, say_json
from companion.counting.pattern import STEP_TICKS
from companion.engine.ports import PortError
from companion.follow.conductor import CLOCK_COARSE
from companion.learn.draft import NoRoom, draft, put_into, quiet_text
from companion.learn.heard import HeardError, Hearing, Music, read_midi_file
from companion.learn.learner import STEP_NAMES, Learned, LearnedStep, Wanted, learn
from companion.learn.listening import Listener
from companion.learn.rules import SETTLED
from companion.replacing import replacing
from companion.setlist import USUAL_TEMPO, BadText, SetListError
from companion.setlist import text as words
from companion.setlist.reading import read_set_list, read_text

# How often what was heard so far is learned from while listening.
AGAIN_S = 2.0
# Patience for the next message.
WAIT_S = 0.02
_BOM = "\ufeff"


def _wanted(
    channel: int | None, length: int | None, step: str | None, one: bool, name: str | None
) -> Wanted:
    """What was said beforehand, as wire values and ticks. Raises UsageError for a bad name."""
    if name is not None:
        try:
            name = words.name(name)
        except BadText as error:
            raise click.UsageError(f"--name {name!r}: {error}") from error
    ticks = None if step is None else STEP_TICKS[step]
    return Wanted(None if channel is None else channel - 1, length, ticks, one, name)


def learn_from(
    file: Path | None,
    *,
    take: str | None,
    in_glob: str | None,
    api: str | None,
    passes: int | None,
    seconds: float | None,
    out: Path | None,
    into: Path | None,
    as_json: bool,
    **known: Any,
) -> None:
    """Learn, and write the draft; `known` is what was said beforehand (`_wanted`).

    Raises Refused, UsageError for options that do not go together, or exits with the faults of the
    file.
    """
    if sum(each is not None for each in (file, take, in_glob)) > 1:
        raise click.UsageError("learn from one of them: FILE.mid, --take or --in")
    if out is not None and into is not None:
        raise click.UsageError("-o is a new file, --into one that is there; give one of them")
    wanted = _wanted(**known)
    if out is not None and (out.exists() or out.is_symlink()):
        raise Refused(f"{out} is there already, and stays as it is; name a new file")
    try:
        if into is not None:
            read_set_list(into)
        if file is not None or take is not None:
            hearing = read_midi_file(file) if file is not None else _take(take or "")
            learned = _within(hearing, wanted, passes, seconds)
            about = str(file.name) if file is not None else f"take {take}"
        else:
            learned = _live(in_glob, api, wanted, passes, seconds)
            about = "a live instrument"
        _write(learned, about, out, into, as_json)
    except HeardError as error:
        raise Refused(str(error)) from error
    except PortError as error:
        raise Refused(str(error)) from error
    except SetListError as error:
        refuse_faults(error)


def _within(hearing: Hearing, wanted: Wanted, passes: int | None, seconds: float | None) -> Learned:
    """What is learned of the first passes, or seconds, or of all."""
    if seconds is not None:
        hearing = hearing.cut(seconds / 60 * (hearing.tempo or USUAL_TEMPO) * 24)
    learned = learn(hearing, wanted)
    if passes is not None:
        end = passes * learned.patterns[0].pass_ticks
        if end < hearing.end:
            learned = learn(hearing.cut(end), wanted)
    return learned


def _take(take: str) -> Hearing:
    from companion.cli.takes import number
    from companion.takes.export import heard
    from companion.takes.store import TakesError

    try:
        found = heard(number(take))
    except TakesError as error:
        raise Refused(str(error)) from error
    music = Music()
    for each in found.messages:
        music.hear(each.tick, each.message)
    return Hearing(
        "take",
        tuple(music.notes),
        tuple(music.programs),
        float(found.ticks),
        found.bpm or None,
        starts=tuple(float(tick) for tick in found.starts if tick > 0),
    )


# Live ---------------------------------------------------------------------------------------------


def _live(
    in_glob: str | None, api: str | None, wanted: Wanted, passes: int | None, seconds: float | None
) -> Learned:
    from companion.cli.bind import Inputs

    inputs = Inputs(api, in_glob)
    listener = Listener(inputs.block_ms)
    session = _Session(inputs, listener, wanted, passes, seconds)
    try:
        if sys.stdin.isatty() and sys.stderr.isatty():
            kept = session.watched()
        else:
            kept = session.unwatched()
    except KeyboardInterrupt:
        kept = False
    finally:
        inputs.close()
    if not kept:
        say("companion: nothing was learned", err=True)
        raise click.exceptions.Exit(exits.INTERRUPTED)
    if listener.tick < 0:
        why = "the clock runs, but no start was heard" if listener.ticking else "no clock was heard"
        raise HeardError(f"{why}; start the instrument while this listens, and let it send clock")
    if listener.coarse_ms:
        coarse = CLOCK_COARSE.format(listener.coarse_ms)
        raise HeardError(f"{coarse}; give JACK shorter periods: jack_bufsize 256")
    if listener.doubted is not None:
        say(f"companion: {_doubted(listener)}; measure it: companion doctor", err=True)
    return learn(listener.hearing(), wanted)


def _doubted(listener: Listener) -> str:
    """That the clock was in doubt for so long that what came behind it may be off, in words."""
    bar = (listener.doubted or 0) // 96 + 1
    return f"the clock was in doubt from bar {bar} on, and steps from there may be off"


class _Session:
    """One time of listening: when it is over, and what there is to see meanwhile."""

    def __init__(
        self,
        inputs: Any,
        listener: Listener,
        wanted: Wanted,
        passes: int | None,
        seconds: float | None,
    ) -> None:
        self._inputs = inputs
        self._listener = listener
        self._wanted = wanted
        self._passes = passes
        self._until = None if seconds is None else time.monotonic() + seconds
        self._next = 0.0
        self._lines: list[str] = []
        self._pass_ticks = 96

    def unwatched(self) -> bool:
        """Listen with nobody watching, until it is over."""
        while not self._over():
            self._take_in(WAIT_S)
        return True

    def watched(self) -> bool:
        """Listen with a screen on the terminal, until it is over or a key ends it."""
        from companion.screen.listening import ListeningApp

        app = ListeningApp(self._look, self._listener.one)
        # The draft may go to standard output, so the screen is drawn beside it.
        return bool(app.run())

    def _look(self) -> list[str] | None:
        self._take_in(0.0)
        if self._over():
            return None
        now = time.monotonic()
        if now >= self._next:
            begun = now
            self._lines = self._told()
            # However long the learning takes, the keys are answered most of the time.
            self._next = time.monotonic() + max(AGAIN_S, 3 * (time.monotonic() - begun))
        return [self._where(), "", *self._lines]

    def _take_in(self, patience_s: float) -> None:
        while (message := self._inputs.get(patience_s)) is not None:
            self._listener.hear(*message)
            patience_s = 0.0

    def _over(self) -> bool:
        listener = self._listener
        if self._until is not None and time.monotonic() >= self._until:
            return True
        if self._passes is not None and listener.tick >= 0:
            ticks = self._pass_ticks
            if self._wanted.length is not None:
                ticks = self._wanted.length * (self._wanted.step_ticks or 6)
            if listener.tick >= self._passes * ticks:
                return True
        return listener.stopped

    def _where(self) -> str:
        listener = self._listener
        if listener.tick < 0:
            if not listener.ticking:
                return "Waiting for a clock. Let the instrument send clock and notes."
            return "The clock runs. Start the instrument, or press 1 when the one comes."
        tempo = "" if listener.bpm is None else f", {listener.bpm:g} beats a minute"
        doubt = "" if listener.doubted is None else f" Careful: {_doubted(listener)}."
        return f"Listening: bar {listener.tick // 96 + 1}{tempo}.{doubt}"

    def _told(self) -> list[str]:
        """What is known so far, and whether it is safe to stop."""
        if self._listener.tick < 24:
            return []
        try:
            learned = learn(self._listener.hearing(), self._wanted)
        except HeardError:
            return ["No notes yet. Let the instrument send the notes that it plays."]
        self._pass_ticks = learned.patterns[0].pass_ticks
        return [*progress(learned), "", safe_to_stop(learned)]


def progress(learned: Learned) -> list[str]:
    """What is known of each track of the pattern that plays, a line each."""
    pattern = learned.patterns[learned.parts[-1].pattern]
    lines = [f"{pattern.name}: {pattern.length} steps, {pattern.passes} passes heard"]
    for track in pattern.tracks:
        sure = sum(step.probability >= SETTLED for step in track.steps)
        line = f"  {track.name}: {sure} of {len(track.steps)} steps sure"
        if track.length != pattern.length:
            line += f", {track.length} steps long"
        if track.quiet_passes:
            line += f", muted on passes {quiet_text(track)}"
        lines.append(line)
        for step in track.steps:
            if step.probability < SETTLED:
                lines.append(f"    step {step.number}: {step.rule} ({step.probability:.0%})")
    return lines


def safe_to_stop(learned: Learned) -> str:
    """Whether to listen on, and for how long."""
    steps = [
        step for pattern in learned.patterns for track in pattern.tracks for step in track.steps
    ]
    doubtful = [step for step in steps if step.probability < SETTLED]
    if steps and not doubtful:
        return "Safe to stop: every step is settled."
    known = [step.passes_to_settle for step in doubtful if step.passes_to_settle is not None]
    if not known:
        return "Listen on: some steps are in doubt."
    beyond = " Some may stay in doubt." if len(known) < len(doubtful) else ""
    passes = max(known)
    return f"Listen on for about {passes} more pass{'' if passes == 1 else 'es'}.{beyond}"


# What comes of it ---------------------------------------------------------------------------------


def _write(
    learned: Learned, about: str, out: Path | None, into: Path | None, as_json: bool
) -> None:
    text = draft(learned, about)
    try:
        read_text(text, "draft")
    except SetListError as error:
        raise Refused(f"the draft would not be a set list: {error.lines[0]}") from error
    if into is not None:
        _put_into(learned, into)
    elif out is not None:
        try:
            with open(out, "x", encoding="utf-8") as file:
                file.write(text)
        except OSError as error:
            raise Refused(f"{out}: {error.strerror or error}") from error
    elif not as_json:
        click.echo(text, nl=False)
    where = into if into is not None else out
    if where is not None:
        say(_summary(learned, where, into is not None), err=as_json)
    if as_json:
        say_json(learned_object(learned))


def _summary(learned: Learned, where: Path, added: bool) -> str:
    patterns, parts = len(learned.patterns), len(learned.parts)
    what = f"{patterns} pattern{'' if patterns == 1 else 's'}"
    if not added:
        what += f", {parts} part{'' if parts == 1 else 's'}"
    doubt = learned.doubtful
    doubts = "; every step is settled"
    if doubt:
        doubts = f"; {doubt} step{' is' if doubt == 1 else 's are'} in doubt, said in comments"
    return f"{where} {'has' if added else 'is the draft:'} {what}{' more' if added else ''}{doubts}"


def _put_into(learned: Learned, path: Path) -> None:
    """Add the patterns to a file that is there. Raises Refused; then it is as it was."""
    try:
        raw = path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(f"{path}: {error}") from error
    bom = _BOM if raw.startswith(_BOM) else ""
    try:
        text = put_into(raw.removeprefix(_BOM), learned)
        read_text(text, str(path))
    except NoRoom as error:
        raise Refused(f"{path}: {error}; it is as it was") from error
    except SetListError as error:
        raise Refused(
            f"{path} is written in a way that only you can add to; write the draft with -o, and "
            "copy from it"
        ) from error
    real = path.resolve()
    try:
        with replacing(real) as trial:
            trial.write_bytes((bom + text).encode("utf-8"))
            shutil.copymode(real, trial)
    except OSError as error:
        why = error.strerror or str(error)
        raise Refused(f"{path} cannot be written ({why}); it is as it was") from error


def learned_object(learned: Learned) -> dict[str, Any]:
    """What was learned as programs read it: programs, channels, steps and passes from 1."""
    patterns = [
        {
            "pattern": pattern.name,
            "program": None if pattern.program is None else pattern.program + 1,
            "bank": pattern.bank,
            "length": pattern.length,
            "step": STEP_NAMES[pattern.step_ticks],
            "passes": pattern.passes,
            "remarks": list(pattern.remarks),
            "tracks": [
                {
                    "track": track.name,
                    "channel": track.channel + 1,
                    "note": track.note,
                    "length": track.length,
                    "step": STEP_NAMES[track.step_ticks],
                    "swing_ticks": track.swing,
                    "quiet_passes": list(track.quiet_passes),
                    "steps": [_step_object(step) for step in track.steps],
                }
                for track in pattern.tracks
            ],
        }
        for pattern in learned.patterns
    ]
    parts = []
    for part in learned.parts:
        pattern = learned.patterns[part.pattern]
        parts.append(
            {
                "pattern": pattern.name,
                "program": part.changes[0].program + 1 if part.changes else None,
                "passes": round(part.ticks / pattern.pass_ticks),
                "ticks": part.ticks,
            }
        )
    return {
        "version": 1,
        "source": learned.source,
        "tempo": None if learned.tempo is None else round(learned.tempo, 2),
        "lost": learned.lost,
        "patterns": patterns,
        "parts": parts,
    }


def _step_object(step: LearnedStep) -> dict[str, Any]:
    chance = step.chance
    runner_up = step.runner_up
    return {
        "step": step.number,
        "rule": str(step.rule),
        "probability": round(step.probability, 6),
        "chance": None
        if chance is None
        else {
            "mean": round(chance.mean, 4),
            "low": round(chance.low, 4),
            "high": round(chance.high, 4),
        },
        "runner_up": None
        if runner_up is None
        else {"rule": str(runner_up[0]), "probability": round(runner_up[1], 6)},
        "passes_to_settle": step.passes_to_settle,
        "what": step.what,
    }
