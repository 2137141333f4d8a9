"""`companion bind`: the performer presses a pad, and what it asks for is written into a file.

In the order in which it goes: all MIDI inputs are listened to (`Inputs`), the music is kept from
the learner (`Lesson`), the press is weighed against what the set plays and what the file has, and
the file is written as a whole or not at all. How a press is found is the learner's; what becomes
of the text is worked out in `companion.setlist.edit`.
"""

from __future__ import annotations

import os
import queue
import shutil
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import click

from companion.cli import exits
from companion.cli.exits import Refused
from companion.cli.ports import must_match
from companion.cli.saying import refuse_faults, say, say_json
from companion.engine.ports import Input, MidiSystem, PortError
from companion.follow.portnames import lasting_glob, matches, plain_name
from companion.follow.presses import Learner, parse, refusals, reserved_by
from companion.link.ask import ask_snapshot
from companion.link.endpoint import find_endpoint
from companion.link.messages import LinkError
from companion.midi import CLOCK, CONTINUE, START, STOP
from companion.replacing import replacing
from companion.setlist import (
    Address,
    BadText,
    Binding,
    Kind,
    Press,
    SetList,
    SetListError,
    quoted,
)
from companion.setlist.check import MOST_BINDINGS, distinct
from companion.setlist.edit import NoRoom, added, entry, fresh, is_empty, replaced, rewished
from companion.setlist.reading import MAX_BYTES, read_controls, read_set_list
from companion.setlist.text import wish as read_wish
from companion.wishes import Ask, Wish

# Clocks of ports that were opened just now arrive within this time at any tempo.
CLOCKS_S = 0.3
# A bar of 4/4 at 120 beats a minute; few patterns are silent for so long.
WATCH_S = 2.0
PATIENCE_S = 0.02
# How often to look for ports that were plugged in since.
LOOK_S = 0.5
# A clock at 20 beats a minute ticks every 125 ms; eight of those are no pause in it.
TICKING_NS = 1_000_000_000
_BOM = "\ufeff"

Say = Callable[[str], None]
PortMessage = tuple[str, int, Sequence[int]]
_Key = tuple[str, Address]


def bind(
    words: tuple[str, ...],
    file: Path,
    *,
    set_file: Path | None,
    in_glob: str | None,
    api: str | None,
    long: bool,
    seconds: float,
    as_json: bool,
) -> None:
    """Learn the press that is to ask for the wish in `words`, and write it into `file`.

    Waits `seconds` for it. Raises Refused or UsageError, or exits with every fault of a file said.
    """
    wish = _wish(" ".join(words), long)

    def tell(line: str) -> None:
        # With --json, standard output is for programs alone.
        say(line, err=as_json)

    try:
        controls = read_control_file(file)
        setlist = None if set_file is None else read_set_list(set_file)
        if setlist is not None and wish.part is not None and wish.part > len(setlist.parts):
            raise Refused(f"there is no part {wish.part} in {set_file}: it has {_parts(setlist)}")
        choice = _Choice(wish, long, controls, setlist)
        inputs = Inputs(api, in_glob)
        try:
            learned = _learn(inputs, choice, seconds, tell)
        finally:
            inputs.close()
        for line in report_lines(learned, setlist):
            tell(line)
        choice.write(learned)
    except SetListError as error:
        refuse_faults(error)
    except PortError as error:
        raise Refused(str(error)) from error
    except KeyboardInterrupt:
        say(f"companion: nothing was learned; {_as_it_was(file)}", err=True)
        raise click.exceptions.Exit(exits.INTERRUPTED) from None
    tell(written_line(file))
    if as_json:
        say_json(bind_object(learned, file))


class _Unfit(Exception):
    """A press that was learned will not do; the message says why.

    `music` is whether the music makes it too, so that it may come again without a hand.
    """

    def __init__(self, why: str, music: bool = False) -> None:
        super().__init__(why)
        self.music = music


class _Choice:
    """What was asked for, and whether a press will do for it. `controls` is the file as it is."""

    def __init__(
        self, wish: Wish, long: bool, controls: ControlFile, setlist: SetList | None
    ) -> None:
        self.wish = wish
        self.long = long
        self.controls = controls
        self._setlist = setlist
        self._taken = () if setlist is None else reserved_by(setlist)

    def take(self, learned: Press, lets_go: bool) -> LearnedBinding:
        """The binding of a press that was learned, and what it makes of the file.

        Raises _Unfit, Refused or SetListError.
        """
        port = learned.port or ""
        held = self.long or (self.wish.ask is Ask.FILL and not learned.toggle)
        if held and not lets_go:
            raise _Unfit("it told nothing, or only late, of being let go, so it cannot be held")
        glob = lasting_glob(port, numbered=sys.platform == "win32")
        new = Binding(replace(learned, port=glob, long=self.long), self.wish)
        # The port itself tells more than its glob does.
        exact = Binding(replace(new.press, port=port), self.wish)
        for refusal in refusals([new], self._taken, matches) or refusals(
            [exact], self._taken, matches
        ):
            raise _Unfit(f"it{refusal.reason.removeprefix(str(learned.address))}", music=True)
        # It may have been edited while the performer was looking for the pad.
        self.controls = read_control_file(self.controls.path)
        path = self.controls.path
        try:
            change = self.controls.with_one(new, port)
        except NoRoom:
            raise Refused(by_hand(path, new)) from None
        rival = change.rival
        if rival is not None:
            when = "held" if rival.press.long else "pressed"
            asks = f"in {path} it asks for {quoted(str(rival.wish))} when it is {when}"
            raise _Unfit(f"{asks}, and the two cannot share it")
        return LearnedBinding(new, port, change)

    def write(self, learned: LearnedBinding) -> None:
        """Put it into the file, if that is not as it should be already. Raises Refused."""
        if learned.change.text != self.controls.text:
            try:
                self.controls.write(learned.change)
            except NoRoom:
                raise Refused(by_hand(self.controls.path, learned.new)) from None


def _wish(text: str, long: bool) -> Wish:
    try:
        wish = read_wish(text)
    except BadText as error:
        raise click.UsageError(f"{error.wrong}; {error.right}") from error
    if long and wish.ask is Ask.FILL:
        raise click.UsageError("a fill is held from the first moment; leave --long out")
    return wish


def _learn(inputs: Inputs, choice: _Choice, seconds: float, say: Say) -> LearnedBinding:
    """Wait for a press that will do. Raises Refused when none comes in time, or as `take` does."""
    lesson = Lesson()
    _ask_engine(lesson, say)
    for name, why in inputs.deaf.items():
        say(f"{plain_name(name)} cannot be listened to; another program may hold it: {why}")
    if not inputs.names and not inputs.deaf:
        say("No MIDI input is there yet: plug the pad in.")
    _watch(inputs, lesson, say)
    lesson.begin()
    say(_prompt(choice))
    deadline = time.monotonic() + seconds
    asked_again = False
    unfit = ""
    while time.monotonic() < deadline:
        message = inputs.get(PATIENCE_S)
        now_ns = time.monotonic_ns()
        learned = lesson.passed(now_ns) if message is None else lesson.hear(*message)
        if learned is not None:
            try:
                return choice.take(learned, lesson.lets_go(learned))
            except _Unfit as error:
                unfit = f"{in_words(learned, learned.port)} will not do: {error}"
                say(f"{unfit}. {'Press another' if error.music else 'Press again, or another'}.")
                if error.music:
                    lesson.bar(learned)
                else:
                    lesson.begin()
                asked_again = False
        elif lesson.again and not asked_again:
            asked_again = True
            say("Heard. Press the same once more.")
    raise Refused(_too_late(inputs, lesson, seconds, unfit, choice.controls.path))


def _ask_engine(lesson: Lesson, say: Say) -> None:
    """A running engine knows whether its instrument plays, and obeys presses meanwhile."""
    try:
        snapshot = ask_snapshot(find_endpoint())
    except LinkError:
        return
    say("An engine is running: presses that ask for something already are obeyed meanwhile.")
    if snapshot.clock_port:
        lesson.tell(snapshot.clock_port, snapshot.state == "running")


def _watch(inputs: Inputs, lesson: Lesson, say: Say) -> None:
    """Hear for a moment what there is without a press; longer where that is not clear."""
    began = time.monotonic()
    until = began + CLOCKS_S
    said = False
    while time.monotonic() < until:
        message = inputs.get(PATIENCE_S)
        if message is not None:
            lesson.hear(*message)
        unclear = lesson.unclear(time.monotonic_ns())
        if unclear and not said:
            said = True
            until = began + WATCH_S
            say(
                f"Listening for a moment whether {plain_name(unclear[0])} plays; press nothing yet."
            )
        elif said and not unclear:
            return


def _prompt(choice: _Choice) -> str:
    wish = choice.wish
    if choice.long:
        return f"Press the pad now and let it go; held, it will ask for: {wish}"
    return f"Press the pad now and let it go, for: {wish}"


def _too_late(inputs: Inputs, lesson: Lesson, seconds: float, unfit: str, path: Path) -> str:
    if unfit:
        why = unfit
    elif not inputs.names:
        deaf = next(iter(inputs.deaf.values()), "")
        why = f"no MIDI input can be listened to: {deaf}" if deaf else "there was no MIDI input"
    elif lesson.again:
        why = "only one press was heard, and it was not clear without a second one"
    else:
        why = "no single press was heard"
        if lesson.left_alone:
            ports = ", ".join(plain_name(port) for port in lesson.left_alone)
            why += f"; what {ports} sent was taken for its music, so stop it to use its own pads"
    return f"{why}; {seconds:g} s are over, and {_as_it_was(path)}"


def _as_it_was(path: Path) -> str:
    return f"{path} is as it was" if path.exists() else f"{path} was not made"


def _parts(setlist: SetList) -> str:
    number = len(setlist.parts)
    return "1 part" if number == 1 else f"{number} parts"


@dataclass(frozen=True, slots=True)
class LearnedBinding:
    """A new binding, the full name of the port it came from, and what it makes of the file."""

    new: Binding
    port: str
    change: Change


def in_words(press: Press, port: str | None) -> str:
    """A press in words, programs counted from 1; `port` is a port's name or a glob."""
    address = press.address
    number = address.number + (address.kind is Kind.PROGRAM)
    channel = "" if address.channel is None else f" on channel {address.channel + 1}"
    words = f"{address.kind.value} {number}{channel}"
    if press.toggle:
        words += " (127 and 0 by turns)"
    if port is not None:
        words += f" from {plain_name(port)}"
    return f"{words}, held," if press.long else words


def report_lines(learned: LearnedBinding, setlist: SetList | None) -> list[str]:
    """What becomes of the file, and of the set's own presses if there is a set."""
    new, change = learned.new, learned.change
    press, old = in_words(new.press, learned.port), change.instead
    if old is None:
        lines = [f"{press} asks for {_asked(new)}."]
    elif old.wish == new.wish:
        lines = [f"{press} asks for {_asked(new)}, as it did before."]
    else:
        lines = [f"{press} asks for {_asked(new)} now, no longer for {_asked(old)}."]
    if change.behind is not None:
        other = change.behind.press
        behind = f"{in_words(other, other.port)}, which asks for {_asked(change.behind)}"
        lines.append(f"It comes before {behind}.")
    if setlist is not None:
        lines += [
            f"In {setlist.name} it asked for {_asked(own)}; the file wins."
            for own in setlist.controls
            if not distinct(own, new)
        ]
    return lines


def written_line(path: Path) -> str:
    """Where it has been written, and how it is used."""
    use = f"companion play SET --controls {path}"
    return f"It stands in {path}. An engine that plays with it takes it over; to start one: {use}"


def bind_object(learned: LearnedBinding, path: Path) -> dict[str, object]:
    """The object of `bind --json`, version 1; its numbers are as in the file."""
    new, change = learned.new, learned.change
    press = new.press
    address = press.address
    return {
        "version": 1,
        "file": str(path),
        "press": {
            address.kind.value: address.number + (address.kind is Kind.PROGRAM),
            "channel": None if address.channel is None else address.channel + 1,
            "port": press.port,
            "long": press.long,
            "toggle": press.toggle,
        },
        "wish": str(new.wish),
        "instead_of": None if change.instead is None else str(change.instead.wish),
    }


def _asked(binding: Binding) -> str:
    return quoted(str(binding.wish))


@dataclass(frozen=True, slots=True)
class Change:
    """What a new binding means for a file: how its text and its bindings are afterwards.

    `instead` is the binding it replaces, None for none; `behind` one that fits the same press, but
    comes after it; `rival` one it cannot share the press with, and then nothing else is to be had.
    """

    text: str
    bindings: tuple[Binding, ...]
    instead: Binding | None = None
    behind: Binding | None = None
    rival: Binding | None = None


@dataclass(frozen=True, slots=True)
class ControlFile:
    """A file of controls as it was read; `text` is None where there is none yet."""

    path: Path
    text: str | None
    bindings: tuple[Binding, ...]

    def with_one(self, new: Binding, port: str) -> Change:
        """What `new`, learned from the port of that name, makes of it. Raises NoRoom."""
        text, old = self.text, self.bindings
        if text is None:
            return Change(fresh(new), (new,))
        fitting = {at: b for at, b in enumerate(old) if _fits(b, new, port)}
        for other in fitting.values():
            short = other if new.press.long else new
            if other.press.long != new.press.long and _acts_at_once(short):
                return Change(text, old, rival=other)
        alike = {at: b for at, b in fitting.items() if b.press.long == new.press.long}
        for at, other in alike.items():
            if other.press.same(new.press):
                # Its press stays as it was written, if it is the same in all.
                kept = other.press.toggle == new.press.toggle
                now = Binding(other.press, new.wish) if kept else new
                out = rewished(text, at, new.wish) if kept else replaced(text, at, new)
                if now == other:
                    out = text
                return Change(out, (*old[:at], now, *old[at + 1 :]), instead=other)
        # Of those that say as much of a press, the first in the file is obeyed.
        first = next(
            (
                at
                for at, b in alike.items()
                if b.press.port is not None and b.press.address.channel is not None
            ),
            None,
        )
        behind = next(iter(alike.values()), None)
        return Change(added(text, new, first), (*old, new), behind=behind)

    def write(self, change: Change) -> None:
        """Put the changed text in place, once it has been read again.

        Raises Refused; NoRoom if it would not say what it should.
        """
        if len(change.bindings) > MOST_BINDINGS:
            raise Refused(f"{self.path} has {MOST_BINDINGS} controls already; take one out first")
        path = self.path.resolve()
        body = change.text
        if self.text is not None and _raw(path).startswith(_BOM):
            body = _BOM + body
        try:
            with replacing(path) as trial:
                with open(trial, "wb") as file:
                    file.write(body.encode())
                    file.flush()
                    os.fsync(file.fileno())
                if set(read_controls(trial)) != set(change.bindings):
                    raise NoRoom
                if self.text is not None:
                    shutil.copymode(path, trial)
        except OSError as error:
            why = error.strerror or str(error)
            raise Refused(f"{self.path} cannot be written ({why}); it is as it was") from error
        except SetListError as error:
            raise NoRoom from error


def read_control_file(path: Path) -> ControlFile:
    """The file at `path`, which need not be there. Raises SetListError, or Refused."""
    folder = path.resolve().parent
    if not folder.is_dir():
        raise Refused(f"there is no folder {folder}; make it first, or name another file")
    if not os.access(folder, os.W_OK):
        raise Refused(f"nothing may be written into the folder {folder}; name a file elsewhere")
    if not path.resolve().exists():
        return ControlFile(path, None, ())
    if not (path.is_file() or path.is_dir()):
        raise Refused(f"{path} is no file; name one, or one that is not there yet")
    try:
        text = _raw(path).removeprefix(_BOM) if path.stat().st_size <= MAX_BYTES else "?"
    except (OSError, UnicodeDecodeError):
        # What is wrong with it is said in the words for any file of controls.
        text = ""
    else:
        if is_empty(text):
            return ControlFile(path, text, ())
    return ControlFile(path, text, read_controls(path))


def by_hand(path: Path, binding: Binding) -> str:
    """What to say where the text of a file leaves no room for a binding."""
    return f"{path} is written in a way that only you can add to; put this in: - {entry(binding)}"


def _raw(path: Path) -> str:
    return path.read_bytes().decode("utf-8")


def _fits(old: Binding, new: Binding, port: str) -> bool:
    """Whether the press that was made for `new` on `port` fits `old` as well."""
    glob = old.press.port
    return old.press.address.meets(new.press.address) and (glob is None or matches(glob, port))


def _acts_at_once(short: Binding) -> bool:
    """Whether it acts at the moment of the press, so that no longer one can be waited for."""
    return short.press.toggle or short.wish.ask is Ask.FILL


class Lesson:
    """Watches at first, and from `begin` on looks for the press. One caller at a time.

    Notes and programs of a pattern that runs are no presses: those of a port that sends clock and
    was told to start, or that sends notes by itself before anybody was asked to press.
    `left_alone` are the ports whose notes were passed over for that.
    """

    def __init__(self) -> None:
        self._learner: Learner | None = None
        self._clock_ns: dict[str, int] = {}
        self._runs: dict[str, bool] = {}
        self._sounds: set[str] = set()
        self._released: set[_Key] = set()
        self._barred: set[_Key] = set()
        self.left_alone: dict[str, None] = {}

    def tell(self, port: str, runs: bool) -> None:
        """Take somebody else's word whether a pattern runs on `port`, by whatever number."""
        self._runs[plain_name(port)] = runs

    def begin(self) -> None:
        """Look for a press from now on, whatever was heard before."""
        self._learner = Learner()
        self._released.clear()

    def bar(self, press: Press) -> None:
        """Pass over this control, which the music uses too, and look for another."""
        self._barred.add((press.port or "", press.address))
        self.begin()

    @property
    def again(self) -> bool:
        """Whether to ask for one more press."""
        return self._learner is not None and self._learner.again

    def unclear(self, now_ns: int) -> list[str]:
        """Ports that send clock, and nobody knows whether a pattern runs there."""
        return [
            port
            for port in self._clock_ns
            if self._ticks(port, now_ns)
            and plain_name(port) not in self._runs
            and port not in self._sounds
        ]

    def hear(self, port: str, t_ns: int, message: Sequence[int]) -> Press | None:
        """Take one MIDI message. Returns what was learned, its port by its full name."""
        if message:
            self._follow(port, t_ns, message[0])
        heard = parse(message)
        if heard is not None:
            key = port, Address(heard.kind, heard.number, heard.channel)
            if not heard.on:
                self._released.add(key)
            if heard.kind is not Kind.CONTROLLER:
                if self._learner is None:
                    self._sounds.update((port,) if heard.on else ())
                elif self._plays(port, t_ns):
                    self.left_alone[port] = None
                    return self.passed(t_ns)
            if key in self._barred:
                return self.passed(t_ns)
        return None if self._learner is None else self._learner.hear(port, t_ns, message)

    def passed(self, now_ns: int) -> Press | None:
        """Tell that it is `now_ns`. Returns what was learned."""
        return None if self._learner is None else self._learner.passed(now_ns)

    def lets_go(self, press: Press) -> bool:
        """Whether the control that was learned tells when it is let go."""
        return not press.toggle and (press.port or "", press.address) in self._released

    def _follow(self, port: str, t_ns: int, status: int) -> None:
        if status == CLOCK:
            self._clock_ns[port] = t_ns
        elif status in (START, CONTINUE):
            self._runs[plain_name(port)] = True
        elif status == STOP:
            self._runs[plain_name(port)] = False

    def _ticks(self, port: str, now_ns: int) -> bool:
        ticked_ns = self._clock_ns.get(port)
        return ticked_ns is not None and now_ns - ticked_ns < TICKING_NS

    def _plays(self, port: str, now_ns: int) -> bool:
        runs = self._runs.get(plain_name(port), port in self._sounds)
        return runs and self._ticks(port, now_ns)


class Inputs:
    """The inputs whose names match a glob, those plugged in later too; None is all.

    `deaf` says why a port that is there cannot be listened to, by name. Used by one thread.
    """

    def __init__(self, api: str | None, glob: str | None) -> None:
        """Open what is there. Raises PortError if no MIDI system, or no such port, is there."""
        self._glob = glob
        self._heard: queue.SimpleQueue[PortMessage] = queue.SimpleQueue()
        self._open: dict[str, Input] = {}
        self.deaf: dict[str, str] = {}
        self._system = MidiSystem(api)
        try:
            names = self._system.inputs()
            must_match("input", "--in", glob, names)
            # All made before anything is heard, and one for a port that is plugged in meanwhile.
            self._system.prepare(len(names) + 1, 0)
            self._keep(names)
        except PortError:
            self.close()
            raise
        self._looked_s = time.monotonic()

    @property
    def block_ms(self) -> float:
        """How long the blocks are in which messages are handed on; 0 where each has its time."""
        return self._system.block_ms

    @property
    def names(self) -> list[str]:
        """The ports that are listened to."""
        return list(self._open)

    def get(self, patience_s: float) -> PortMessage | None:
        """The next message (port, time in monotonic ns, bytes), None if there is none so long."""
        if time.monotonic() - self._looked_s > LOOK_S:
            self._keep(self._system.inputs())
            self._looked_s = time.monotonic()
        try:
            return self._heard.get(timeout=patience_s)
        except queue.Empty:
            return None

    def close(self) -> None:
        """Listen no more."""
        for port in self._open.values():
            self._system.close_port(port)
        self._open = {}
        self._system.close()

    def _keep(self, names: list[str]) -> None:
        for name in [name for name in self._open if name not in names]:
            self._system.close_port(self._open.pop(name))
        self.deaf = {name: why for name, why in self.deaf.items() if name in names}
        for name in names:
            if name in self._open or not (self._glob is None or matches(self._glob, name)):
                continue
            try:
                self._open[name] = self._system.open_input(name, self._take)
                self.deaf.pop(name, None)
            except PortError as error:
                self.deaf[name] = str(error)

    def _take(self, name: str, t_ns: int, message: Sequence[int]) -> None:
        self._heard.put((name, t_ns, message))
