"""A pour that a computer asked for ends when that is silent for too long, where the machine says so."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from dosewright.gen.codes import Reason, Result
from dosewright.gen.twin_log import Event, GoOn, Heard, Input, Outcome, Pour, Stop
from small_machine import Bench, doses, interlock, story

LONG = 200  # ticks of the pour


def over_link(bench: Bench, *log: Event) -> Outcome:
    return bench.run(Heard(10), Pour(10, 1, 0, over_link=True), *log)


def test_it_ends_in_the_tick_after_the_limit_and_all_is_off() -> None:
    outcome = over_link(Bench(doses(LONG, LONG), link_limit=30), Heard(25))
    assert story(outcome) == [
        "10 pour 0", "10 on 0", "10 on 1", f"56 abort {Reason.LINK_LOST}", "56 off 0", "56 off 1",
    ]  # fmt: skip
    assert (outcome.result, outcome.reason, outcome.argument) == (Result.ABORTED, Reason.LINK_LOST, 0)
    assert [step.on for step in outcome.booked] == [46, 46]


def test_just_the_limit_is_no_loss() -> None:
    bench = Bench(doses(31), link_limit=30)
    assert over_link(bench).reason == Reason.LINK_LOST, "limits come before ends"
    assert over_link(Bench(doses(30), link_limit=30)).result == Result.DONE
    assert over_link(bench, Heard(40)).result == over_link(bench, Heard(41)).result == Result.DONE


def test_without_a_limit_or_by_a_button_it_goes_on() -> None:
    assert over_link(Bench(doses(LONG))).result == Result.DONE
    assert Bench(doses(LONG), link_limit=30).pour().result == Result.DONE


def test_a_pour_by_a_button_after_one_over_the_link_goes_on() -> None:
    outcome = over_link(Bench(doses(LONG), link_limit=30), Stop(15), Pour(20, 1, 0))
    assert [entry.argument for entry in outcome.trace if entry.code == 5] == [Reason.STOP]
    assert outcome.result == Result.DONE


def test_a_pause_is_no_shelter() -> None:
    bench = Bench(doses(LONG), interlocks=[interlock()], link_limit=30, pause_limit=1000)
    outcome = over_link(bench, Input(20, 0, False))
    assert story(outcome)[2:] == ["20 pause 0", "20 off 0", f"41 abort {Reason.LINK_LOST}"]


def test_other_limits_of_that_tick_come_first() -> None:
    both = Bench(doses(LONG), link_limit=30, pour_limit=30)
    assert over_link(both).reason == Reason.POUR_LIMIT
    paused = Bench(doses(LONG), interlocks=[interlock()], link_limit=30, pause_limit=20)
    assert over_link(paused, Input(20, 0, False)).reason == Reason.PAUSE_LIMIT
    lost = Bench(doses(LONG), interlocks=[interlock(aborts=True)], link_limit=30)
    assert over_link(lost, Input(41, 0, False)).reason == Reason.INTERLOCK


def test_an_interlock_that_pauses_in_that_tick_comes_after() -> None:
    outcome = over_link(Bench(doses(LONG), interlocks=[interlock()], link_limit=30), Input(41, 0, False))
    assert story(outcome)[2:] == [f"41 abort {Reason.LINK_LOST}", "41 off 0"]


@given(
    heard=st.sets(st.integers(1, LONG + 40)),
    limit=st.integers(1, 60),
    away=st.none() | st.tuples(st.integers(12, 150), st.integers(1, 60)),
)
def test_it_ends_where_counting_ticks_says(heard: set[int], limit: int, away: tuple[int, int] | None) -> None:
    """Against a count of the ticks since the last word; ``away``: a pause from one tick, so long."""
    bench = Bench(doses(LONG), interlocks=[interlock()], link_limit=limit, pause_limit=1000)
    log: list[Event] = [Heard(tick) for tick in sorted(heard | {10})]
    left, paused = LONG, range(0)
    if away:
        paused = range(away[0], away[0] + away[1])
        log += [Input(paused.start, 0, False), Input(paused.stop, 0, True), GoOn(paused.stop + 1)]
        paused = range(paused.start, paused.stop + 1)  # going on is asked for once the input has closed
    silent, lost = 0, None
    for tick in range(1, 2 * LONG):
        silent = 0 if tick in heard | {10} else silent + 1
        if tick >= 10 and silent > limit:
            lost = tick
            break
        left -= tick > 10 and tick - 1 not in paused
        if not left:
            break
    outcome = bench.run(Pour(10, 1, 0, over_link=True), *sorted(log, key=lambda event: event.tick))
    aborts = [(entry.tick, entry.argument) for entry in outcome.trace if entry.code == 5]
    assert aborts == ([(lost, Reason.LINK_LOST)] if lost else [])
