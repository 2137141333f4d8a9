"""A take as a set list: what the set was in the end, with the order and lengths as played.

Instruments, patterns and whatever else the set said stay as they were written; only the songs are
those of the take. A part that was not played in whole phrases has the nearest number of them, at
least one, and says in a comment how long it was.
"""

from __future__ import annotations

import copy
import io
import os
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import YAMLError

from companion.takes.score import PartPlayed, played
from companion.takes.store import Store, Take, TakesError

# What says how long a part is, in place of which the length as played is written.
_LENGTHS = ("phrases", "about")
# What a song says of its end.
_ENDS = "then"


def as_played(store: Store, take: Take) -> str:
    """The set list. Raises TakesError where nothing was played or the set is not known any more."""
    parts = [part for part in played(store.events(take.take, _KINDS), take) if part.played_ticks]
    if not parts:
        raise TakesError(f"nothing was played in take {take.take}")
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = 100
    # An alias would tie the length of one part to that of another.
    yaml.representer.ignore_aliases = lambda _: True
    try:
        whole = yaml.load(_source(store, take).decode("utf-8-sig"))
        written = [
            (song, index, part)
            for index, song in enumerate(whole["songs"])
            for part in _expanded(song["parts"])
        ]
        runs = [(*written[part.part - 1], part) for part in parts]
    except (YAMLError, LookupError, TypeError, UnicodeDecodeError) as error:
        raise TakesError(
            f"the set list of take {take.take} is not that of its parts any more"
        ) from error
    songs = CommentedSeq()
    last_of = {index: part for _, index, part in written}
    for index, group in groupby(runs, key=lambda each: each[1]):
        some = list(group)
        song = _plain(some[0][0], "parts")
        song["parts"] = CommentedSeq(_part(node, part) for _, _, node, part in some)
        for at, (_, _, _, part) in enumerate(some):
            _remark(song["parts"], at, part)
        if some[-1][2] is not last_of[index]:
            song.pop(_ENDS, None)
        songs.append(song)
    whole["songs"] = songs
    out = io.StringIO()
    yaml.dump(whole, out)
    when = take.began[:16].replace("T", " ")
    return f"# As played in take {take.take}, {when}\n{out.getvalue()}"


_KINDS = ("part", "start", "stop")


def write_new(path: Path, text: str) -> None:
    """Write `text` into a file that is not there yet. Raises TakesError."""
    try:
        with open(path, "x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise TakesError(f"{path} is there already, and stays as it is") from None
    except OSError as error:
        why = (error.strerror or os.fspath(path)).lower()
        raise TakesError(f"cannot write {path}: {why}") from error


def _source(store: Store, take: Take) -> bytes:
    """The text of the set list as it was, or else as it is now."""
    kept = store.source(take.source) if take.source else None
    if kept is not None:
        return kept
    try:
        return Path(take.file).read_bytes()
    except OSError as error:
        raise TakesError(
            f"the set list of take {take.take} was not kept, and {take.file} cannot be read"
        ) from error


def _expanded(nodes: Sequence[Any]) -> Iterator[Any]:
    """The parts one after the other, blocks that repeat written out."""
    for node in nodes:
        if "repeat" in node:
            for _ in range(int(node["repeat"])):
                yield from _expanded(node["parts"])
        else:
            yield node


def _part(node: Any, part: PartPlayed) -> CommentedMap:
    """The part as it is written, with its length as played."""
    found = _plain(node, *_LENGTHS)
    phrase = part.ticks["phrase"]
    phrases = max((2 * part.played_ticks + phrase) // (2 * phrase), 1)
    # The cues last, as they are mostly written.
    cues = found.pop("cues", None)
    found["phrases"] = phrases
    if cues is not None:
        found["cues"] = cues
    return found


def _plain(node: Any, *without: str) -> CommentedMap:
    """A mapping with all it has, merged or its own, but for some keys and its comments."""
    return CommentedMap(
        (key, copy.deepcopy(value)) for key, value in node.items() if key not in without
    )


def _remark(parts: CommentedSeq, at: int, part: PartPlayed) -> None:
    """Say beside a part how long it was, where that is no whole number of phrases."""
    if part.played_ticks % part.ticks["phrase"]:
        bars, rest = divmod(part.played_ticks, part.ticks["bar"])
        said = f"{bars} bar{'s' * (bars != 1)}" + (
            f" and {rest} of {part.ticks['bar']} ticks" if rest else ""
        )
        parts.yaml_set_comment_before_after_key(at, before=f"played: {said}", indent=2)
