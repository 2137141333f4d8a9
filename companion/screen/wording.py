"""The standing sentences of the screen: alarms with what to do next, and the quiet facts.

Pure. What comes and when is reading's.
"""

from __future__ import annotations

from dataclasses import dataclass

from companion.link.messages import Snapshot
from companion.screen.reckon import Spot


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something not in order: a head word, and a sentence that says what to do next.

    `urgent` is False for what is so by choice.
    """

    head: str
    text: str
    urgent: bool = True


def alarms(snapshot: Snapshot, condition: str) -> tuple[Alarm, ...]:
    """All that is not in order, worst first."""
    found: list[Alarm] = []
    if condition == "gone":
        return (
            Alarm(
                "NO ENGINE",
                "The engine does not answer; nothing will be sent from here. "
                "Start it again in another window if it does not come back.",
            ),
        )
    if condition == "lost":
        found.append(
            Alarm(
                "CLOCK LOST",
                "The count runs on by itself and nothing will be sent. Check the clock's cable.",
            )
        )
    elif not snapshot.sure and condition != "ready":
        found.append(
            Alarm(
                "UNSURE",
                f"{_sentence(snapshot.doubt or 'the count may be wrong')} Nothing will be sent. "
                "If the count is right press c; if not press 1 on the one.",
            )
        )
    found += [Alarm("TROUBLE", _sentence(trouble)) for trouble in snapshot.troubles]
    if not snapshot.sending and condition != "lost" and (snapshot.sure or condition == "ready"):
        note = snapshot.sending_note or "sending is off: s turns it on"
        found.append(Alarm("NOT SENDING", _sentence(note), urgent=False))
    return tuple(found)


def quiet_facts(snapshot: Snapshot, at: Spot, condition: str) -> tuple[tuple[int, str], ...]:
    """The quiet line's facts in the order shown, each with its rank (1 is kept longest)."""
    facts = [
        (7, snapshot.set_name),
        (4, _of(snapshot.song, snapshot.song_number, snapshot.songs)),
        (3, f"part {snapshot.part} of {snapshot.parts}: {snapshot.pattern}"),
        (8, f"pass {at.pass_number}, bar {at.bar}, beat {at.beat}"),
        (2, f"tempo {snapshot.tempo:.1f}" if snapshot.tempo > 0 else "no tempo"),
        (6, _clock(snapshot, condition)),
        (1, "sending" if snapshot.sending else "not sending"),
        (1, "sure" if snapshot.sure else "unsure"),
        (9, "demo" if snapshot.demo else ""),
    ]
    return tuple((rank, text) for rank, text in facts if text)


def _clock(snapshot: Snapshot, condition: str) -> str:
    if not snapshot.clock_port:
        return "no clock"
    state = "lost" if condition == "lost" else f"{snapshot.jitter_ms:.1f} ms jitter"
    lost = f", {snapshot.clocks_lost} ticks lost" if snapshot.clocks_lost else ""
    return f"clock {snapshot.clock_port}, {state}{lost}"


def _of(name: str, number: int, whole: int) -> str:
    return f"{name} (song {number} of {whole})" if name else ""


def _sentence(text: str) -> str:
    text = text.strip()
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."
