"""`companion bind`: the performer presses a pad, and what it asks for is written into a file."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import click

from companion.cli import exits
from companion.cli.bindlines import Learned, bind_object, in_words, report_lines, written_line
from companion.cli.controlfile import ControlFile, by_hand, read_control_file
from companion.cli.exits import Refused
from companion.cli.faults import refuse_faults
from companion.cli.inputs import Inputs
from companion.cli.lesson import Lesson
from companion.engine.matching import lasting_glob, matches, plain_name
from companion.engine.ports import PortError
from companion.follow.taken import refusals, taken_by
from companion.link.ask import ask_snapshot
from companion.link.endpoint import find_endpoint
from companion.link.messages import LinkError
from companion.setlist.controls import Ask, Binding, Press, Wanted
from companion.setlist.controlwriting import NoRoom, spelled
from companion.setlist.faults import BadText, SetListError, quoted
from companion.setlist.model import SetList
from companion.setlist.reading import read_set_list
from companion.setlist.wishtext import wish as read_wish

# Clocks of ports that were opened just now arrive within this time at any tempo.
CLOCKS_S = 0.3
# A bar of 4/4 at 120 beats a minute; few patterns are silent for so long.
WATCH_S = 2.0
PATIENCE_S = 0.02

Say = Callable[[str], None]


def bind(
    text: str,
    path: Path,
    *,
    set_file: Path | None,
    in_glob: str | None,
    api: str | None,
    long: bool,
    seconds: float,
    as_json: bool,
) -> None:
    """Learn the press that is to ask for the wish `text`, and write it into the file at `path`.

    Waits `seconds` for it. Raises Refused or UsageError, or exits with every fault of a file said.
    """
    wish = _wish(text, long)

    def say(line: str) -> None:
        # With --json, standard output is for programs alone.
        click.echo(line, err=as_json)

    try:
        controls = read_control_file(path)
        setlist = None if set_file is None else read_set_list(set_file)
        if setlist is not None and wish.part is not None and wish.part > len(setlist.parts):
            raise Refused(f"there is no part {wish.part} in {set_file}: it has {_parts(setlist)}")
        choice = _Choice(wish, long, controls, setlist)
        inputs = Inputs(api, in_glob)
        try:
            learned = _learn(inputs, choice, seconds, say)
        finally:
            inputs.close()
        for line in report_lines(learned, setlist):
            say(line)
        choice.write(learned)
    except SetListError as error:
        refuse_faults(error)
    except PortError as error:
        raise Refused(str(error)) from error
    except KeyboardInterrupt:
        click.echo(f"companion: nothing was learned; {_as_it_was(path)}", err=True)
        raise click.exceptions.Exit(exits.INTERRUPTED) from None
    say(written_line(path))
    if as_json:
        click.echo(json.dumps(bind_object(learned, path), ensure_ascii=False))


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
        self, wish: Wanted, long: bool, controls: ControlFile, setlist: SetList | None
    ) -> None:
        self.wish = wish
        self.long = long
        self.controls = controls
        self._setlist = setlist
        self._taken = () if setlist is None else taken_by(setlist)

    def take(self, learned: Press, lets_go: bool) -> Learned:
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
            asks = f"in {path} it asks for {quoted(spelled(rival.wish))} when it is {when}"
            raise _Unfit(f"{asks}, and the two cannot share it")
        return Learned(new, port, change)

    def write(self, learned: Learned) -> None:
        """Put it into the file, if that is not as it should be already. Raises Refused."""
        if learned.change.text != self.controls.text:
            try:
                self.controls.write(learned.change)
            except NoRoom:
                raise Refused(by_hand(self.controls.path, learned.new)) from None


def _wish(text: str, long: bool) -> Wanted:
    try:
        wish = read_wish(text)
    except BadText as error:
        raise click.UsageError(f"{error.wrong}; {error.right}") from error
    if long and wish.ask is Ask.FILL:
        raise click.UsageError("a fill is held from the first moment; leave --long out")
    return wish


def _learn(inputs: Inputs, choice: _Choice, seconds: float, say: Say) -> Learned:
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
    wish = spelled(choice.wish)
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
