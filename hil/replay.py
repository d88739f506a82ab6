"""Pours on a rig, one at a time, recording everything that was seen of each.

The same steps run on every rig. On a simulated one the harness moves the switches itself; on a real one it
asks the person at the machine, through ``Person``, and waits until the controller sees it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass

from dosewright.gen.codes import Code, State
from dosewright.gen.compiled import CompiledRecipe
from dosewright.hil.hands import Hands
from dosewright.hil.messages import Entry, Identity
from dosewright.hil.record import Asked, PourRecord, later
from dosewright.hil.simulated import TICK_WRAP, PinEdge
from dosewright.hil.switches import Setting
from dosewright.hil.trouble import RigTrouble
from dosewright.hil.upload import Loaded, Progress, fits, held, put

DRAIN_EVERY = 200  # ticks between two looks at the trace: far fewer edges than its ring holds
LOOKS_IN_LIMIT = 8  # so many in the time after which a silent link ends a pour


@dataclass(frozen=True, slots=True)
class Act:
    """Something done during a pour, ``after`` ticks from its beginning, or at the next moment possible.

    ``what``: "open" or "close" input ``index``, "go on", or "stop".
    """

    after: int
    what: str
    index: int = 0


class Session(Hands):
    """A rig with the records of the project loaded, on which one pour is made after the other."""

    def prepare(self, progress: Progress = lambda *_: None) -> tuple[Identity, list[Loaded]]:
        """Identify, compare, load what differs, and close every interlock."""
        identity = fits(self.rig.client, self.compiled)
        loaded = held(self.rig.client, identity, self.compiled)
        put(self.rig.client, loaded, self.compiled, progress)
        self.close_interlocks()
        return identity, loaded

    def pour(
        self,
        recipe: CompiledRecipe,
        serving: int,
        acts: Sequence[Act] = (),
        open_first: int = -1,
        by: Setting | None = None,
    ) -> PourRecord:
        """One pour with a vessel that was lifted and put back.

        ``acts`` disturb it; ``open_first`` is an input to open before it is asked for, which is done with the
        switches of ``by`` where there are some, else over the link.

        Raises RigTrouble; RigCrashed when a simulated controller ends by itself.
        """
        client, bench = self.rig.client, self.rig.bench
        if by:
            self._set_selectors(by)
        self._change_vessel()
        if open_first >= 0:
            self._move(open_first, False)
            self._settle()
        client.trace()
        if bench:
            bench.take_edges()
        self._inputs.clear()
        levels = tuple(self._levels) if bench else None
        before = self._status()
        asked_at = ((bench.tick if bench else before.tick) + 1) % TICK_WRAP
        trace: list[Entry] = []
        lost = 0
        requests: list[Asked] = []
        refused = None
        begun = True
        if by:
            begun, lost = self._press(by, trace)
        else:
            answer = client.pour(recipe.number, serving)
            refused = (answer.reason, answer.argument) if answer.reason else None
        if begun and not refused:
            try:
                more_lost, requests = self._follow(trace, sorted(acts, key=lambda act: act.after))
                lost += more_lost
            except KeyboardInterrupt:
                with contextlib.suppress(RigTrouble):
                    client.stop()
                raise
        self._settle()
        more_lost, more = client.trace()
        after = self._status()
        record = PourRecord(
            recipe, serving, before, after, asked_at, refused,
            tuple(trace + more), lost + more_lost, tuple(client.booked()), levels,
            tuple(self._inputs) if bench else None, tuple(requests), self._edges(), by,
        )  # fmt: skip
        self._close_again()
        return record

    # What happens during a pour

    def _follow(self, trace: list[Entry], acts: list[Act]) -> tuple[int, list[Asked]]:
        """Let the pour run to its end, doing each act in its time; returns entries lost and requests made."""
        lost = 0
        requests: list[Asked] = []
        start = None
        limit = self._longest()
        while True:
            more_lost, more = self.rig.client.trace()
            lost += more_lost
            trace += more
            start = next((entry.tick for entry in trace if entry.code == Code.POUR), start)
            ended = any(entry.code in (Code.DONE, Code.ABORT) for entry in trace)
            if ended or (lost and self.rig.client.status().state == State.IDLE):
                return lost, requests
            now = self._now()
            if start is None:
                if limit <= 0:
                    raise RigTrouble(
                        f"{self.rig.name}: accepted a pour and never began it; its firmware is at fault"
                    )
                limit -= self._wait(1)
                continue
            while acts and later(now, start) >= acts[0].after:
                done = self._act(acts.pop(0))
                if done:
                    requests.append(done)
                now = self._now()
            step = self._between_looks()
            if acts:
                step = max(1, min(step, acts[0].after - later(now, start)))
            if limit <= 0:
                raise RigTrouble(
                    f"{self.rig.name}: a pour goes on beyond every limit of the machine; stop it by hand"
                )
            limit -= self._wait(step)

    def _act(self, act: Act) -> Asked | None:
        if act.what in ("open", "close"):
            self._move(act.index, act.what == "close")
            return None
        at = self._now()
        answer = self.rig.client.go_on() if act.what == "go on" else self.rig.client.stop()
        return Asked((at + 1) % TICK_WRAP, act.what, answer.reason)

    def _between_looks(self) -> int:
        """Ticks between two looks at the trace; often enough that the controller knows somebody is there."""
        limit = self.compiled.machine.link_limit
        return max(1, min(DRAIN_EVERY, limit // LOOKS_IN_LIMIT)) if limit else DRAIN_EVERY

    def _longest(self) -> int:
        """More ticks than any pour with all its pauses may take before the engine itself ends it."""
        machine = self.compiled.machine
        return machine.pour_limit + 8 * machine.pause_limit + 10 * DRAIN_EVERY

    def _edges(self) -> tuple[PinEdge, ...] | None:
        return tuple(self.rig.bench.take_edges()) if self.rig.bench else None
