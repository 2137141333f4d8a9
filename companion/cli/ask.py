"""The commands that ask something of a running engine: status, tell and stop."""

from __future__ import annotations

from typing import Any

import click

from companion.cli.exits import Refused
from companion.cli.saying import engine_needed, say, say_json
from companion.link.ask import ask_snapshot, send_wish
from companion.link.endpoint import NoEngine, find_endpoint
from companion.link.messages import Coming, LinkError, Snapshot
from companion.wishes import Ask, Wish

# Most lines of the agenda that `status` prints for people.
AGENDA_LINES = 8


def status(as_json: bool) -> None:
    """Print where the engine is. Raises Refused if none runs."""
    with engine_needed():
        snapshot = ask_snapshot(find_endpoint())
    if as_json:
        say_json(status_object(snapshot))
    else:
        say(*status_lines(snapshot))


def tell(words: tuple[str, ...], as_json: bool) -> None:
    """Tell the engine a wish in the words of a set list, and say what came of it.

    Raises Refused where it was not taken, and UsageError where there is no such wish.
    """
    # Whoever only asks where the engine is does not pay for these.
    from companion.setlist import BadText
    from companion.setlist.text import wish as read_wish

    text = " ".join(words)
    try:
        asked = read_wish(text)
    except BadText as error:
        raise click.UsageError(f"{error.wrong}; {error.right}") from error
    if asked.ask is Ask.FILL:
        raise click.UsageError(f"{text!r} lasts while a key is held; bind it to one in the set")
    why_not = ""
    try:
        with engine_needed():
            endpoint = find_endpoint()
            send_wish(endpoint, asked)
            after = ask_snapshot(endpoint)
            said = after.notice
            # The engine keeps why the latest wish was refused, until it takes another.
            if after.notice_kind:
                why_not = said
    except Refused as error:
        said = why_not = str(error)
    if as_json:
        say_json({"version": 1, "wish": str(asked), "taken": not why_not, "text": said})
    if why_not:
        raise Refused(why_not)
    if not as_json:
        say(said)


def stop(as_json: bool) -> None:
    """End the engine. Raises Refused if none runs."""
    try:
        send_wish(find_endpoint(), Wish(Ask.STOP))
    except NoEngine as error:
        raise Refused(f"{error}; there is nothing to end") from error
    except LinkError as error:
        raise Refused(str(error)) from error
    if as_json:
        say_json({"version": 1, "ended": True})
    else:
        say("The engine has ended.")


def status_object(snapshot: Snapshot) -> dict[str, Any]:
    """The object of `status --json`, version 1."""
    change = None
    if snapshot.change_ticks is not None:
        change = {
            "ticks": snapshot.change_ticks,
            "program": snapshot.change_program,
            "part": snapshot.change_part,
            "sent": snapshot.change_sent,
        }
    return {
        "version": 1,
        "state": snapshot.state,
        "sure": snapshot.sure,
        "doubt": snapshot.doubt,
        "doubt_kind": snapshot.doubt_kind,
        "help": snapshot.help,
        "sending": snapshot.sending,
        "tempo": round(snapshot.tempo, 2),
        "planned_tempo": snapshot.planned_tempo or None,
        "set": snapshot.set_name,
        "song": snapshot.song,
        "part": snapshot.part,
        "parts": snapshot.parts,
        "name": snapshot.name,
        "pattern": snapshot.pattern,
        "instrument": snapshot.instrument,
        "tick": snapshot.tick,
        "pass": snapshot.pass_number,
        "step": snapshot.step,
        "bar": snapshot.bar,
        "beat": snapshot.beat,
        "phrase": {
            "number": snapshot.phrase,
            "pass": snapshot.phrase_pass,
            "ticks_left": snapshot.phrase_ticks_left,
        },
        "next_change": change,
        "next": None
        if not snapshot.next_number
        else {
            "part": snapshot.next_number,
            "name": snapshot.next_part,
            "ticks": snapshot.next_ticks,
        },
        "stop_at_end": snapshot.stop_at_end,
        "layers": [
            {
                "pattern": layer.pattern,
                "on": layer.instrument,
                "tick": layer.tick,
                "pass": layer.pass_number,
                "step": layer.step,
            }
            for layer in snapshot.layers
        ],
        "coming": [
            coming_object(item, snapshot.tick)
            for item in snapshot.coming
            if item.tick >= snapshot.tick
        ],
        "clock": {
            "port": snapshot.clock_port,
            "jitter_ms": round(snapshot.jitter_ms, 2),
            "lost": snapshot.clocks_lost,
        },
        "tracks": [
            {
                "track": track.name,
                "muted": track.muted,
                "heard_muted": track.heard_muted,
                "likelihood": track.likelihood,
                "told": track.told,
            }
            for track in snapshot.tracks
        ],
        "misfits": [
            {"track": each.track, "step": each.step, "text": each.text} for each in snapshot.misfits
        ],
        "wish": snapshot.wish,
        "staying": snapshot.staying,
        "fill": snapshot.fill,
        "take": snapshot.take,
        "notice": snapshot.notice,
        "troubles": [trouble.text for trouble in snapshot.troubles],
    }


def coming_object(item: Coming, tick: int) -> dict[str, Any]:
    """One item of `coming`; `tick` is the present one."""
    out: dict[str, Any] = {"ticks": item.tick - tick, "kind": item.kind}
    match item.kind:
        case "step":
            out |= {"track": item.track, "step": item.step, "what": item.what}
            if item.layer:
                out["layer"] = item.layer
            out["chance"] = item.chance
        case "change":
            out |= {"program": item.program, "part": item.part, "sent": item.sent}
        case _:
            out["do"] = item.do
            if item.tracks:
                out["tracks"] = list(item.tracks)
            if item.what:
                out["what"] = item.what
            if item.hold_ticks:
                out["hold_ticks"] = item.hold_ticks
    out["text"] = item.sentence
    return out


def status_lines(snapshot: Snapshot) -> list[str]:
    """The same for people."""
    lines = [
        f"{snapshot.set_name}: {snapshot.state}, "
        + ("sure" if snapshot.sure else f"unsure: {snapshot.doubt}"),
        f"song {snapshot.song_number} of {snapshot.songs}, {snapshot.song}; "
        f"part {snapshot.part} of {snapshot.parts}, {snapshot.name}",
        f"phrase {snapshot.phrase}, pass {snapshot.pass_number}, step {snapshot.step}; "
        f"boundary in {snapshot.phrase_ticks_left / snapshot.bar_ticks:.1f} bars",
        f"tempo {snapshot.tempo:.1f}, clock from {snapshot.clock_port or 'nowhere yet'}, "
        f"jitter {snapshot.jitter_ms:.2f} ms",
        "rehearsal: no change leaves for an instrument"
        if snapshot.alone
        else f"program changes go out{'' if snapshot.sure else ' once sure'}"
        if snapshot.sending
        else f"not sending: {snapshot.sending_note}; change by hand",
    ]
    lines += [
        f"beside it {each.pattern} on {each.instrument}, pass {each.pass_number}, step {each.step}"
        for each in snapshot.layers
    ]
    lines += [f"! {trouble.text}" for trouble in snapshot.troubles]
    coming = [item for item in snapshot.coming if item.tick >= snapshot.tick]
    for item in coming[:AGENDA_LINES]:
        bars = (item.tick - snapshot.tick) / snapshot.bar_ticks
        lines.append(f"in {bars:.1f} bars: {item.sentence}")
    return lines
