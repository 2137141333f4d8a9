"""`companion engine`: reads the set, opens the MIDI system, runs the engine in this process."""

from __future__ import annotations

import contextlib
import hashlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import click

from companion.cautions import ON_STARTING
from companion.cli.exits import Refused
from companion.cli.live import AGAIN
from companion.cli.ports import must_match
from companion.cli.saying import refuse_faults, say, say_json
from companion.engine.checkpointfile import Memory, find_kept
from companion.engine.engine import Engine, Options
from companion.engine.leftover import Leftover
from companion.engine.ports import MidiSystem, PortError
from companion.engine.reload import Saved
from companion.link.endpoint import EngineLock
from companion.link.folders import folders
from companion.link.messages import LinkError
from companion.setlist import SetList, SetListError
from companion.setlist.loading import load_apart
from companion.takes.record import Recorder


def engine(
    set_file: Path,
    *,
    in_glob: str | None,
    out_glob: str | None,
    api: str | None,
    no_send: bool,
    controls: Path | None,
    internal_clock: bool,
    tempo: float | None,
    no_take: bool,
    take_kind: str,
    is_demo: bool,
    as_json: bool,
) -> None:
    """Run until stopped; once it can be reached it says so, with `as_json` as one object.

    Raises Refused, UsageError for options that do not go together, or exits with every fault of a
    file said. The presses in the file at `controls`, if given, win over the set's own. Where the
    engine before was cut short, this one goes on.
    """
    if tempo is not None and not internal_clock:
        raise click.UsageError("--tempo is the internal clock's; add --internal-clock")
    with sole_engine() as lock:
        if lock.trouble:
            say(f"companion: {lock.trouble}; another folder serves meanwhile", err=True)
        # A clock of our own ended with its engine: there is nothing to go on with.
        resumed = None if internal_clock else _resumed(set_file, controls)
        if resumed is None:
            setlist, saved = load_apart(set_file, controls=controls), Saved(set_file, controls)
            memory = None if internal_clock else _memory(*_identity(set_file))
        else:
            setlist, memory, saved = resumed
        system = None
        if not is_demo:
            Leftover().silence()
            resumes = memory is not None and memory.find() is not None
            system = _system(api, out_glob, internal_clock, resumes)
            if system is not None and not resumes and AGAIN not in os.environ:
                if not internal_clock:
                    must_match("input", "--in", in_glob, system.inputs())
                if not no_send:
                    must_match("output", "--out", out_glob, system.outputs())
        options = Options(
            in_glob=in_glob,
            out_glob=out_glob,
            send=not no_send,
            internal_clock=internal_clock,
            tempo=tempo,
            demo=is_demo,
        )
        recorder = None
        if not (no_take or is_demo):
            recorder = Recorder(setlist, kind=take_kind, set_file=set_file)
        engine = Engine(setlist, options, system, memory, saved, recorder)
        engine.run(lock, lambda: _say_ready(setlist.name, set_file, as_json))
        if recorder is not None and recorder.trouble:
            say(recorder.trouble, err=True)


@contextlib.contextmanager
def sole_engine() -> Iterator[EngineLock]:
    """The lock of the one engine there may be; what goes wrong while it is held, in words.

    Raises Refused, also where another engine runs, or exits with every fault of a file said.
    """
    lock = EngineLock()
    try:
        # The lock comes first: a second engine must not touch the first one's ports.
        lock.acquire()
    except LinkError as error:
        raise Refused(f"{error}; look at it: companion screen; end it: companion stop") from error
    try:
        yield lock
    except SetListError as error:
        refuse_faults(error)
    except (LinkError, PortError) as error:
        raise Refused(str(error)) from error
    finally:
        lock.release()


def _resumed(set_file: Path, controls: Path | None) -> tuple[SetList, Memory, Saved] | None:
    """The set that was being played when an engine was killed, where its place is and its files.

    Where the file holds another by now, or that of the controls has a fault, it is the set as it
    was kept: the engine goes on with that, and then takes over what was saved, or says what is
    wrong with it. None if no engine was killed.
    """
    kept = find_kept(folders(), str(set_file.absolute()))
    if kept is None:
        return None
    setlist, digest = kept
    memory = _memory(str(set_file.absolute()), digest)
    if memory.find() is None:
        return None
    with contextlib.suppress(Refused, SetListError):
        if _identity(set_file)[1] == digest:
            return load_apart(set_file, controls=controls), memory, Saved(set_file, controls)
    return setlist, memory, Saved(set_file, controls, played=digest)


def _memory(set_file: str, digest: str) -> Memory:
    folder, *spares = folders()
    return Memory(folder, set_file, digest, spares)


def _identity(set_file: Path) -> tuple[str, str]:
    """Path and digest of a set list that has just been read.

    Other presses make no other set: the place stays good.
    """
    try:
        with open(set_file, "rb") as file:
            return str(set_file.absolute()), hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise Refused(f"cannot read {set_file} again: {error.strerror}") from error


def _system(
    api: str | None, out_glob: str | None, internal_clock: bool, resumes: bool
) -> MidiSystem | None:
    """The MIDI system, or None where the internal clock can do without. Raises PortError.

    An engine that `resumes` in the middle of a night waits for its MIDI system instead.
    """
    try:
        return MidiSystem(api, patient=resumes)
    except PortError:
        if internal_clock and api is None and out_glob is None:
            return None
        raise


def _say_ready(name: str, set_file: Path, as_json: bool) -> None:
    # `companion play` waits for the first line and then stops reading.
    if as_json:
        say(*ON_STARTING.splitlines(), err=True)
        file = str(set_file.absolute())
        say_json({"version": 1, "set": name, "file": file, "process": os.getpid()})
    else:
        say(f"Following {name}. End with Ctrl-C or: companion stop", *ON_STARTING.splitlines())
    sys.stdout.flush()
