"""What the twin says should have been seen of a recorded pour, and whether it was.

The twin gets the request and the input log of the record: the levels the harness put on the pins where it
did, else the debounced changes that the controller's own trace tells. It starts from a reset a little before
the record begins, which is the same as what went before once debouncing, dead times and inrush gap are over.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from dosewright.gen import twin_log as twin
from dosewright.gen.codes import Code, Reason
from dosewright.gen.compiled import CompiledMachine
from dosewright.gen.lower import Compiled
from dosewright.gen.twin import run
from dosewright.hil.judge import first_entry_difference
from dosewright.hil.messages import Entry, reason_words
from dosewright.hil.record import Asked, Names, PourRecord, inputs_of, later
from dosewright.hil.simulated import TICK_WRAP
from dosewright.hil.switches import Setting

JUDGED_WITHIN = 3  # ticks after the one in which a button asks: the pour of sixteen doses begins by then
MARGIN = 2  # ticks between the twin's inputs being settled and the record's beginning


def against_twin(record: PourRecord, compiled: Compiled, names: Names) -> list[str]:
    """Where trace, answer, bookings and end of a pour differ from the twin's; [] where nothing does."""
    outcome = _outcome(record, compiled)
    findings = []
    said = record.refused or (0, 0)
    expected = said if record.by else tuple(outcome.answers[0])  # nobody answers a button
    if said != expected:
        findings.append(
            f"the request was {_answer(said, names)}; it should have been {_answer(expected, names)}"
        )
    start = record.started if record.started is not None else record.asked_at
    wanted = [Entry(*entry) for entry in outcome.trace if later(entry.tick, start) >= 0]
    found = [entry for entry in record.trace if later(entry.tick, start) >= 0]
    if difference := first_entry_difference(wanted, found, start, names):
        findings.append(difference)
    if record.refused is None and not findings:
        after = record.after
        ends = [int(n) for n in (outcome.state, outcome.result, outcome.reason, outcome.argument)]
        if ends != [after.state, after.result, after.reason, after.argument]:
            findings.append(
                f"it ended as {after.result.name.lower()} ({reason_words(after.reason)}); "
                f"{outcome.result.name.lower()} ({reason_words(outcome.reason)}) was expected"
            )
        if [tuple(step) for step in outcome.booked] != [
            (step.output, step.starts, step.planned, step.on) for step in record.booked
        ]:
            findings.append("what the controller booked differs from what was poured")
    return findings


def _outcome(record: PourRecord, compiled: Compiled) -> twin.Outcome:
    machine = compiled.machine
    samples = max((i.debounce for i in inputs_of(machine)), default=0)
    tick0 = (record.before.tick - samples - MARGIN) % TICK_WRAP
    log: list[twin.Event] = []
    if record.levels is not None:
        first = (tick0 + 1) % TICK_WRAP
        log += [twin.Input(first, i, _closed(machine, i, level)) for i, level in enumerate(record.levels)]
        log += [twin.Input(i.tick, i.index, _closed(machine, i.index, i.level)) for i in record.inputs or ()]
    else:
        log += _debounced(record, machine, (tick0 + 1) % TICK_WRAP)
    if record.by is None:
        begun = record.started if record.started is not None else record.asked_at
        log.append(twin.Pour(begun, record.recipe.number, record.serving))
    log += [event for asked in record.requests if (event := _request(asked, record))]
    run_through = partial(
        run, recipes=compiled.recipes, calibration=compiled.calibration,
        tick0=tick0, until=record.after.tick, debounced=record.levels is None,
    )  # fmt: skip
    outcome = run_through(machine, log=log)
    pour = _judged_for_ticks(record, outcome)
    return run_through(_without_button(machine, record.by), log=[*log, pour]) if pour else outcome


def _judged_for_ticks(record: PourRecord, outcome: twin.Outcome) -> twin.Pour | None:
    """The pour of a button, as a request in the tick in which it began, where that came a little late.

    Judging many doses takes a small controller more than a tick.
    """
    if record.by is None or record.started is None:
        return None
    began = [entry.tick for entry in outcome.trace if entry.code == Code.POUR]
    late = later(record.started, began[0]) if began else 0
    if not 0 < late <= JUDGED_WITHIN:
        return None
    return twin.Pour(record.started, record.recipe.number, record.serving)


def _without_button(machine: CompiledMachine, by: Setting | None) -> CompiledMachine:
    """The machine with a button that asks for nothing."""
    buttons = list(machine.buttons)
    if by:
        buttons[by.button] = replace(buttons[by.button], does="select", recipe=0, serving=0)
    return replace(machine, buttons=tuple(buttons))


def _debounced(record: PourRecord, machine: CompiledMachine, first: int) -> list[twin.Event]:
    """The inputs as the controller itself saw them."""
    locks, before = len(machine.interlocks), record.before
    mask = before.closed | before.pressed << locks
    log: list[twin.Event] = [
        twin.Input(first, i, bool(mask >> i & 1)) for i in range(locks + len(machine.buttons))
    ]
    for entry in record.trace:
        if entry.code == Code.INPUT:
            log.append(twin.Input(entry.tick, entry.argument & 127, bool(entry.argument & 128)))
    return log


def _request(asked: Asked, record: PourRecord) -> twin.Event | None:
    """A request at the tick in which the trace says it took effect; a refused one when it was made."""
    tick = asked.tick
    if not asked.refused:
        took = [
            entry.tick
            for entry in record.trace
            if later(entry.tick, asked.tick) >= 0
            and (
                entry.code == Code.GO_ON
                if asked.what == "go on"
                else (entry.code, entry.argument) == (Code.ABORT, Reason.STOP)
            )
        ]
        tick = took[0] if took else tick
    elif record.levels is None:
        return None  # on a real rig the tick of a refusal is not known, and it changes nothing
    return twin.GoOn(tick) if asked.what == "go on" else twin.Stop(tick)


def _closed(machine: CompiledMachine, index: int, level: bool) -> bool:
    return level == inputs_of(machine)[index].pin.active_high


def _answer(answer: tuple[int, ...], names: Names) -> str:
    reason, argument = answer
    if not reason:
        return "accepted"
    if reason == Reason.INTERLOCK and argument < len(names.interlocks):
        return f"refused for interlock {names.interlocks[argument]}"
    return f"refused ({reason_words(reason)})"
