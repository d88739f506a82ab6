"""The main job on the engine itself: every recipe at every serving, left alone and disturbed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from pytest_subtests import SubTests

from dosewright.hil.client import Client
from dosewright.hil.protocols.protocol_host import Serial
from dosewright.hil.regression import cases, fault_cases, replay
from dosewright.hil.rig import Rig, open_rig
from dosewright.hil.verdicts import Court


class StartedAt(Serial):
    """The host rig with another first tick."""

    def __init__(self, program: Path, tick: int) -> None:
        super().__init__()
        self.port = f"host://{program}"
        self.program, self.first = program, tick

    def start_command(self, url: str) -> list[str]:
        return [str(self.program), "--tick0", str(self.first)]


Built = Callable[[Court], Path]


def test_every_recipe_of_the_example(court: Court, built: Built, subtests: SubTests) -> None:
    url = f"host://{built(court)}"
    seen = 0
    for verdict in replay(court, lambda: open_rig(url), cases(court.compiled)):
        with subtests.test(recipe=verdict.recipe, serving=verdict.serving):
            assert verdict.findings == ()
            assert verdict.witness and verdict.edges >= 2
        seen += 1
    assert seen == len(court.compiled.recipes.recipes) * 3 >= 36


@pytest.mark.parametrize("tick", [0xFFFFFF00, 0x7FFFFF00, 0])
def test_the_tick_may_wrap(stand: Court, built: Built, tick: int) -> None:
    def started_there() -> Rig:
        port = StartedAt(built(stand), tick)
        port.open()
        return Rig("host", Client(port, "host", port.now), port)

    verdicts = list(replay(stand, started_there, cases(stand.compiled)))
    assert [v.findings for v in verdicts] == [()] * 4


def test_every_interlock_lost_at_every_moment(stand: Court, built: Built, subtests: SubTests) -> None:
    url = f"host://{built(stand)}"
    played = fault_cases(stand.compiled)
    told = {case.fault for case in played}
    for lock in ("vessel", "water", "guard", "permit", "stop", "lid"):
        assert f"{lock} open before the pour" in told
        for moment in (
            "at the start of a dose",
            "in the middle of a dose",
            "at the end of a dose",
            "between doses",
        ):
            for after in (", stays open", ", comes back", ", comes back, go on"):
                assert f"{lock} lost {moment}{after}" in told
        assert f"{lock} lost during stirrer, stays open" in told
    verdicts = list(replay(stand, lambda: open_rig(url), played))
    for verdict in verdicts:
        with subtests.test(verdict.case):
            assert verdict.findings == ()
    assert len(verdicts) == len(played)
