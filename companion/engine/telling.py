"""What the engine tells its screens beside where the count stands: troubles, notices, the clock."""

from __future__ import annotations

from companion.engine.faults import Faults
from companion.engine.keeper import Keeper
from companion.engine.memory import Memory
from companion.engine.options import Options
from companion.engine.playing import Playing
from companion.engine.reloading import Reloading
from companion.engine.view import Surroundings
from companion.follow.conductor import Standing
from companion.follow.follower import Follower
from companion.follow.transport import State

# How long a notice is shown.
NOTICE_NS = 6_000_000_000
# How near to twice or half the tempo of its song a clock is taken for that of another grid.
NEAR = 0.06


class Telling:
    """Gathers it for one engine. Called under the engine's lock; times are monotonic ns."""

    def __init__(
        self,
        options: Options,
        follower: Follower,
        keeper: Keeper,
        faults: Faults,
        memory: Memory | None,
        saving: Reloading | None,
    ) -> None:
        self._options = options
        self._follower = follower
        self._keeper = keeper
        self._faults = faults
        self._memory = memory
        self._saving = saving
        self._notice = ""
        self._notice_ns = 0
        # When the set was first started; 0 before.
        self.started_ns = 0 if memory is None else memory.started_ns

    def started(self, now_ns: int) -> None:
        """The set is running at `now_ns`, perhaps for the first time."""
        if not self.started_ns:
            self.started_ns = now_ns
            if self._memory is not None:
                self._memory.started_ns = now_ns

    def renew(self, notice: str, now_ns: int) -> None:
        """Show `notice` from now on, though it may be the one shown before."""
        self._notice, self._notice_ns = notice, now_ns

    def around(
        self, standing: Standing, made: Playing, now_ns: int, undoable: str = ""
    ) -> Surroundings:
        """All of it; `undoable` is the latest wish that can be undone, in words."""
        follower = self._follower
        if standing.notice != self._notice:
            self.renew(standing.notice, now_ns)
        return Surroundings(
            now_ns=now_ns,
            tick_ns=min(follower.last_clock_ns, now_ns),
            bpm=round(follower.tempo.bpm, 3),
            jitter_ms=round(follower.tempo.jitter_ms, 3),
            clock_port=follower.port or "",
            clocks_lost=follower.clocks_lost,
            demo=self._options.demo,
            notice=standing.notice if now_ns - self._notice_ns < NOTICE_NS else "",
            troubles=tuple(self._troubles(made, now_ns)),
            sending_note=self._options.silence(standing.sends),
            started_ns=self.started_ns,
            fill=made.fill,
            wish=undoable,
            heard=made.heard.states,
            found=dict(made.heard.found),
        )

    def _strange_clock(self, made: Playing) -> str:
        """A sentence on a clock that ticks twice or half as often as its song has it, or ""."""
        conductor, bpm = self._follower.conductor, self._follower.tempo.bpm
        planned = made.setlist.songs[conductor.part.song].tempo
        if conductor.state is not State.RUNNING or self._options.internal_clock or not planned:
            return ""
        for times, word in ((2, "twice"), (0.5, "half")):
            if abs(bpm - times * planned) < NEAR * times * planned:
                return (
                    f"the clock ticks at {bpm:.0f} beats a minute, {word} the tempo of this song: "
                    "see that the instrument sends 24 ticks to the quarter"
                )
        return ""

    def _troubles(self, made: Playing, now_ns: int) -> list[str]:
        """Plain sentences, worst first."""
        follower = self._follower
        others = follower.other_clocks(now_ns)
        found = [
            made.obeying.trouble(follower.conductor),
            *self._keeper.troubles,
            self._strange_clock(made),
            f"{', '.join(others)} sends clock too; following {follower.port}" if others else "",
            self._faults.trouble,
            "" if self._saving is None else self._saving.trouble,
            *made.presses.troubles,
            "" if self._memory is None else self._memory.trouble,
        ]
        return [trouble for trouble in found if trouble]
