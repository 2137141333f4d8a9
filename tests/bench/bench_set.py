"""A set of ten parts on a computer that is busy besides: what became of each change.

Run: python -m tests.bench.bench_set [--runs 20] [--busy 2] [--lossy]

Each run is a night in small: the drum machine of the tests ticks through JACK's dummy driver,
nobody has real-time priority, the engine not even the niceness that the tests give it, and so many
processes do nothing but count. The machine's own count says at which tick it took each program, and
a look at the engine every twentieth of a second what was said of it meanwhile. A change is on its
boundary where the part before it lasted one phrase; held where that was more, and said where the
engine showed a doubt in that part.
Anything else is wrong: late, twice, unasked, or another part. Where a doubt lasts for more than a
second the player says that what is shown is right, if it is, or else where the one of a phrase is.
With `--lossy` JACK goes on without a client that is late, and what was to arrive then is lost. None
of this is a test.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from companion.link.messages import Snapshot
from tests.midi import jack, players
from tests.midi.players import Machine, Stage, until
from tests.midi.sets import BEAT, DRUMS, PASS, PHRASE

RUNS, BUSY, PARTS, BPM = 20, 2, 10, 150
FIRST_PROGRAM = 11
LOOK_EVERY_S = 0.05
# A doubt that lasts longer is looked into by the player, by these pads.
DOUBTED_S, CONFIRM, ALIGN = 1.0, 63, 72
# A change that never comes is given up after so many phrases.
PATIENCE = 6

SET = (
    DRUMS
    + f"patterns:\n  plank: {{length: {PASS // 6}, phrase: {PHRASE // PASS} passes}}\n"
    + f"songs:\n  - song: Slack water\n    tempo: {BPM}\n    parts:\n"
    + "".join(
        f"      - {{pattern: plank, on: drums, program: {FIRST_PROGRAM + 1 + n}, phrases: 1}}\n"
        for n in range(PARTS)
    )
    + f'controls:\n  - {{press: {{note: {CONFIRM}, port: "*pad*"}}, wish: confirm}}\n'
    + f'  - {{press: {{note: {ALIGN}, port: "*pad*"}}, wish: align phrase}}\n'
)


def play(folder: Path, busy: int, kind: jack.Kind) -> tuple[Counter[str], list[str]]:
    """One run: how many changes were of which kind, and in words what was not in order."""
    with jack.server(kind) as name, contextlib.ExitStack() as leaving:
        stage = Stage(folder, jack.environment(name))
        leaving.callback(stage.close)
        machine = stage.drum("--program", str(FIRST_PROGRAM), "--bpm", str(BPM))
        pad = stage.pad()
        slow, players.haste = players.haste, tuple
        try:
            stage.engine(SET)
        finally:
            players.haste = slow
        for _ in range(busy):
            process = subprocess.Popen([sys.executable, "-c", "while True: pass"])
            leaving.callback(process.kill)
        machine.do("start")
        looks: list[Snapshot] = []
        words, sure_s = 0, time.monotonic()
        longest_s = PARTS * PATIENCE * PHRASE * 60 / BPM / BEAT
        end_s = time.monotonic() + longest_s
        while len(machine.of("took")) < PARTS - 1 and time.monotonic() < end_s:
            with contextlib.suppress(AssertionError):
                before, look, after = machine.where(), stage.look(), machine.where()
                looks.append(look)
                sure_s = time.monotonic() if look.sure else sure_s
                there = before["tick_in_part"] <= look.tick <= after["tick_in_part"]
                right = there and look.part == before["part"] == after["part"]
                if time.monotonic() - sure_s > DOUBTED_S:
                    if not right:
                        until(lambda: machine.where()["tick_in_part"] % PHRASE < 1, "the one")
                    pad.hit(CONFIRM if right else ALIGN)
                    words, sure_s = words + 1, time.monotonic()
            time.sleep(LOOK_EVERY_S)
        found, wrong = judged(machine, looks)
        found["words of the player"] += words
        return found, wrong


def judged(machine: Machine, looks: list[Snapshot]) -> tuple[Counter[str], list[str]]:
    """What became of the changes by the machine's count, and what was said of them."""
    found: Counter[str] = Counter()
    wrong = []
    begun = 0
    begun_ns = machine.of("start")[0]["ns"]
    for number, took in enumerate(machine.of("took")):
        lasted, ns = took["at_tick"] - begun, took["ns"]
        if took["program"] != FIRST_PROGRAM + 1 + number:
            wrong.append(f"program {took['program']} as change {number + 1}")
        elif lasted == PHRASE:
            found["on its boundary"] += 1
        elif lasted % PHRASE:
            wrong.append(f"change {number + 1} after {lasted} ticks")
        else:
            found["held"] += 1
            seen = [look for look in looks if begun_ns <= look.at_ns <= ns]
            said = any(not look.sure for look in seen)
            found["held and said"] += said
            if not said:
                wrong.append(f"change {number + 1} was held for {lasted} ticks without a word")
        begun, begun_ns = took["at_tick"], ns
    missing = PARTS - 1 - len(machine.of("took"))
    found["never"] += missing
    if missing and looks:
        last = looks[-1]
        found[f"never: {last.doubt or last.notice or last.state}"] += 1
    extra = len(machine.messages) - len(machine.of("took"))
    if extra > (missing > 0):
        wrong.append(f"{extra} messages more than programs taken")
    return found, wrong


def main() -> None:
    """Play the runs and print what came of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=RUNS)
    parser.add_argument("--busy", type=int, default=BUSY)
    parser.add_argument("--lossy", action="store_true")
    options = parser.parse_args()
    kind = jack.ASYNCHRONOUS if options.lossy else jack.SYNCHRONOUS
    total: Counter[str] = Counter()
    print(
        f"{options.runs} runs of {PARTS} parts at {BPM} beats a minute; {options.busy} busy "
        f"processes, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} before"
    )
    for number in range(options.runs):
        with tempfile.TemporaryDirectory() as folder:
            found, wrong = play(Path(folder), options.busy, kind)
        total += found
        words = ", ".join(f"{count} {what}" for what, count in sorted(found.items()) if count)
        print(
            f"run {number + 1}: {words}{''.join(f'; WRONG: {each}' for each in wrong)}", flush=True
        )
        total["wrong"] += len(wrong)
    asked = options.runs * (PARTS - 1)
    print(
        f"{asked} changes: {total['on its boundary']} on their boundary "
        f"({total['on its boundary'] / asked:.1%}), {total['held']} held, of which "
        f"{total['held and said']} said, {total['never']} never, {total['wrong']} wrong; "
        f"{total['words of the player']} words of the player"
    )


if __name__ == "__main__":
    main()
