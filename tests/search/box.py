"""An instrument written to be searched, and the judge that knows what it does.

The box counts for itself and does whatever docs/faults.md takes for granted that an instrument and
its player may do. It is pure: it is told when a tick, a message or a hand comes, and says what it
sends. The judge holds a follower's words and sends against it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

# MIDI 1.0 (from memory): status bytes, and fourteen bits of a song position in two bytes.
CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"
POSITION, PROGRAM, NOTE_ON, NOTE_OFF = 0xF2, 0xC0, 0x90, 0x80
# Channel 10 on the wire.
CHANNEL = 9
# MIDI 1.0 (from memory): 24 clocks to the quarter note, a song position counts sixteenths.
BEAT, SIXTEENTH = 24, 6
# docs/faults.md: a lost clock is known within a quarter of a beat; one tick for its unsteadiness.
SILENT_TICKS = 6 + 1


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the set: its program on the wire, ticks of a pass, passes of a phrase."""

    program: int
    pass_ticks: int = 96
    phrase_passes: int = 2
    phrases: int | None = 1

    @property
    def phrase_ticks(self) -> int:
        """Ticks of a phrase."""
        return self.pass_ticks * self.phrase_passes


@dataclass(frozen=True, slots=True)
class Kind:
    """What an instrument is like.

    `echoes`: it sends a program that it receives back. `names`: it sends the program that is
    chosen on it. `notes`: it sends a note on each beat of its pattern, another in each.
    `idle_clock`: its clock runs while it stands still. `tells_bars`: it tells its position at each
    bar while it plays. `takes_at_once`: a program that comes while it stands still is taken then,
    and not with the next start. `ignores`: it may ignore a change without a word.
    """

    at_once: bool = False
    echoes: bool = False
    names: bool = True
    notes: bool = False
    idle_clock: bool = False
    tells_bars: bool = False
    takes_at_once: bool = True
    ignores: bool = False


@dataclass(frozen=True, slots=True)
class Book:
    """A set: its parts, how early a change is sent (as it is written, and in ticks), the kind."""

    parts: tuple[Part, ...]
    lead: str = "1 beat"
    lead_ticks: int = 24
    kind: Kind = Kind()
    tempo: float | None = 125.0

    @property
    def shared(self) -> bool:
        """Whether two parts have one program: then a part is known by its pattern only."""
        return len({part.program for part in self.parts}) < len(self.parts)

    def part_of(self, program: int) -> int:
        """The number of the first part that is played with this program."""
        return next(n for n, part in enumerate(self.parts, 1) if part.program == program)

    def text(self) -> str:
        """The set list as a musician would write it."""
        takes = "at once" if self.kind.at_once else "pattern end"
        lines = [
            "set: Tidewater",
            "instruments:",
            "  box:",
            "    channel: 10",
            f"    change: {{takes_effect: {takes}, send_before: {self.lead}}}",
            "patterns:",
        ]
        for number, part in enumerate(self.parts, 1):
            steps = part.pass_ticks // SIXTEENTH
            lines += [
                f"  water {number}:",
                f"    length: {steps}",
                f"    phrase: {part.phrase_passes} passes",
            ]
            if self.kind.notes:
                beats = ", ".join(f"{step}: always" for step in range(1, steps + 1, 4))
                note = 36 + part.program
                lines.append(f"    tracks: {{low drum: {{note: {note}, steps: {{{beats}}}}}}}")
        lines += ["songs:", "  - song: Slack water", "    parts:"]
        if self.tempo is not None:
            lines.insert(-1, f"    tempo: {self.tempo:g}")
        for part in self.parts:
            phrases = "" if part.phrases is None else f", phrases: {part.phrases}"
            played = f"pattern: water {self.part_of(part.program)}, program: {part.program + 1}"
            lines.append(f"      - {{{played}{phrases}}}")
        return "\n".join(lines) + "\n"


class Box:
    """One instrument: what it plays, at which tick, and what waits for its pattern's end."""

    __slots__ = (
        "adrift",
        "began",
        "book",
        "by_hand",
        "fresh",
        "ignored_left",
        "ignoring",
        "kept",
        "program",
        "running",
        "settled",
        "song",
        "tick",
        "waiting",
    )

    def __init__(self, book: Book) -> None:
        self.book = book
        self.running = False
        self.program = book.parts[0].program
        # The latest tick of its pattern since that began, -1 before the first.
        self.tick = -1
        # The latest tick since the start, and the one at which the pattern began.
        self.song = -1
        self.began = 0
        # Whether the next tick comes from a start or a position and ends no pass.
        self.fresh = True
        self.waiting: int | None = None
        self.by_hand = False
        # Whether what waits came while it stood still: then the next start takes it.
        # And whether it has outlived a stop: then it outlives the next one, too.
        self.settled = self.kept = False
        # Moved to before its pattern began: what it plays there is its own affair.
        self.adrift = False
        # A change that it ignored without a word: to end its pass, then ticks until it has shown.
        self.ignoring = False
        self.ignored_left = 0

    @property
    def pass_ticks(self) -> int:
        """Ticks of a pass of the pattern that it plays."""
        return self.book.parts[self.book.part_of(self.program) - 1].pass_ticks

    @property
    def _showing(self) -> int:
        """Ticks in which a change that was ignored shows: a pass for a word, two for notes."""
        return self.pass_ticks * (2 if self.book.kind.notes else 1) + 1

    @property
    def left(self) -> int:
        """Ticks to the end of the running pass; its whole length before its first tick."""
        if self.fresh:
            return self.pass_ticks - (self.tick + 1) % self.pass_ticks
        return self.pass_ticks - self.tick % self.pass_ticks

    @property
    def state(self) -> tuple[object, ...]:
        """All that it is."""
        return tuple(getattr(self, name) for name in self.__slots__ if name != "book")

    # -- what it does with time ----------------------------------------------------------------

    def clock(self) -> list[bytes]:
        """Play one tick; returns what it sends with it."""
        sent: list[bytes] = []
        self.tick += 1
        self.song += 1
        length = self.pass_ticks
        ends = not self.fresh and self.tick % length == 0
        self.fresh = False
        shows = False
        if self.ignored_left:
            self.ignored_left -= 1
            shows = self.ignored_left == length // 2 and not self.book.kind.notes
        if ends and self.ignoring:
            self.ignoring = False
            self.ignored_left = self._showing
        if ends and self.waiting is not None:
            self._take(self.waiting, 0)
        kind = self.book.kind
        if kind.tells_bars and self.song and self.song % (4 * BEAT) == 0:
            sent.append(position(self.song // SIXTEENTH))
        sent.append(CLOCK)
        if shows:
            sent.append(self.says())
            # It is heard after this tick, and nobody can know before.
            self.ignored_left = 1
        if kind.notes and not self.adrift and self.tick % BEAT == 0:
            note = 36 + self.program
            sent += [bytes((NOTE_ON | CHANNEL, note, 100)), bytes((NOTE_OFF | CHANNEL, note, 0))]
        return sent

    def skip(self, ticks: int) -> None:
        """Play so many ticks that nobody hears, by division and not one by one.

        The time in which a change that was ignored has to show stands still meanwhile.
        """
        while ticks > 0:
            left = self.ignored_left
            turns = self.fresh or self.ignoring or self.waiting is not None
            step = min(ticks, 1 if self.fresh else self.left) if turns else ticks
            self.tick += step - 1
            self.song += step - 1
            ignoring = self.ignoring
            self.clock()
            self.ignored_left = self.ignored_left if ignoring and not self.ignoring else left
            ticks -= step

    # -- what is done to it --------------------------------------------------------------------

    def start(self, how: str = "takes") -> bytes:
        """Play from the top; what waits is taken, or dropped (`how`)."""
        if self.waiting is not None:
            if how == "takes":
                self._take(self.waiting, -1)
            self._forget()
        self.running = True
        self.tick = self.song = -1
        self.began = 0
        self.fresh = True
        # A change that was ignored has the first pass to show it, as it would after its boundary.
        self.ignored_left = self._showing if self.ignoring or self.ignored_left else 0
        self.adrift = self.ignoring = False
        return START

    def stop(self, how: str = "keeps") -> bytes:
        """Stand still; what waits goes on waiting, is taken or dropped (`how`)."""
        self.running = False
        if self.waiting is not None and how != "keeps":
            waiting, self.waiting = self.waiting, None
            if how == "takes":
                self._take(waiting, -1)
        self.kept = self.waiting is not None
        return STOP

    def go_on(self) -> bytes:
        """Play on from where it stands."""
        self.running = True
        return CONTINUE

    def locate(self, sixteenths: int) -> bytes:
        """Move to a song position, counted from the last start."""
        target = SIXTEENTH * sixteenths
        self.song = target - 1
        self.adrift = target < self.began
        self.tick = max(target - self.began, 0) - 1
        self.fresh = True
        return position(sixteenths)

    def choose(self, program: int) -> list[bytes]:
        """A hand chooses a pattern on it; the running one takes back what waits."""
        if program == self.program:
            self._forget()
        elif self.waiting != program or not self.running:
            self._receive(program, by_hand=True)
        return [program_change(program)] if self.book.kind.names else []

    def told(self, program: int, part_of_tick: float = 0.0) -> list[bytes]:
        """A program change comes by cable, `part_of_tick` after the latest tick."""
        if program != self.program or self.waiting is not None:
            self._receive(program, by_hand=False, next_tick=part_of_tick > 0.5)
        return [program_change(program)] if self.book.kind.echoes else []

    def ignore(self) -> None:
        """It turns out that it has ignored what it was told, without a word."""
        self.waiting = None
        self.ignoring = True

    def says(self) -> bytes:
        """It says that it stays on what it plays: what waited does so no longer."""
        self._forget()
        self.ignoring = False
        self.ignored_left = 0
        return program_change(self.program)

    def _forget(self) -> None:
        """Nothing waits any more."""
        self.waiting = None
        self.by_hand = self.settled = self.kept = False

    def _receive(self, program: int, *, by_hand: bool, next_tick: bool = False) -> None:
        kind = self.book.kind
        if not (kind.at_once if self.running else kind.takes_at_once):
            self.waiting, self.by_hand, self.kept = program, by_hand, False
            self.settled = not self.running
            return
        self._take(program, -1 if next_tick or not self.running or self.tick < 0 else 0)

    def _take(self, program: int, tick: int) -> None:
        """Begin another pattern, at the latest tick (0) or with the next one (-1)."""
        self._forget()
        self.program = program
        self.tick = tick
        self.began = self.song - tick
        self.fresh = tick < 0
        self.adrift = False


def position(sixteenths: int) -> bytes:
    """A song position (MIDI 1.0, from memory)."""
    return bytes((POSITION, sixteenths & 0x7F, sixteenths >> 7))


def program_change(program: int) -> bytes:
    """A program change of the box."""
    return bytes((PROGRAM | CHANNEL, program))


class NextChange(Protocol):
    """When the next change is due, and to which part."""

    ticks: int
    part: int


class Status(Protocol):
    """What a follower says of itself, as far as the judge reads it."""

    state: str
    sure: bool
    doubt: str
    part: int
    tick: int
    next_change: NextChange | None


class Judge:
    """Holds what a follower says and sends against what the box does. Its charges are words."""

    __slots__ = (
        "before",
        "box",
        "counted",
        "doubtful_wishes",
        "heard",
        "playing",
        "unheard",
        "wishes",
    )

    def __init__(self, box: Box) -> None:
        self.box = box
        # Program and tick as they were when the latest tick was heard; ticks played since.
        self.heard = (box.program, box.tick)
        # The latest place in the pattern before.
        self.before = (box.program, box.tick)
        self.unheard = 0
        # What was wished for and has not come yet; whether something has made that unclear; whether
        # something was said of the count meanwhile.
        self.playing = box.program
        self.wishes: list[str] = []
        self.doubtful_wishes = self.counted = False

    def hears(self) -> None:
        """The follower has heard the box to the end."""
        if self.heard[0] != self.box.program:
            self.before = self.heard
        self.heard = (self.box.program, self.box.tick)
        self.unheard = 0

    def wished(self, words: str, *, sure: bool) -> None:
        """The performer has wished for something, of a follower that was sure or not."""
        self._turn()
        goes = words in ("next", "next pass", "now") or words[:4] == "part"
        self.counted |= words.split()[0] in ("align", "confirm", "nudge")
        back = words == "undo"
        # Where it leads depends on what is shown, and on what else is under way.
        unclear = not sure or self.box.by_hand or (back and len(self.wishes) > 1)
        self.doubtful_wishes |= unclear or (goes and any(wish != "stay" for wish in self.wishes))
        if back and self.counted:
            # What is undone may be what was said of the count.
            self.doubtful_wishes = True
        elif back:
            del self.wishes[-1:]
        elif words == "stay" and (not self.box.running or self._too_late):
            # There is nothing to stay in, or it is too late to: that is said, and nothing done.
            self.doubtful_wishes = True
        elif goes or words == "stay":
            self.wishes.append(words)

    @property
    def _too_late(self) -> bool:
        """Whether a change is out; it may be so from the tick before a boundary on."""
        return self.box.waiting is not None or (self.box.book.kind.at_once and self.box.left <= 1)

    def _turn(self) -> None:
        """With another pattern, what was wished for is done."""
        if self.playing != self.box.program:
            self.playing = self.box.program
            # What was unclear may be under way still.
            self.doubtful_wishes = self.doubtful_wishes and bool(self.wishes)
            self.wishes.clear()
            self.counted = False

    def says(self, status: Status, *, silent_ticks: float = 0.0) -> str | None:
        """Judge what the follower says, that has been told what time it is.

        `silent_ticks`: for how long it has heard no tick, less what its looks take.
        """
        if not status.sure:
            return None
        box = self.box
        state = status.state
        shown = f"part {status.part}, tick {status.tick}, sure"
        if state == "stopped":
            if box.running:
                return f"shows stopped, sure, while the box plays {self._plays()}"
            programs = {box.program} if box.waiting is None else {box.program, box.waiting}
            if box.ignoring or box.ignored_left or self._shows(status.part, programs):
                return None
            return f"shows {shown}; the box is on {self._plays()}"
        if state != "running":
            return None
        if not box.running:
            return f"shows running, sure, while the box stands still in {self._plays()}"
        if silent_ticks > SILENT_TICKS:
            return f"{silent_ticks:.1f} ticks of silence, and shows running, sure"
        if box.ignored_left:
            # It has ignored a change and not shown it yet: nobody can know.
            return None
        if box.adrift and not self.unheard:
            return f"shows {shown}; the box was moved to before its pattern began"
        # What is shown is of the tick last heard; since then the box may have gone on.
        for program, tick in (self.heard, (box.program, box.tick)):
            off = abs(status.tick - max(tick, 0))
            if box.book.shared:
                length = box.book.parts[box.book.part_of(program) - 1].pass_ticks
                off = min(off % length, -off % length)
                if box.book.kind.at_once:
                    # Told the program that it plays, it may begin anew, or not.
                    off = 0
            if self._shows(status.part, {program}) and off <= 1:
                return None
        # A tick off across the end of a pattern.
        ahead = box.waiting is not None and box.left == 1 and status.tick == 0
        behind = box.tick <= 0 and status.tick == self.before[1]
        if ahead and box.waiting is not None and self._shows(status.part, {box.waiting}):
            return None
        if behind and self._shows(status.part, {self.before[0]}):
            return None
        return f"shows {shown}; the box plays {self._plays()}"

    def sent(self, program: int, *, armed: bool) -> str | None:
        """Judge a program change that leaves, before the box has it.

        It may leave in doubt: what counts is that it is asked for and lands in its window.
        """
        self._turn()
        box = self.box
        part = f"part {box.book.part_of(program)}"
        if not armed:
            return f"sends {part} while disarmed"
        named = not box.running and self.wishes[-1:] == [part]
        again = self.wishes[-2:-1] == [part] or not named
        if box.waiting == program and not box.by_hand and again:
            return f"sends {part} twice"
        if box.book.shared or named:
            # Asked for by name: what the box stands on it may not have said.
            return None
        if box.program == program and box.waiting is None and not box.ignoring:
            return f"sends {part}, which the box plays already"
        if not box.running or box.adrift or box.ignoring or box.ignored_left:
            return None
        return self._due(program, part)

    def _due(self, program: int, part: str) -> str | None:
        """Whether a running box is told what was asked for, in the right pass, in time."""
        box, book = self.box, self.box.book
        number = book.part_of(box.program)
        running = book.parts[number - 1]
        goal = book.part_of(program)
        goes = [wish for wish in self.wishes if wish != "stay"]
        asked = any(
            wish == f"part {goal}" or (wish[:4] != "part" and goal == number + 1) for wish in goes
        )
        stays = self.wishes.count("stay") % 2 == 1
        planned = goal == number + 1 and running.phrases is not None and not stays
        if not asked and not planned and not self.doubtful_wishes:
            return f"sends {part} unasked, in part {number}"
        any_pass = self.doubtful_wishes or any(wish in ("now", "next pass") for wish in goes)
        left = box.left
        place = f"{left} ticks before the end of a pass that ends at {box.tick + left}"
        if book.kind.at_once:
            # Told on the boundary or a moment before it: the box has just begun another pass.
            since = box.tick % running.pass_ticks
            if any_pass or min(since, left) <= max(book.lead_ticks, BEAT // 8):
                return None
            return f"sends {part} {place}"
        end = (box.tick if not box.fresh else box.tick + 1) + left
        unit = running.pass_ticks if any_pass else running.phrase_ticks
        if end % unit:
            return f"sends {part} in the wrong pass, {place}"
        planned_end = None if running.phrases is None else running.phrases * unit
        if not asked and not any_pass and planned_end is not None and end < planned_end:
            return f"sends {part} in the wrong phrase, {place}"
        if 2 * (left + 1) < min(book.lead_ticks, running.pass_ticks):
            return f"sends {part} late, {place}"
        if not asked and left > book.lead_ticks + 1:
            return f"sends {part} early, {place}"
        return None

    def _shows(self, part: int, programs: set[int]) -> bool:
        parts = self.box.book.parts
        return 1 <= part <= len(parts) and parts[part - 1].program in programs

    def _plays(self) -> str:
        box = self.box
        waits = "" if box.waiting is None else f", part {box.book.part_of(box.waiting)} waits"
        return f"part {box.book.part_of(box.program)}, tick {box.tick}{waits}"
