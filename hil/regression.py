"""Many pours on a rig, a verdict on each.

What scripts call: ``for verdict in replay(court, lambda: open_rig(url), cases(court.compiled)): ...``.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from dosewright.gen import choice
from dosewright.gen.lower import Compiled
from dosewright.gen.problems import UserError
from dosewright.hil.clock import Reading
from dosewright.hil.faults import Case, faults, telling
from dosewright.hil.hands import Person
from dosewright.hil.record import Verdict
from dosewright.hil.replay import Session
from dosewright.hil.report import Reporter, Silent
from dosewright.hil.rig import OpenRig, Rig
from dosewright.hil.switches import settings
from dosewright.hil.trouble import RigCrashed, RigTrouble
from dosewright.hil.upload import Progress
from dosewright.hil.verdicts import Court


def replay(
    court: Court,
    open_rig: OpenRig,
    cases: Sequence[Case],
    *,
    reporter: Reporter | None = None,
    progress: Progress = lambda *_: None,
    person: Person | None = None,
    readings: list[Reading] | None = None,
) -> Iterator[Verdict]:
    """A verdict on each case, as it is reached; readings of the controller's clock go into ``readings``.

    A simulated controller that crashes is a verdict, and a new one pours the rest. Raises RigTrouble when a
    real one is lost or does not fit, and UserError when a rig has to be built and cannot.
    """
    reporter = reporter or Silent()
    session: Session | None = None
    reporter.begin(len(cases))
    try:
        for case in cases:
            name = court.names.servings[case.serving]
            reporter.step(f"{case.recipe.name}, {name}")
            try:
                if session is None:
                    session = _prepared(open_rig(), court.compiled, person, progress)
                    if readings is not None:
                        readings.clear()  # those of a controller that crashed
                        session.readings = readings
                verdict = one(court, session, case)
            except RigCrashed as crash:
                if session:
                    session.rig.close()
                session = None
                verdict = court.crashed(case.recipe, case.serving, crash, case.fault)
            yield verdict
    finally:
        reporter.end()
        if session:
            with contextlib.suppress(OSError):
                session.rig.close()


def one(court: Court, session: Session, case: Case) -> Verdict:
    """Pour one case on a prepared session and judge it."""
    record = session.pour(case.recipe, case.serving, case.acts, case.open_first, case.by)
    return court.disturbed(record, case.fault) if case.fault else court.undisturbed(record)


def cases(compiled: Compiled, recipes: Iterable[str] = (), servings: Iterable[str] = ()) -> list[Case]:
    """Recipes by servings, all or those named (recipes also by number). UserError for an unknown one."""
    chosen = [choice.recipe(compiled, name) for name in recipes] or compiled.recipes.recipes
    wanted = [choice.serving(compiled, name) for name in servings] or range(len(compiled.recipes.servings))
    if not chosen:
        raise UserError("no recipe can be poured with what is loaded and measured; see dosewright check")
    return [Case(recipe, serving) for recipe in chosen for serving in wanted]


def switch_cases(
    court: Court, recipes: Iterable[str] = (), servings: Iterable[str] = ()
) -> tuple[list[Case], list[Case]]:
    """Every way to ask for the chosen pours with buttons and selectors; the pours that no switch asks for.

    UserError where there is no way at all.
    """
    asked: list[Case] = []
    beyond: list[Case] = []
    for case in cases(court.compiled, recipes, servings):
        ways = list(settings(court.project, court.compiled, case.recipe.number, case.serving))
        asked += [replace(case, by=setting) for setting in ways]
        beyond += [] if ways else [case]
    if not asked:
        raise UserError(
            "no button of this machine pours any of these; in machine.toml a table [button.NAME] with "
            'does = "pour" does, with a recipe and a serving or with selectors that say them'
        )
    return asked, beyond


def fault_cases(compiled: Compiled, recipes: Sequence[str] = (), servings: Sequence[str] = ()) -> list[Case]:
    """Every disturbance of the chosen pours; of the most telling one where none is chosen."""
    if recipes or servings:
        pours = [(case.recipe, case.serving) for case in cases(compiled, recipes, servings)]
    else:
        cases(compiled)
        pours = telling(compiled)
    return [case for recipe, serving in pours for case in faults(compiled, recipe, serving)]


def _prepared(rig: Rig, compiled: Compiled, person: Person | None, progress: Progress) -> Session:
    session = Session(rig, compiled, person)
    try:
        session.prepare(progress)
    except (RigTrouble, KeyboardInterrupt):
        rig.close()
        raise
    return session
