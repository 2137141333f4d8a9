"""The keeper of the ports: opens what is wanted, notices what vanished, picks up what came back.

One thread opens, closes and lists; sending looks up a ready route and never waits for that thread.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from companion.engine.matching import choose_output, matches
from companion.engine.ports import Input, MidiSystem, Output, PortError
from companion.engine.wire import Message, program_change
from companion.setlist.model import ProgramChange, SetList

Heard = Callable[[str, int, Sequence[int]], None]

# How often ports are listed.
ROUND_S = 0.5


@dataclass(frozen=True, slots=True)
class _Key:
    """What decides the bytes of a change; a change itself is rebuilt with each set list."""

    instrument: str
    program: int
    bank: int | None


class Keeper:
    """Keeps the ports of one set open. `troubles` holds plain sentences on what is missing."""

    def __init__(
        self,
        setlist: SetList,
        system: MidiSystem | None,
        heard: Heard | None,
        *,
        in_glob: str | None,
        out_glob: str | None,
        sends: bool,
        beside: Callable[[], str | None],
        gone: Callable[[str], None],
    ) -> None:
        """`heard` None listens to nothing; `beside` names the port whose clock is followed."""
        self._setlist = setlist
        self._system = system
        self._heard = heard
        self._in_glob = in_glob or _clock_glob(setlist)
        self._out_glob = out_glob
        self._sends = sends
        self._beside = beside
        self._gone = gone
        self._inputs: dict[str, Input] = {}
        self._outputs: dict[str, Output] = {}
        self._retired: list[Output] = []
        self._routes: dict[str, Output] = {}
        self._bytes: dict[_Key, tuple[Message, ...]] = {}
        self.troubles: tuple[str, ...] = ()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="ports", daemon=True)
        for part in setlist.parts:
            for change in part.changes:
                self._encode(change)

    def start(self) -> None:
        """Open what is there now, then keep watch on a thread of its own."""
        if self._system is not None:
            self._round()
            self._thread.start()

    def close(self) -> None:
        """Close every port."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join(timeout=2.0)
        self._routes = {}
        for source in self._inputs.values():
            source.close()
        for output in [*self._outputs.values(), *self._retired]:
            output.close()
        if self._system is not None:
            self._system.close()

    def send(self, change: ProgramChange) -> bool:
        """Send a program change at once; False if its instrument cannot be reached."""
        output = self._routes.get(change.instrument)
        if output is None:
            return False
        try:
            for message in self._encode(change):
                output.send(message)
        except Exception:
            return False
        return True

    def _encode(self, change: ProgramChange) -> tuple[Message, ...]:
        key = _Key(change.instrument, change.program, change.bank)
        if key not in self._bytes:
            instrument = self._setlist.instruments[change.instrument]
            bank = instrument.bank if change.bank is None else change.bank
            self._bytes[key] = program_change(instrument.channel, change.program, bank)
        return self._bytes[key]

    def _run(self) -> None:
        while not self._ended.wait(ROUND_S):
            self._round()

    def _round(self) -> None:
        troubles: list[str] = []
        try:
            self._keep_inputs(troubles)
            self._keep_outputs(troubles)
        except Exception as error:
            troubles.append(f"the MIDI system does not answer: {error}")
        self.troubles = tuple(troubles)

    def _keep_inputs(self, troubles: list[str]) -> None:
        if self._heard is None or self._system is None:
            return
        names = self._system.inputs()
        wanted = [n for n in names if self._in_glob is None or matches(self._in_glob, n)]
        for name in [n for n in self._inputs if n not in names]:
            self._inputs.pop(name).close()
            self._gone(name)
        for name in wanted:
            if name not in self._inputs:
                try:
                    self._inputs[name] = self._system.open_input(name, self._heard)
                except PortError as error:
                    troubles.append(str(error))
        if not self._inputs:
            looked = f" matches {self._in_glob!r}" if self._in_glob else " is there"
            troubles.append(f"no MIDI input{looked}: plug the instrument in")

    def _keep_outputs(self, troubles: list[str]) -> None:
        if not self._sends or self._system is None:
            return
        names = self._system.outputs()
        routes: dict[str, Output] = {}
        for instrument in self._used():
            glob = self._setlist.instruments[instrument].port
            name = choose_output(names, glob, self._out_glob, self._beside())
            if name is None:
                wanted = self._out_glob or glob
                looked = f" matches {wanted!r}" if wanted else " is there"
                troubles.append(f"no MIDI output{looked}: {instrument} gets no program changes")
                continue
            try:
                if name not in self._outputs:
                    self._outputs[name] = self._system.open_output(name)
                routes[instrument] = self._outputs[name]
            except PortError as error:
                troubles.append(str(error))
        self._routes = routes
        for output in self._retired:
            output.close()
        # Closed a round later: a send that looked the old route up may still be under way.
        used = {output.name for output in routes.values()}
        unused = [n for n in self._outputs if n not in used]
        self._retired = [self._outputs.pop(name) for name in unused]

    def _used(self) -> list[str]:
        """Instruments that anything is ever sent to, in the order of the set."""
        changes = (change for part in self._setlist.parts for change in part.changes)
        return list(dict.fromkeys(change.instrument for change in changes))


def _clock_glob(setlist: SetList) -> str | None:
    if setlist.clock_from is None:
        return None
    return setlist.instruments[setlist.clock_from].port
