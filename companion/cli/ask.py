"""The commands that ask something of a running engine: status, tell and stop."""

from __future__ import annotations

import json
from typing import Any

import click

from companion.cli.exits import Refused
from companion.cli.needed import engine_needed
from companion.engine.wishing import as_wish
from companion.link.ask import ask_snapshot, send_wish
from companion.link.endpoint import NoEngine, find_endpoint
from companion.link.messages import Coming, LinkError, Snapshot, Wish
from companion.setlist.faults import BadText
from companion.setlist.wishtext import wish as read_wish

# Most lines of the agenda that `status` prints for people.
AGENDA_LINES = 8


def status(as_json: bool) -> None:
    """Print where the engine is. Raises Refused if none runs."""
    with engine_needed():
        snapshot = ask_snapshot(find_endpoint())
    if as_json:
        click.echo(json.dumps(status_object(snapshot), ensure_ascii=False))
    else:
        click.echo("\n".join(status_lines(snapshot)))


def tell(text: str) -> None:
    """Tell the engine a wish in the words of a set list. Raises Refused, or UsageError."""
    try:
        asked = as_wish(read_wish(text))
    except BadText as error:
        raise click.UsageError(f"{error.wrong}; {error.right}") from error
    if asked is None:
        raise click.UsageError(f"{text!r} lasts while a key is held; bind it to one in the set")
    with engine_needed():
        endpoint = find_endpoint()
        if asked.name == "part":
            parts = ask_snapshot(endpoint).parts
            if int(asked.unit) > parts:
                raise Refused(f"there is no part {asked.unit}; the set has {parts} parts")
        send_wish(endpoint, asked)
        click.echo(ask_snapshot(endpoint).notice)


def stop() -> None:
    """End the engine. Raises Refused if none runs."""
    try:
        send_wish(find_endpoint(), Wish("stop"))
    except NoEngine as error:
        raise Refused(f"{error}; there is nothing to end") from error
    except LinkError as error:
        raise Refused(str(error)) from error
    click.echo("The engine has ended.")


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
        "sending": snapshot.sending,
        "tempo": round(snapshot.tempo, 2),
        "set": snapshot.set_name,
        "song": snapshot.song,
        "part": snapshot.part,
        "parts": snapshot.parts,
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
        "wish": snapshot.wish,
        "staying": snapshot.staying,
        "fill": snapshot.fill,
        "notice": snapshot.notice,
        "troubles": list(snapshot.troubles),
    }


def coming_object(item: Coming, tick: int) -> dict[str, Any]:
    """One item of `coming`; `tick` is the present one."""
    out: dict[str, Any] = {"ticks": item.tick - tick, "kind": item.kind}
    match item.kind:
        case "step":
            out |= {"track": item.track, "step": item.step, "what": item.what}
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
    out["text"] = item.text
    return out


def status_lines(snapshot: Snapshot) -> list[str]:
    """The same for people."""
    lines = [
        f"{snapshot.set_name}: {snapshot.state}, "
        + ("sure" if snapshot.sure else f"unsure: {snapshot.doubt}"),
        f"song {snapshot.song_number} of {snapshot.songs}, {snapshot.song}; "
        f"part {snapshot.part} of {snapshot.parts}, {snapshot.pattern}",
        f"phrase {snapshot.phrase}, pass {snapshot.pass_number}, step {snapshot.step}; "
        f"boundary in {snapshot.phrase_ticks_left} ticks",
        f"tempo {snapshot.tempo:.1f}, clock from {snapshot.clock_port or 'nowhere yet'}, "
        f"jitter {snapshot.jitter_ms:.2f} ms",
        f"program changes go out{'' if snapshot.sure else ' once sure'}"
        if snapshot.sending
        else f"not sending: {snapshot.sending_note}",
    ]
    lines += [f"! {trouble}" for trouble in snapshot.troubles]
    coming = [item for item in snapshot.coming if item.tick >= snapshot.tick]
    for item in coming[:AGENDA_LINES]:
        bars = (item.tick - snapshot.tick) / snapshot.bar_ticks
        lines.append(f"in {bars:.1f} bars: {item.text}")
    return lines
