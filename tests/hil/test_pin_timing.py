"""Pins that change late or apart within a tick: what the judge says, and the figures in the reports."""

from __future__ import annotations

import dataclasses
from xml.etree import ElementTree

import pytest
from rich.console import Console

from dosewright.hil.junit import junit
from dosewright.hil.record import Verdict
from dosewright.hil.regression import cases, replay
from dosewright.hil.report import as_json, verdict_table
from dosewright.hil.simulated import PinEdge
from dosewright.hil.verdicts import Court
from twin_device import TwinDevice

TICK = 16_000  # cycles at 16 MHz
POUR = ("Dock Sour", "regular")


class Counting(TwinDevice):
    """Its edges carry cycles: of stages so many later than of channels, and one edge later still."""

    stages_later = 0
    last_later = 0

    def take_edges(self) -> list[PinEdge]:
        edges = super().take_edges()
        channels = self.compiled.machine.channels
        late = [self.stages_later if edge.output >= channels else 0 for edge in edges]
        if late:
            late[-1] += self.last_later
        return [
            dataclasses.replace(edge, cycle=77 + edge.tick * TICK + by)
            for edge, by in zip(edges, late, strict=True)
        ]


def judged(court: Court, stages_later: int = 0, last_later: int = 0) -> Verdict:
    device = Counting(court.compiled, tick=1000)
    device.stages_later, device.last_later = stages_later, last_later
    (verdict,) = replay(court, device.rig, cases(court.compiled, [POUR[0]], [POUR[1]]))
    return verdict


@pytest.mark.parametrize(
    ("stages_later", "last_later", "said"),
    [
        (0, 0, ""),
        (8, 0, ""),
        (9, 0, "its pins changed up to 9 cycles late, those of one tick 9 apart; 50 and 8 may be"),
        (0, 50, ""),
        (0, 51, "its pins changed up to 51 cycles late, those of one tick 0 apart; 50 and 8 may be"),
    ],
)
def test_the_judge_bounds_lateness_and_skew(
    court: Court, stages_later: int, last_later: int, said: str
) -> None:
    assert "; ".join(judged(court, stages_later, last_later).findings) == said


def test_reports_give_the_figures_of_the_pins(court: Court) -> None:
    verdicts = [judged(court, 8), judged(court, 8)]
    assert verdicts[0].timing
    edges = len(verdicts[0].timing.distances)
    late = verdicts[0].timing.late.count(8)
    assert 0 < late < edges
    console = Console(record=True, width=200)
    verdict_table(verdicts, console)
    printed = console.export_text()
    mean = 8 * late / edges
    assert (
        f"pins, in the controller's cycles after the earliest: worst 8, mean {mean:.1f}; those of one tick "
        f"within 8\n({2 * (edges - late)} came 0 late, {2 * late} came 8 late)\n"
    ) in printed
    cycles = as_json(verdicts, ())["pin_cycles"]
    assert cycles == {"worst": 8, "mean": mean, "skew": 8, "edges": {0: 2 * (edges - late), 8: 2 * late}}
    suite = ElementTree.fromstring(junit(verdicts, "cart", "twin"))[0]
    assert suite[0].tag == "properties", (
        "JUnit's schema, as Ant and Jenkins have it, puts them first (from memory)"
    )
    assert {item.get("name"): item.get("value") for item in suite[0]} == {
        "pin cycles, worst": "8",
        "pin cycles, mean": f"{mean:.3f}",
        "pin cycles, skew": "8",
        "pin cycles, edges by how late": f"0: {2 * (edges - late)}, 8: {2 * late}",
    }


def test_a_rig_that_counts_no_cycles_has_no_figures(court: Court) -> None:
    rig = TwinDevice(court.compiled).rig()
    verdicts = list(replay(court, lambda: rig, cases(court.compiled, [POUR[0]], [POUR[1]])))
    assert b"properties" not in junit(verdicts, "cart", "twin")
    assert as_json(verdicts, ())["pin_cycles"] is None
