"""`companion doctor`: what there is here to play with, measured, and what to do about the rest.

In the order of the findings: the MIDI system, its ports, who sends clock and how well, the
transport, whether a program change comes back, the machine (how late it wakes, power, terminal),
and with a set the soundcheck: each instrument's port, and its lead against what was measured.
Nothing is sent unless that is asked for.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import click

from companion.cli import exits
from companion.cli.saying import say, say_json
from companion.counting import TICKS_PER_QUARTER
from companion.engine.ports import Input, MidiSystem, PortError
from companion.engine.sending import told
from companion.follow.count import Count
from companion.follow.portnames import choose_output, device, matches
from companion.link.endpoint import NoEngine, find_endpoint
from companion.link.messages import LinkError
from companion.midi import CLOCK, CONTINUE, PROGRAM_CHANGE, START, STOP, program_change
from companion.setlist import USUAL_TEMPO, Instrument, SetList, SetListError, Unit

GOOD, ADVICE, FAULT = "good", "advice", "fault"
# A clock that is silent for so long has paused: at 20 beats a minute one comes every 125 ms.
PAUSE_NS = 500_000_000
# Two beats: by then the tempo is known.
FEW = 48
# USB adds about a millisecond of jitter, a busy DIN line several (common practice, no source).
MUCH_JITTER_MS = 3.0
# How far the clock's jitter is reckoned with: four standard deviations.
SIGMAS = 4.0
# An instrument's answer takes a few milliseconds on any cable; in this time it has come.
ECHO_S = 1.0
# Waking later than this is more than a cable's own jitter.
LATE_MS = 2.0
# The stage screen is made for these and more; docs/seeing.md.
LEAST_COLUMNS, LEAST_ROWS = 40, 12
# A quarter of a tick at 120 beats a minute; a JACK period of 256 frames at 48 kHz is just below.
MUCH_BLOCK_MS = 5.4
SHORTER = "give JACK shorter periods: jack_bufsize 256, or -p 256 where jackd is started"
BLOCKS = "█▀▄▌▐│·"
# Where a finding's text begins, behind its level and its kind.
ABOUT_AT = 19
INSTALL = (
    "Linux: ALSA is there with any sound card; else install JACK (Debian: apt install jackd2) and "
    "start it; macOS and Windows have MIDI built in; then plug the instrument in"
)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at: how it is, and what to do about it ("" if nothing)."""

    kind: str
    level: str
    about: str
    text: str
    do: str = ""
    measured: dict[str, Any] = field(default_factory=dict)

    def as_object(self) -> dict[str, Any]:
        """The finding as JSON has it."""
        return {
            "kind": self.kind,
            "level": self.level,
            "about": self.about,
            "text": self.text,
            "do": self.do,
            "measured": self.measured,
        }


@dataclass(frozen=True, slots=True)
class InputHeard:
    """What one input told while it was listened to: (time in ns, message), in order."""

    port: str
    messages: tuple[tuple[int, tuple[int, ...]], ...]

    def times(self, *statuses: int) -> list[int]:
        """When messages of these kinds came."""
        return [t for t, message in self.messages if message[0] in statuses]


@dataclass(frozen=True, slots=True)
class ClockHeard:
    """A clock as measured: `jitter_ms` a standard deviation, `lost` and `doubled` in ticks.

    `coarse_ms` is how long the blocks are in which it comes, if they are too long to count it.
    """

    port: str
    clocks: int
    bpm: float
    jitter_ms: float
    lost: int
    doubled: int
    pauses: int
    coarse_ms: float = 0.0

    def as_object(self) -> dict[str, Any]:
        """What was measured, as JSON has it."""
        return {
            "bpm": round(self.bpm, 2) if self.bpm else None,
            "jitter_ms": round(self.jitter_ms, 3) if self.bpm else None,
            "lost": self.lost,
            "doubled": self.doubled,
            "clocks": self.clocks,
            "pauses": self.pauses,
        }


def doctor(
    set_file: Path | None,
    *,
    api: str | None,
    in_glob: str | None,
    seconds: float,
    send: bool,
    as_json: bool,
) -> None:
    """Look at everything and say what was found; status 1 if something is missing."""
    findings = list(_look(set_file, api, in_glob, seconds, send))
    missing = [each for each in findings if each.level == FAULT]
    if as_json:
        found = [each.as_object() for each in findings]
        say_json({"version": 1, "ready": not missing, "findings": found})
    else:
        for each in findings:
            say(*_lines(each), below=ABOUT_AT)
        say(f"not ready: {len(missing)} of these to mend first" if missing else "ready")
    if missing:
        raise click.exceptions.Exit(exits.FAULT)


def _lines(finding: Finding) -> list[str]:
    level = finding.level.upper() if finding.level == FAULT else finding.level
    about = f"{finding.about}: " if finding.about else ""
    lines = [f"{level:<8}{finding.kind:<11}{about}{finding.text}"]
    if finding.do:
        lines.append(f"{'':<{ABOUT_AT}}do: {finding.do}")
    return lines


def _look(
    set_file: Path | None, api: str | None, in_glob: str | None, seconds: float, send: bool
) -> Iterator[Finding]:
    setlist, of_the_set = None, None
    if set_file is not None:
        setlist, of_the_set = _read(set_file)
    clocks: list[ClockHeard] = []
    outputs: list[str] = []
    inputs: list[str] = []
    try:
        system = MidiSystem(api)
    except PortError as error:
        yield Finding("midi", FAULT, "", str(error), INSTALL)
    else:
        yield _answers(system)
        try:
            inputs, outputs = system.inputs(), system.outputs()
            heard: list[InputHeard] = []
            yield from _ports(inputs, outputs, in_glob)
            yield from _listen(system, inputs, in_glob, seconds, heard)
            clocks = [found for each in heard if (found := measured(each, system.block_ms)).clocks]
            yield from _clocks(clocks, heard)
            yield from _transport(heard)
            yield from _changes(system, setlist, heard, send)
        except PortError as error:
            yield Finding("midi", FAULT, system.api, str(error), "start it again")
        finally:
            system.close()
    late = _wakes(realtime=False)
    yield _realtime(late)
    yield from _power()
    yield from _terminal()
    if of_the_set is not None:
        yield of_the_set
    if setlist is not None:
        yield from _soundcheck(setlist, inputs, outputs, clocks, late or LATE_MS)


# -- ports and clocks ------------------------------------------------------------------------------


def _answers(system: MidiSystem) -> Finding:
    """That the MIDI system answers, and how coarse its times are."""
    found = {"block_ms": round(system.block_ms, 2)}
    text = "this MIDI system answers"
    if system.block_ms:
        text += f", and hands messages on in blocks of {system.block_ms:.1f} ms"
    if system.block_ms <= MUCH_BLOCK_MS:
        return Finding("midi", GOOD, system.api, text, "", found)
    return Finding("midi", ADVICE, system.api, text, SHORTER, found)


def _ports(inputs: list[str], outputs: list[str], in_glob: str | None) -> Iterator[Finding]:
    for name in inputs:
        yield Finding("port", GOOD, name, "can be listened to")
    for name in outputs:
        yield Finding("port", GOOD, name, "can be sent to")
    if not inputs:
        yield Finding(
            "port",
            FAULT,
            "",
            "no MIDI input is there",
            "plug the instrument in, switch it on, and look at its cable; companion ports lists it",
        )
    elif in_glob is not None and not any(matches(in_glob, name) for name in inputs):
        text = "no MIDI input matches --in"
        yield Finding("port", FAULT, in_glob, text, "see the ports above; * stands for anything")


def _listen(
    system: MidiSystem,
    names: Sequence[str],
    in_glob: str | None,
    seconds: float,
    heard: list[InputHeard],
) -> Iterator[Finding]:
    """Listen to all inputs for so long, into `heard`; finds those that cannot be opened."""
    opened: list[tuple[Input, list[tuple[int, tuple[int, ...]]]]] = []
    system.prepare(len(names), 0)
    try:
        for name in names:
            if in_glob is not None and not matches(in_glob, name):
                continue
            came: list[tuple[int, tuple[int, ...]]] = []

            def hear(
                _: str,
                t_ns: int,
                message: Sequence[int],
                came: list[tuple[int, tuple[int, ...]]] = came,
            ) -> None:
                if message:
                    came.append((t_ns, tuple(message)))

            try:
                opened.append((system.open_input(name, hear), came))
            except PortError as error:
                do = "close the program that holds it; some systems let one at a time have a port"
                yield Finding("port", FAULT, name, str(error), do)
        if opened and sys.stderr.isatty():
            say(
                f"Listening for {seconds:g} s: press play on the instrument, and stop.",
                err=True,
            )
        if opened:
            time.sleep(seconds)
    finally:
        for port, _ in opened:
            port.close()
    heard += [InputHeard(port.name, tuple(came)) for port, came in opened]


def measured(heard: InputHeard, block_ms: float = 0.0) -> ClockHeard:
    """The clock in what one port told: by the count that the engine keeps, stretch by stretch.

    `block_ms` is how long the blocks are in which the MIDI system hands messages on.
    """
    times = heard.times(CLOCK)
    stretches: list[list[int]] = [[]]
    for before, t_ns in zip([None, *times], times, strict=False):
        if before is not None and t_ns - before > PAUSE_NS:
            stretches.append([])
        stretches[-1].append(t_ns)
    lost = doubled = 0
    longest = Count()
    most = 0
    for stretch in stretches:
        count = Count()
        count.comes_in_blocks(block_ms)
        for t_ns in stretch:
            count.hear(t_ns)
        if len(stretch) >= FEW:
            # As many as were sent between the first and the last, less those that were heard.
            missing = count.ticks - (len(stretch) - 1)
            lost += max(0, missing)
            doubled += max(0, -missing)
        if len(stretch) > most:
            most, longest = len(stretch), count
    known = most >= FEW
    return ClockHeard(
        heard.port,
        len(times),
        longest.bpm if known else 0.0,
        longest.jitter_ms if known else 0.0,
        lost,
        doubled,
        len(stretches) - 1,
        longest.coarse_ms if known else 0.0,
    )


def _clocks(clocks: Sequence[ClockHeard], heard: Sequence[InputHeard]) -> Iterator[Finding]:
    if heard and not clocks:
        yield Finding(
            "clock",
            FAULT,
            "",
            "no port sends clock",
            "set the instrument to send MIDI clock and transport, press play on it, and run this "
            "again",
        )
    for clock in clocks:
        found = clock.as_object()
        if not clock.bpm:
            text = f"sent {clock.clocks} clocks, too few to measure"
            yield Finding("clock", ADVICE, clock.port, text, "listen longer: --seconds 10", found)
            continue
        if clock.coarse_ms:
            text = f"comes in blocks of {clock.coarse_ms:.0f} ms, too long to count ticks by"
            yield Finding("clock", FAULT, clock.port, text, SHORTER, found)
            continue
        text = f"sends clock at {clock.bpm:.1f}, jitter {clock.jitter_ms:.2f} ms, {clock.lost} lost"
        wrong = []
        if clock.doubled:
            text += f", {clock.doubled} came twice"
            wrong.append("ticks come twice: see that its clock reaches this by one cable only")
        if clock.lost:
            wrong.append("ticks go missing: try another cable or USB port, and no hub")
        if clock.jitter_ms > MUCH_JITTER_MS:
            wrong.append("it is unsteady: plug it in directly, and send less else on its cable")
        level = ADVICE if wrong else GOOD
        yield Finding("clock", level, clock.port, text, "; ".join(wrong), found)
    if len(clocks) > 1:
        names = ", ".join(each.port for each in clocks)
        yield Finding(
            "clock",
            ADVICE,
            names,
            "more than one clock is about: the first that is heard is followed",
            "say in the set whose it is: `clock: {from: NAME}`, or start with --in",
        )


def _transport(heard: Sequence[InputHeard]) -> Iterator[Finding]:
    """Whether a clock stops with its transport, as far as somebody pressed play and stop."""
    clocked = [each for each in heard if each.times(CLOCK)]
    for each in clocked:
        starts, stops = each.times(START, CONTINUE), each.times(STOP)
        ticks = each.times(CLOCK)
        found: dict[str, Any] = {"starts": len(starts), "stops": len(stops)}
        if not starts and not stops:
            yield Finding(
                "transport",
                ADVICE,
                each.port,
                "sent neither start nor stop while this listened",
                "press play and stop on it while this runs; if nothing comes, switch its transport "
                "on",
                found,
            )
            continue
        goes_on = _while_stopped(each)
        found["clock_while_stopped"] = goes_on
        text = {
            True: "sends start and stop, and clock while stopped",
            False: "sends start and stop; its clock stops with it",
            None: "sends start" if starts else "sends stop",
        }[goes_on]
        if goes_on is None and starts and ticks[0] < starts[0] - PAUSE_NS:
            text += ", and clock before it"
        yield Finding("transport", GOOD, each.port, text, "", found)


def _while_stopped(heard: InputHeard) -> bool | None:
    """Whether clocks came in the second after a stop; None if that was not to be seen."""
    end = max((t for t, _ in heard.messages), default=0)
    for stop in heard.times(STOP):
        after = [t for t in heard.times(CLOCK, START, CONTINUE) if t > stop]
        ticks = [t for t in heard.times(CLOCK) if t > stop]
        starts = [t for t in heard.times(START, CONTINUE) if t > stop]
        until = min(starts, default=stop + 2 * PAUSE_NS)
        if len([t for t in ticks if t < until]) > 2:
            return True
        if not after or until > stop + PAUSE_NS or end > stop + PAUSE_NS:
            return False
    return None


# -- what comes back -------------------------------------------------------------------------------


def _changes(
    system: MidiSystem, setlist: SetList | None, heard: Sequence[InputHeard], send: bool
) -> Iterator[Finding]:
    for each in heard:
        programs = [m[1] for _, m in each.messages if m[0] & 0xF0 == PROGRAM_CHANGE and len(m) > 1]
        if programs:
            text = "tells its own pattern changes: the set moves along with them"
            yield Finding("change", GOOD, each.port, text, "", {"heard": len(programs)})
    if not send:
        do = "with a set, add --send: each instrument gets its first program, and may change"
        yield Finding("change", ADVICE, "", "no program change was sent to see what comes back", do)
    elif setlist is None:
        text = "no program change was sent: nobody says which"
        yield Finding("change", ADVICE, "", text, "name a set: its first programs are sent")
    elif _engine_runs():
        text = "no program change was sent: an engine is running, and may be on stage"
        yield Finding("change", ADVICE, "", text, "end it first: companion stop")
    else:
        for name in told(setlist):
            yield _echo(system, setlist, setlist.instruments[name])


def _engine_runs() -> bool:
    try:
        find_endpoint()
    except NoEngine:
        return False
    except LinkError:
        return True
    return True


def _echo(system: MidiSystem, setlist: SetList, instrument: Instrument) -> Finding:
    """Send the instrument its first program, and hear whether it says so itself."""
    change = next(
        (c for part in setlist.parts for c in part.changes if c.instrument == instrument.name),
        None,
    )
    output = choose_output(system.outputs(), instrument.port, None, None)
    if change is None or output is None:
        return Finding("change", ADVICE, instrument.name, "no program to send, or nowhere to")
    shown = instrument.shown(change.program)
    wanted = PROGRAM_CHANGE | instrument.channel, change.program
    came: list[int] = []

    def hear(_: str, t_ns: int, message: Sequence[int]) -> None:
        if tuple(message[:2]) == wanted:
            came.append(t_ns)

    names = [name for name in system.inputs() if device(name) == device(output)]
    names = names or [n for n in system.inputs() if instrument.port and matches(instrument.port, n)]
    opened: list[Input] = []
    try:
        for name in names:
            with contextlib.suppress(PortError):
                opened.append(system.open_input(name, hear))
        port = system.open_output(output)
        try:
            # A port that was connected just now takes a moment to be so.
            time.sleep(0.1)
            sent_ns = time.monotonic_ns()
            for message in program_change(instrument.channel, change.program, change.bank):
                port.send(message)
            deadline = time.monotonic() + ECHO_S
            while not came and time.monotonic() < deadline:
                time.sleep(0.005)
            time.sleep(0.02)
        finally:
            port.close()
    except PortError as error:
        return Finding("change", FAULT, instrument.name, str(error), "see companion ports")
    finally:
        for each in opened:
            each.close()
    if not came:
        text = f"program {shown} was sent to {output}; nothing came back"
        do = "look whether it shows that program now; if not, let it receive program changes"
        return Finding("change", ADVICE, instrument.name, text, do, {"echo_ms": None})
    took = (came[0] - sent_ns) / 1e6
    text = f"program {shown} was sent to {output}, and came back after {took:.1f} ms"
    return Finding("change", GOOD, instrument.name, text, "", {"echo_ms": round(took, 2)})


# -- the machine -----------------------------------------------------------------------------------

# Runs in a process of its own: how much later than asked for it is woken, a few hundred times.
_WAKING = """
import os, sys, time
if sys.argv[1] == "1":
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(20))
late = []
for _ in range(400):
    t = time.monotonic_ns() + 1_000_000
    time.sleep(0.001)
    late.append(time.monotonic_ns() - t)
late.sort()
print(late[int(len(late) * 0.99)] / 1e6)
"""


def _wakes(realtime: bool) -> float | None:
    """How late this machine wakes a program, 99 of 100 times, in ms; None where it will not say."""
    try:
        done = subprocess.run(
            [sys.executable, "-c", _WAKING, "1" if realtime else "0"],
            capture_output=True,
            text=True,
            timeout=20,
            check=True,
        )
        return float(done.stdout)
    except (OSError, ValueError, subprocess.SubprocessError):
        return None


def _realtime(usual: float | None) -> Finding:
    found: dict[str, Any] = {"late_ms": None if usual is None else round(usual, 3)}
    if usual is None:
        return Finding("realtime", ADVICE, "", "how late this machine wakes could not be measured")
    found["late_ms_realtime"] = None
    if not hasattr(os, "sched_setscheduler"):
        text = f"the engine is woken {usual:.2f} ms late at most, 99 of 100 times"
        return Finding("realtime", GOOD if usual < LATE_MS else ADVICE, "", text, "", found)
    better = _wakes(realtime=True)
    text = f"the engine runs at ordinary priority: woken {usual:.2f} ms late, 99 of 100 times"
    level = GOOD if usual < LATE_MS else ADVICE
    if better is None:
        text += "; real-time priority is not allowed here"
        do = "" if level == GOOD else "close other programs; or allow it"
        if do:
            do += ": `@audio - rtprio 80` in /etc/security/limits.d/audio.conf, and log in again"
        return Finding("realtime", level, "", text, do, found)
    found["late_ms_realtime"] = round(better, 3)
    text += f"; at real-time priority {better:.2f} ms"
    do = ""
    if level == ADVICE:
        do = "close other programs"
        if better < usual / 2:
            do += ", or start it with: chrt -f 20 companion play SET"
    return Finding("realtime", level, "", text, do, found)


def _power() -> Iterator[Finding]:
    yield _battery()
    awake = {
        "linux": ("systemd-inhibit", "systemd-inhibit --what=sleep:idle companion play SET"),
        "darwin": ("caffeinate", "caffeinate -i companion play SET"),
    }.get(sys.platform)
    if awake is None:
        do = "choose a power plan that never sleeps before you play"
        yield Finding(
            "power", ADVICE, "sleep", "whether this machine falls asleep is not known", do
        )
    elif shutil.which(awake[0]) is None or (
        # sd_booted(3), from memory: the folder is there where systemd runs the machine.
        sys.platform == "linux" and not Path("/run/systemd/system").exists()
    ):
        yield Finding("power", GOOD, "sleep", "nothing is installed here that puts it to sleep")
    else:
        text = "this machine may fall asleep when nobody touches it"
        yield Finding("power", ADVICE, "sleep", text, f"start it with: {awake[1]}")


def _battery() -> Finding:
    """Whether the machine runs on its battery, as Linux tells it in /sys/class/power_supply."""
    supplies = Path("/sys/class/power_supply")
    charge: list[int] = []
    on_battery = False
    with contextlib.suppress(OSError):
        for supply in sorted(supplies.iterdir()):
            with contextlib.suppress(OSError, ValueError):
                if (supply / "type").read_text().strip() != "Battery":
                    continue
                if (supply / "scope").exists() and (supply / "scope").read_text().strip() == (
                    "Device"
                ):
                    # A mouse's.
                    continue
                on_battery |= (supply / "status").read_text().strip() == "Discharging"
                charge.append(int((supply / "capacity").read_text()))
    if sys.platform != "linux":
        text = "whether it runs on its battery is not looked at on this system"
        return Finding("power", ADVICE, "battery", text, "plug it in")
    if not charge:
        return Finding("power", GOOD, "battery", "runs on mains: there is no battery")
    found = {"percent": min(charge)}
    if on_battery:
        text = f"runs on its battery, {min(charge)}% left"
        return Finding("power", ADVICE, "battery", text, "plug it in", found)
    return Finding("power", GOOD, "battery", f"plugged in, battery at {min(charge)}%", "", found)


def _terminal() -> Iterator[Finding]:
    ends = [stream for stream in (sys.stdout, sys.stderr, sys.stdin) if stream and stream.isatty()]
    if not ends:
        text = "this runs in no terminal, so its size, colours and letters were not looked at"
        yield Finding("terminal", ADVICE, "", text, "run it in the terminal that you play in")
        return
    columns, rows = os.get_terminal_size(ends[0].fileno())
    colours = _colours(os.environ)
    wide = _columns_of(BLOCKS)
    found = {"columns": columns, "rows": rows, "colours": colours, "block_columns": wide}
    wrong = []
    if columns < LEAST_COLUMNS or rows < LEAST_ROWS:
        wrong.append(f"make it at least {LEAST_COLUMNS} by {LEAST_ROWS}")
    if colours < 256:
        wrong.append("use a terminal with 256 colours or more")
    if wide is not None and wide != len(BLOCKS):
        wrong.append("choose a font whose block characters are one column wide each")
    text = f"{columns} columns, {rows} rows, {colours} colours"
    if wide is not None:
        text += f", blocks {'one column wide' if wide == len(BLOCKS) else 'of other widths'}"
    yield Finding("terminal", ADVICE if wrong else GOOD, "", text, "; ".join(wrong), found)


def _colours(environment: Any) -> int:
    """How many colours the terminal says that it has (COLORTERM, TERM: common practice)."""
    if environment.get("COLORTERM", "").lower() in ("truecolor", "24bit"):
        return 1 << 24
    term = environment.get("TERM", "")
    if "256color" in term:
        return 256
    return 0 if term in ("", "dumb") else 8


def _columns_of(text: str) -> int | None:
    """How many columns the terminal gives a text, asked where its cursor is (ECMA-48, CPR)."""
    if sys.platform == "win32":
        return None
    import re
    import select
    import termios
    import tty

    try:
        end = os.open("/dev/tty", os.O_RDWR | os.O_NOCTTY)
    except OSError:
        return None
    try:
        saved = termios.tcgetattr(end)
        try:
            tty.setcbreak(end)
            os.write(end, b"\r" + text.encode() + b"\x1b[6n")
            answer = b""
            while select.select([end], [], [], 0.5)[0]:
                answer += os.read(end, 64)
                if b"R" in answer:
                    break
            os.write(end, b"\r\x1b[K")
        finally:
            termios.tcsetattr(end, termios.TCSANOW, saved)
    except (OSError, termios.error):
        return None
    finally:
        os.close(end)
    match = re.search(rb"\x1b\[\d+;(\d+)R", answer)
    return None if match is None else int(match[1]) - 1


# -- the soundcheck --------------------------------------------------------------------------------


def _read(set_file: Path) -> tuple[SetList | None, Finding]:
    from companion.setlist.reading import read_set_list

    try:
        setlist = read_set_list(set_file)
    except SetListError as error:
        more = f", and {len(error.lines) - 1} more" if len(error.lines) > 1 else ""
        do = f"see them all: companion check {set_file}"
        return None, Finding("set", FAULT, str(set_file), f"{error.lines[0]}{more}", do)
    songs, parts = len(setlist.songs), len(setlist.parts)
    text = f"no faults; {songs} song{'s' * (songs > 1)}, {parts} part{'s' * (parts > 1)}"
    return setlist, Finding("set", GOOD, str(set_file), text)


def _soundcheck(
    setlist: SetList,
    inputs: Sequence[str],
    outputs: Sequence[str],
    clocks: Sequence[ClockHeard],
    late_ms: float,
) -> Iterator[Finding]:
    sent_to = told(setlist)
    for instrument in setlist.instruments.values():
        glob = instrument.port
        output = choose_output(outputs, glob, None, None)
        shown = "any port" if glob is None else f"`port: {glob}`"
        if instrument.name in sent_to:
            several = [name for name in outputs if glob is not None and matches(glob, name)]
            if output is None:
                text = f"no output matches {shown}: nothing can be sent to it"
                do = "plug it in, or change `port:` in the set; companion ports lists what there is"
                yield Finding("port", FAULT, instrument.name, text, do)
            elif len(several) > 1:
                text = f"{len(several)} outputs match {shown}; it is sent to {output}"
                do = "write more of the name in `port:` if that is the wrong one"
                yield Finding("port", ADVICE, instrument.name, text, do)
            else:
                yield Finding("port", GOOD, instrument.name, f"is sent to {output}")
        if setlist.clock_from == instrument.name:
            yield _its_clock(instrument, inputs, clocks, shown)
        if instrument.name in sent_to:
            yield _lead(setlist, instrument, clocks, late_ms)


def _its_clock(
    instrument: Instrument, inputs: Sequence[str], clocks: Sequence[ClockHeard], shown: str
) -> Finding:
    heard = [c for c in clocks if instrument.port is None or matches(instrument.port, c.port)]
    if heard:
        return Finding("port", GOOD, instrument.name, f"its clock comes from {heard[0].port}")
    there = [name for name in inputs if instrument.port is None or matches(instrument.port, name)]
    if there:
        text = f"the set follows its clock, and {there[0]} sends none"
        return Finding("port", FAULT, instrument.name, text, "set it to send clock and press play")
    text = f"the set follows its clock, and no input matches {shown}"
    return Finding("port", FAULT, instrument.name, text, "plug it in, or change `port:` in the set")


def _lead(
    setlist: SetList, instrument: Instrument, clocks: Sequence[ClockHeard], late_ms: float
) -> Finding:
    """Whether changes reach the instrument in time, with the jitter that was measured.

    One that waits for its pattern's end must have a change between half its lead and the boundary;
    one that changes at once gets it within an eighth of a beat after the boundary.
    """
    own = [c for c in clocks if instrument.port is not None and matches(instrument.port, c.port)]
    clock = next(iter([c for c in own or clocks if c.bpm]), None)
    parts = [p for p in setlist.parts if any(c.instrument == instrument.name for c in p.changes)]
    tempi = [setlist.songs[p.song].tempo or (clock.bpm if clock else USUAL_TEMPO) for p in parts]
    bpm = max(tempi, default=USUAL_TEMPO)
    tick_ms = 60_000 / (TICKS_PER_QUARTER * bpm)
    if instrument.at_once:
        room_ms = tick_ms * min((p.pattern.meter.beat_ticks for p in parts), default=24) / 8
        lead = "at once"
    else:
        if instrument.lead.unit is Unit.MILLISECONDS:
            lead_ms = float(instrument.lead.count)
        else:
            lead_ms = tick_ms * min((instrument.lead.ticks(p.pattern) for p in parts), default=24)
        room_ms, lead = lead_ms / 2, f"{instrument.lead} ahead"
    if clock is None:
        text = f"changes go out {lead}; without a clock, nobody can say whether that is enough"
        return Finding("set", ADVICE, instrument.name, text, "press play on it and run this again")
    need_ms = SIGMAS * clock.jitter_ms + late_ms
    found = {
        "room_ms": round(room_ms, 2),
        "needed_ms": round(need_ms, 2),
        "jitter_ms": round(clock.jitter_ms, 3),
        "bpm": round(bpm, 2),
    }
    text = (
        f"changes go out {lead}: {room_ms:.0f} ms to spare at tempo {bpm:.4g}, {need_ms:.1f} needed"
    )
    if room_ms > need_ms:
        return Finding("set", GOOD, instrument.name, text, "", found)
    do = (
        "mend the clock's jitter first"
        if instrument.at_once
        else "write a longer `send_before:` for it in the set"
    )
    return Finding("set", FAULT, instrument.name, text, do, found)
