"""A take written out for other programs, and read back: notes heard, raw arrivals, every event.

A Standard MIDI File has 480 ticks to the quarter note, 20 to each of the take's own ticks; pauses
of the instrument are not in it. What stands in a `.clock` file is what came through the port that
was followed, and `play_again` puts it through a follower once more: a bad night becomes a test.
"""

from __future__ import annotations

import contextlib
import csv
import json
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from statistics import median
from typing import Any

from companion.follow.follower import Follower
from companion.follow.portnames import matches
from companion.midi import (
    BANK_HIGH,
    BANK_LOW,
    CLOCK,
    CONTROL_CHANGE,
    INTERNAL,
    NOTE_OFF,
    NOTE_ON,
    PROGRAM_CHANGE,
    SYSTEM,
)
from companion.replacing import replacing
from companion.setlist import USUAL_TEMPO, SetList
from companion.takes.store import Arrived, Store, Take, TakesError
from companion.takes.story import Event

PER_QUARTER, PER_TICK = 480, 20
# The default of a Standard MIDI File (MIDI 1.0, from memory): 120 beats a minute.
DEFAULT_TEMPO = 500_000
# What a csv line has beside the keys that every event has: those of some kinds, others after them.
COLUMNS = (
    *("at_s", "tick", "part", "kind", "name", "planned_ticks", "played_ticks", "bpm", "jitter_ms"),
    *("wish", "taken", "do", "tracks", "instrument", "bytes", "due_tick", "track", "muted", "by"),
    *("why", "seconds", "text", "held"),
)
# How often a follower that hears a take again is told the time, as the engine's watch does.
LOOK_NS = 10_000_000

# Told how far a long piece of work is: done, and of how many.
Progress = Callable[[int, int], None]


def silent(done: int, of: int) -> None:
    """Nobody is told."""


@dataclass(frozen=True, slots=True)
class HeardMessage:
    """A channel message of a take. `at_ns` counts from its beginning.

    `tick` is in the take's own ticks: its whole part is that of the clock before it. `port` is the
    MIDI port it came by, or, where we `sent` it, the name of the instrument it went to.
    """

    at_ns: int
    tick: float
    port: str
    message: bytes
    sent: bool = False


@dataclass(frozen=True, slots=True)
class TakeHeard:
    """What a take has of notes, programs and bank selects, in the order of time, while it played.

    `starts` are the ticks at which the instrument was started, `ticks` is the length of all, `bpm`
    the median of the bars', 0 where none is known.
    """

    messages: tuple[HeardMessage, ...]
    starts: tuple[int, ...]
    ticks: int
    bpm: float


def heard(take: int | None = None, folder: Path | None = None) -> TakeHeard:
    """The notes and program changes of a take, None for the last. Raises TakesError."""
    with Store(folder) as store:
        found = store.take(take)
        messages = [*music(store, found), *_sent(store, found.take)]
        starts = store.events(found.take, ("start",))
        bars = [each.body["bpm"] for each in store.events(found.take, ("bar",))]
        return TakeHeard(
            tuple(sorted(messages, key=lambda each: each.at_ns)),
            tuple(each.clock for each in starts if not each.body),
            found.clocks,
            median(bars) if bars else 0.0,
        )


def _is_music(message: bytes) -> bool:
    kind = message[0] & 0xF0
    if kind == CONTROL_CHANGE:
        return len(message) == 3 and message[1] in (BANK_HIGH, BANK_LOW)
    return kind in (NOTE_ON, NOTE_OFF, PROGRAM_CHANGE)


def _sent(store: Store, take: int) -> Iterator[HeardMessage]:
    for event in store.events(take, ("sent",)):
        whole = bytes.fromhex(event.body["bytes"])
        for message in _split(whole):
            if _is_music(message):
                instrument = event.body["instrument"]
                yield HeardMessage(event.at_ns, float(event.clock), instrument, message, True)


def _split(whole: bytes) -> Iterator[bytes]:
    """Channel messages, one after the other."""
    at = 0
    while at < len(whole):
        length = 2 if whole[at] & 0xE0 == 0xC0 else 3
        yield whole[at : at + length]
        at += length


def music(store: Store, take: Take, progress: Progress = silent) -> Iterator[HeardMessage]:
    """What was heard of notes, programs and bank selects while the instrument played."""
    # The take's own tick at count 0, the latest count and when it came: see `story`.
    base: int | None = None
    last, last_ns, period_ns = -1, 0, 0.0
    chunks = store.chunks(take.take)
    for done, chunk in enumerate(store.arrivals(take.take)):
        progress(done, chunks)
        for at_ns, port, message, count in chunk:
            if count < 0:
                if last >= 0 and base is not None:
                    base += last + 1
                last = -1
            elif message[0] == CLOCK and count != last:
                if base is None:
                    base = -count
                if 0 <= last < count:
                    period_ns = (at_ns - last_ns) / (count - last)
                last, last_ns = count, at_ns
            elif message[0] < SYSTEM and _is_music(message) and base is not None:
                part = (at_ns - last_ns) / period_ns if period_ns else 0.0
                tick = base + last + min(max(part, 0.0), 0.999)
                yield HeardMessage(at_ns, tick, port, message)
    progress(chunks, chunks)


# -- every event -----------------------------------------------------------------------------


def plain(event: Event) -> dict[str, Any]:
    """An event as a JSON object."""
    said = {"at_s": round(event.at_ns / 1e9, 6), "tick": event.tick, "part": event.part}
    return {**said, "kind": event.kind, **event.body}


def to_jsonl(store: Store, take: Take, progress: Progress = silent) -> str:
    """One event a line."""
    events = _told(store, take)
    lines = []
    for done, event in enumerate(events):
        lines.append(json.dumps(plain(event), ensure_ascii=False))
        if done % 1000 == 0:
            progress(done, len(events))
    progress(len(events), len(events))
    return "".join(f"{each}\n" for each in lines)


def to_csv(store: Store, take: Take, progress: Progress = silent) -> str:
    """One event a line; lists as JSON, what an event has not is empty (RFC 4180)."""
    events = [plain(each) for each in _told(store, take)]
    more = dict.fromkeys(key for each in events for key in each if key not in COLUMNS)
    out = StringIO()
    table = csv.DictWriter(out, [*COLUMNS, *more])
    table.writeheader()
    for done, event in enumerate(events):
        table.writerow({key: _cell(value) for key, value in event.items()})
        if done % 1000 == 0:
            progress(done, len(events))
    progress(len(events), len(events))
    return out.getvalue()


def _cell(value: Any) -> Any:
    if value is None or isinstance(value, str):
        return value
    return json.dumps(value, ensure_ascii=False)


def _told(store: Store, take: Take) -> list[Event]:
    """All events; a doubt that was open when the take broke off lasts to its end."""
    return closed(store.events(take.take), take)


def closed(events: Sequence[Event], take: Take) -> list[Event]:
    """The events, those that had no end when the take broke off ended with it."""
    found = []
    for each in events:
        if each.kind == "doubt" and each.body["seconds"] is None:
            seconds = round(max(take.seconds - each.at_ns / 1e9, 0.0), 3)
            each = Event(
                each.number,
                each.at_ns,
                each.clock,
                each.part,
                each.tick,
                each.kind,
                {**each.body, "seconds": seconds},
            )
        found.append(each)
    return found


# -- raw arrivals ----------------------------------------------------------------------------


def to_clock(store: Store, take: Take, progress: Progress = silent) -> str:
    """What came through the port that was followed: ns since the first, hex, and count shown."""
    port = followed(store, take)
    lines: list[str] = []
    first: int | None = None
    chunks = store.chunks(take.take)
    for done, chunk in enumerate(store.arrivals(take.take)):
        progress(done, chunks)
        for at_ns, came_by, message, count in chunk:
            if came_by == port:
                first = at_ns if first is None else first
                lines.append(f"{at_ns - first} {message.hex()} {count}\n")
    progress(chunks, chunks)
    return "".join(lines)


def followed(store: Store, take: Take) -> str:
    """The port by which the most clocks came that were counted."""
    clocks: dict[str, int] = {}
    last = -1
    for chunk in store.arrivals(take.take):
        for _, port, message, count in chunk:
            if message[0] == CLOCK and count != last:
                clocks[port] = clocks.get(port, 0) + 1
            elif port not in clocks:
                clocks[port] = 0
            last = count
    return max(clocks, key=lambda port: clocks[port], default="")


def read_clock(text: str) -> list[tuple[int, bytes, int]]:
    """The lines of a `.clock` file: time in ns, message, count. Raises ValueError for others."""
    found = []
    for line in text.splitlines():
        t_ns, message, count = line.split()
        found.append((int(t_ns), bytes.fromhex(message), int(count)))
    return found


def play_again(
    setlist: SetList,
    arrived: Iterable[tuple[int, bytes, int]],
    *,
    port: str = "port",
    begin_ns: int = 1_000_000_000,
) -> Iterator[int]:
    """Put what arrived through a follower of the set; gives the count shown after each message."""
    follower = Follower(setlist, can_send=False)
    now_ns = begin_ns
    for at_ns, message, _ in arrived:
        t_ns = begin_ns + at_ns
        while now_ns + LOOK_NS < t_ns:
            now_ns += LOOK_NS
            follower.passed(now_ns)
        now_ns = t_ns
        follower.hear(port, t_ns, message)
        conductor = follower.conductor
        yield conductor.ticks.ticks if conductor.state.value in ("running", "lost") else -1


# -- a Standard MIDI File --------------------------------------------------------------------


def to_midi(store: Store, take: Take, path: Path, progress: Progress = silent) -> None:
    """Write a file of type 1: tempo and markers first, then a track an instrument."""
    import mido

    file = mido.MidiFile(type=1, ticks_per_beat=PER_QUARTER)
    file.tracks.append(_conductor_track(store, take))
    by_track: dict[str, list[tuple[int, mido.Message]]] = {}
    beside = _beside(store, take)
    for each in music(store, take, progress):
        if each.port in beside:
            continue
        with contextlib.suppress(ValueError):
            message = mido.Message.from_bytes(each.message)
            name = _instrument(take, each.port, each.message[0] & 0x0F)
            by_track.setdefault(name, []).append((round(each.tick * PER_TICK), message))
    end = take.clocks * PER_TICK
    for name, messages in by_track.items():
        track = mido.MidiTrack([mido.MetaMessage("track_name", name=_latin(name))])
        _laid(track, _ended(messages, end), end)
        file.tracks.append(track)
    with _written(path) as partial:
        file.save(os.fspath(partial))


def _conductor_track(store: Store, take: Take) -> Any:
    """Name, tempo bar by bar, and markers; a doubt within a beat has none, as on the screen."""
    import mido

    events = closed(store.events(take.take, ("bar", "part", "doubt")), take)
    beat_s = 60 / median([e.body["bpm"] for e in events if e.kind == "bar"] or [USUAL_TEMPO])
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=_latin(take.set_name))])
    laid: list[tuple[int, mido.MetaMessage]] = []
    tempo, known = DEFAULT_TEMPO, False
    for each in events:
        at = each.clock * PER_TICK
        if each.kind == "bar":
            bar = mido.bpm2tempo(each.body["bpm"])
            if bar != tempo or not known:
                # What was played before the first whole bar had its tempo, too.
                laid.append((at if known else 0, mido.MetaMessage("set_tempo", tempo=bar)))
                tempo, known = bar, True
        elif each.kind == "part":
            text = f"{each.part} {each.body['name']}"
            laid.append((at, mido.MetaMessage("marker", text=_latin(text))))
        elif each.body["seconds"] >= beat_s:
            text = f"unsure: {each.body['why']}"
            laid.append((at, mido.MetaMessage("marker", text=_latin(text))))
    _laid(track, laid, take.clocks * PER_TICK)
    return track


def _ended(messages: list[tuple[int, Any]], end: int) -> list[tuple[int, Any]]:
    """The messages, and at the end what lets go of notes that were held on."""
    import mido

    held: dict[tuple[int, int], None] = {}
    for _, each in messages:
        if each.type == "note_on" and each.velocity:
            held[each.channel, each.note] = None
        elif each.type in ("note_on", "note_off"):
            held.pop((each.channel, each.note), None)
    offs = [mido.Message("note_off", channel=c, note=n, velocity=0) for c, n in held]
    return [*messages, *((end, off) for off in offs)]


def _laid(track: Any, messages: list[tuple[int, Any]], end: int) -> None:
    """Put messages at their ticks, and the end of the track after them."""
    import mido

    now = 0
    for at, message in sorted(messages, key=lambda each: each[0]):
        message.time = max(at - now, 0)
        now += message.time
        track.append(message)
    track.append(mido.MetaMessage("end_of_track", time=max(end - now, 0)))


def _beside(store: Store, take: Take) -> set[str]:
    """The ports of pads and pedals: neither an instrument's nor the one that was followed."""
    ports = {port for chunk in store.arrivals(take.take) for _, port, _, _ in chunk}
    globs = [glob for _, glob, _ in take.instruments]
    found = {p for p in ports if not any(glob is None or matches(glob, p) for glob in globs)}
    return found - {INTERNAL, followed(store, take)} if found - {INTERNAL} else set()


def _instrument(take: Take, port: str, channel: int) -> str:
    """The name of the instrument that sends on this channel by this port."""
    on = [each for each in take.instruments if each[2] == channel]
    for name, glob, _ in on:
        if glob is not None and matches(glob, port):
            return name
    # What a rehearsal plays comes by no port of theirs.
    for name, glob, _ in on:
        if glob is None or port == INTERNAL:
            return name
    return f"channel {channel + 1}"


def _latin(text: str) -> str:
    """Text as the file can hold it: Latin-1, by what most programs read."""
    return text.encode("latin-1", "replace").decode("latin-1")


def write_text(path: Path, text: str) -> None:
    """Put `text` in place of what the file holds, in one step. Raises TakesError."""
    with _written(path) as partial:
        partial.write_text(text, encoding="utf-8", newline="")


@contextlib.contextmanager
def _written(path: Path) -> Iterator[Path]:
    try:
        with replacing(path) as partial:
            yield partial
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise TakesError(f"cannot write {path}: {why}") from error


WAYS: dict[str, Callable[[Store, Take, Progress], str]] = {
    ".jsonl": to_jsonl,
    ".csv": to_csv,
    ".clock": to_clock,
}


def export(store: Store, take: Take, path: Path, progress: Progress = silent) -> None:
    """Write a take out in the way that the ending of `path` says. Raises TakesError."""
    ending = path.suffix.lower()
    if ending == ".mid":
        to_midi(store, take, path, progress)
    elif ending in WAYS:
        write_text(path, WAYS[ending](store, take, progress))
    else:
        known = ", ".join((".mid", *WAYS))
        raise TakesError(f"no way to write {path.name}: its ending should be one of {known}")


__all__ = ["Arrived", "HeardMessage", "TakeHeard", "export", "heard", "play_again", "read_clock"]
