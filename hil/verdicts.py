"""A verdict on each recorded pour: by twin, plan, pins and checker, each of which can fail it alone."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from dosewright.gen.compiled import CompiledRecipe
from dosewright.gen.lower import Compiled
from dosewright.gen.plan import Plan, plan
from dosewright.gen.project import Project
from dosewright.gen.targets import MOST_SKEW
from dosewright.hil import checker, quantities
from dosewright.hil.avrboard.accuracy import MOST_LATE, Timing, timing
from dosewright.hil.bounds import beyond
from dosewright.hil.expectation import against_twin
from dosewright.hil.judge import Edge, edges_of, first_difference
from dosewright.hil.messages import reason_words
from dosewright.hil.record import Names, PourRecord, Verdict, later
from dosewright.hil.trouble import RigTrouble


@dataclass(frozen=True, slots=True)
class Court:
    """Everything a verdict needs to know of a project."""

    project: Project
    compiled: Compiled
    names: Names
    rules: checker.Rules

    @classmethod
    def of(cls, project: Project, compiled: Compiled) -> Court:
        return cls(project, compiled, names_of(project, compiled), quantities.rules(project))

    def undisturbed(self, record: PourRecord) -> Verdict:
        """The verdict on a pour that nothing disturbed."""
        planned = plan(self.compiled, record.recipe, record.serving)
        findings = self._witnessed(record)
        if record.refused:
            findings.append(f"the controller refused it: {reason_words(record.refused[0])}")
        elif record.started is not None:
            findings += self._as_planned(record, planned)
            findings += self._checked(record, record.started, planned)
        elif record.by:
            findings.append("no pour began when the button was pressed")
        return self.verdict(record, findings)

    def disturbed(self, record: PourRecord, case: str) -> Verdict:
        """The verdict on a pour that ``case`` disturbed on a simulated rig."""
        findings = self._witnessed(record)
        switches = self.switches(record)
        if switches is not None and record.inputs is not None:
            origin = record.before.tick
            begins = later(record.started if record.started is not None else record.asked_at, origin)
            ends = later(record.ended, origin) if record.ended is not None else begins
            wanted = quantities.pour(self.project, record.recipe.name, self.names.servings[record.serving])
            findings += beyond(
                self.rules, wanted, switches, begins, ends, quantities.closed(self.project, record)
            )
        return self.verdict(record, findings, case)

    def verdict(self, record: PourRecord, findings: list[str], case: str = "") -> Verdict:
        start, end = record.started, record.ended
        ticks = later(end, start) if start is not None and end is not None else 0
        return Verdict(
            record.recipe.name,
            self.names.servings[record.serving],
            tuple(dict.fromkeys(findings)),
            edges=len(edges_of(record.trace, 0)),
            seconds=ticks * self.names.tick_us / 1e6,
            asked_ml=float(self.asked_ml(record.serving)),
            witness=record.edges is not None,
            case=case,
            timing=self._timing(record),
            by=str(record.by) if record.by else "",
        )

    def crashed(self, recipe: CompiledRecipe, serving: int, trouble: RigTrouble, case: str = "") -> Verdict:
        """The verdict on a pour in which the simulated controller ended by itself."""
        volume = float(self.asked_ml(serving))
        name = self.names.servings[serving]
        return Verdict(recipe.name, name, (str(trouble),), asked_ml=volume, crashed=True, case=case)

    def asked_ml(self, serving: int) -> Fraction:
        return self.project.recipes.serving[self.names.servings[serving]]

    def switches(self, record: PourRecord) -> list[checker.Switch] | None:
        """The pins as on or off, in ticks since the record began; None where nobody watched them."""
        if record.edges is None:
            return None
        origin = record.before.tick
        return [
            checker.Switch(later(edge.tick, origin), edge.output, self._is_on(edge.output, edge.level))
            for edge in record.edges
        ]

    def _timing(self, record: PourRecord) -> Timing | None:
        """How far the pins came after their ticks, where the rig tells cycles."""
        simulation = self.project.target.simulation
        edges = [(edge.tick, edge.cycle) for edge in record.edges or () if edge.cycle is not None]
        if simulation is None or not edges:
            return None
        return timing(edges, simulation.clock * self.names.tick_us // 1_000_000)

    def _witnessed(self, record: PourRecord) -> list[str]:
        """Twin against trace, trace against pins."""
        findings = []
        when = self._timing(record)
        if when and not when.in_time:
            findings.append(
                f"its pins changed up to {when.worst} cycles late, those of one tick {when.skew} apart; "
                f"{MOST_LATE} and {MOST_SKEW} may be"
            )
        if record.lost:
            findings.append(f"the controller's trace overflowed, {record.lost} entries are lost")
        findings += against_twin(record, self.compiled, self.names)
        if record.edges is not None:
            start = record.started if record.started is not None else record.asked_at
            pins = [
                Edge(later(edge.tick, start), edge.output, self._is_on(edge.output, edge.level))
                for edge in record.edges
            ]
            told = [
                edge
                for edge in edges_of(record.trace, start)
                if self.compiled.machine.outputs[edge.output].pin
            ]
            if difference := first_difference(told, pins, self.names, "its pin"):
                findings.append(difference)
        return findings

    def _as_planned(self, record: PourRecord, planned: Plan) -> list[str]:
        assert record.started is not None
        wanted = [Edge(*edge) for edge in planned.edges]
        difference = first_difference(wanted, edges_of(record.trace, record.started), self.names)
        return [difference] if difference else []

    def _checked(self, record: PourRecord, started: int, planned: Plan) -> list[str]:
        """The checker, on pins where they were watched, else on the controller's own word."""
        origin = record.before.tick
        switches = self.switches(record)
        if switches is None:
            switches = [
                checker.Switch(later(started, origin) + edge.tick, edge.output, edge.on)
                for edge in edges_of(record.trace, started)
            ]
        wanted = quantities.pour(self.project, record.recipe.name, self.names.servings[record.serving])
        if record.edges is not None:
            # A stage without a pin is a wait, which no pin shows.
            pinned = [stage for stage in wanted.stages if self.compiled.machine.outputs[stage.line].pin]
            wanted = checker.Pour(wanted.parts, tuple(pinned), wanted.largest_first)
        begins = later(started, origin)
        ends = later(record.ended if record.ended is not None else record.after.tick, origin)
        return checker.check(self.rules, wanted, switches, begins, ends)

    def _is_on(self, output: int, level: bool) -> bool:
        pin = self.compiled.machine.outputs[output].pin
        return level == (pin.active_high if pin else True)


def names_of(project: Project, compiled: Compiled) -> Names:
    """The words for outputs, servings and interlocks: a channel is told by its liquid and its line."""
    machine = compiled.machine
    loaded = project.loaded.channels
    outputs = [
        f"{loaded[output.name].liquid} (line {output.name})" if output.name in loaded and not output.is_stage
        else output.name if output.is_stage else f"line {output.name}"
        for output in machine.outputs
    ]  # fmt: skip
    return Names(
        tuple(outputs),
        tuple(project.recipes.serving),
        tuple(lock.name for lock in machine.interlocks),
        machine.tick_us,
    )
