"""Trials: what a script feeds, and how expectations are held against what happened."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from statecraft.machine import (
    Absent,
    After,
    At,
    ByHand,
    Compare,
    Condition,
    Every,
    Expect,
    Fault,
    Hear,
    InMode,
    LevelOn,
    Machine,
    Or,
    OutputIs,
    Sensor,
    Servo,
    SetDial,
    SetSensor,
    SetSwitch,
    Silent,
    Steady,
    SwitchOn,
    Taken,
    Term,
    Trial,
    Unit,
)
from statecraft.machine import Blink as Blinks
from statecraft.simulation import Inputs, Simulation, observer, run_trial
from statecraft.simulation.trial import judge, script, usable
from tests.simulation.build import (
    command,
    dial,
    failsafe,
    lamp,
    level,
    link,
    machine,
    mode,
    motor,
    part,
    reads,
    row,
    sensor,
    switch,
)

FRONT = Sensor("front", Unit.LENGTH, ByHand(), 20, 4000, (100, 3000), 50)


def cart(**more: Any) -> Machine:
    """Drives on "go" until something is near; its lamp blinks at rest."""
    near = level("near", reads("front", "<", 350), reads("front", ">", 420), on_if_in_doubt=True)
    modes = [mode("parked", True, eye=Blinks(20)), mode("cruise", drive=60)]
    rows = [
        failsafe("cruise", Silent("op"), "parked"),
        row("parked", Taken("go"), "cruise", ("starts", "step", 1)),
        row("cruise", LevelOn("near"), "parked"),
        row("any", Absent("beat", 7), "stay"),
    ]
    counters = [("starts", 0, 9, 0)]
    return machine(
        part("cart", modes, rows, None, counters),
        links=[link(silent=50)],
        commands=[command("go"), command("beat")],
        dials=[dial("pace", 20, 80, 40)],
        sensors=[FRONT, sensor("left")],
        switches=[switch("bumper")],
        outputs=[motor("drive"), lamp("eye"), Servo("arm", "45", 0, 900, None)],
        levels=[near],
        **more,
    )


def trial(*steps: Any) -> Trial:
    inputs = tuple(step for step in steps if isinstance(step, At | Every))
    return Trial("a trial", inputs, tuple(step for step in steps if isinstance(step, Expect)))


IN_CRUISE = InMode("cart", ("cruise",))
PARKED = InMode("cart", ("parked",))
AWAY = At(0, (SetSensor("front", 2000),))


def test_what_it_never_sets_is_in_fault_off_and_at_its_start() -> None:
    result = run_trial(cart(), trial(At(3, ())))
    assert len(result.trace) == 4
    for view in result.trace:
        assert view.sensors == {"front": None, "left": None}
        assert view.switches == {"bumper": False}
        assert view.dials == {"pace": 40}


def test_sensors_and_switches_hold_and_commands_and_dials_come_once() -> None:
    steps = [
        At(1, (SetSensor("front", 500), SetSwitch("bumper", True), Hear("go"), SetDial("pace", 50))),
        At(3, (SetSensor("front", None), SetSwitch("bumper", False))),
        At(4, ()),
    ]
    trace = run_trial(cart(), trial(*steps)).trace
    assert trace.column("sensor", "front") == [None, 500, 500, None, None]
    assert trace.column("switch", "bumper") == [False, True, True, False, False]
    assert trace.column("heard", "go") == [False, True, False, False, False]
    assert trace.column("dial", "pace") == [40, 50, 50, 50, 50]


def test_every_comes_again_and_again_until_before_its_end() -> None:
    steps = [Every(2, 3, None, (Hear("beat"),)), Every(1, 2, 5, (Hear("go"),)), At(8, ())]
    trace = run_trial(cart(), trial(*steps)).trace
    assert [tick for tick, heard in enumerate(trace.column("heard", "beat")) if heard] == [2, 5, 8]
    assert [tick for tick, heard in enumerate(trace.column("heard", "go")) if heard] == [1, 3]


def test_steps_of_one_tick_come_in_written_order() -> None:
    steps = [Every(1, 1, None, (Hear("beat"),)), At(1, (Hear("go"), SetSensor("left", 1), SetSensor("left", 2)))]
    (last,) = list(script(cart(), trial(*steps)))[1:]
    assert last == Inputs((None, 2), (False,), (1, 0))


def test_an_implausible_reading_is_a_fault_and_one_beyond_the_range_is_held_to_it() -> None:
    assert [usable(FRONT, value) for value in (None, 99, 100, 3000, 3001)] == [None, None, 100, 3000, None]
    assert [usable(sensor("s"), value) for value in (-10001, -10000, 10000, 10001)] == [-10000, -10000, 10000, 10000]
    trace = run_trial(cart(), trial(At(0, (SetSensor("front", 50), SetSensor("left", 99999))))).trace
    assert trace[0].sensors == {"front": None, "left": 10000}


def test_an_expectation_that_comes_true_in_time_says_when() -> None:
    steps = [AWAY, At(5, (Hear("go"),)), Expect(2, IN_CRUISE, 3, 0)]
    result = run_trial(cart(), trial(*steps))
    assert result.passed
    (outcome,) = result.outcomes
    assert (outcome.came_true, outcome.broke, outcome.instead, outcome.decided) == (5, None, None, 5)


def test_one_that_does_not_says_what_was_the_case_instead() -> None:
    when = Or((IN_CRUISE, reads("front", "<", 100), reads("starts", ">", 1, kind="counter")))
    result = run_trial(cart(), trial(AWAY, At(5, (Hear("go"),)), Expect(2, when, 2, 0)))
    assert not result.passed
    (outcome,) = result.outcomes
    assert (outcome.passed, outcome.came_true, outcome.decided) == (False, None, 4)
    assert outcome.instead is not None
    assert outcome.instead.modes == {"cart": ("parked", 0)}
    assert outcome.instead.values == {"front": "200 cm", "starts": "0"}


def test_one_that_does_not_hold_says_where_it_broke() -> None:
    steps = [AWAY, At(5, (Hear("go"),)), At(9, (SetSensor("front", 300),)), Expect(5, IN_CRUISE, 1, 10)]
    (outcome,) = run_trial(cart(), trial(*steps)).outcomes
    assert (outcome.passed, outcome.came_true, outcome.broke) == (False, 5, 9)
    assert outcome.instead is not None and outcome.instead.modes == {"cart": ("parked", 9)}


def test_holding_is_for_so_many_ticks_more() -> None:
    steps = [AWAY, At(5, (Hear("go"),)), At(9, (SetSensor("front", 300),))]
    held = [run_trial(cart(), trial(*steps, Expect(5, IN_CRUISE, 0, hold))).passed for hold in (2, 3, 4)]
    assert held == [True, True, False]


def test_several_expectations_have_an_outcome_each() -> None:
    steps = [AWAY, Expect(0, IN_CRUISE, 3, 0), Expect(0, PARKED, 3, 3), Expect(9, PARKED, 0, 0)]
    result = run_trial(cart(), trial(*steps))
    assert [outcome.passed for outcome in result.outcomes] == [False, True, True]
    assert len(result.trace) == 10


@given(st.lists(st.booleans(), min_size=20, max_size=20), st.integers(0, 6), st.integers(0, 6), st.integers(0, 6))
def test_an_expectation_is_met_as_its_words_say(truths: list[bool], tick: int, within: int, hold: int) -> None:
    m = machine(part("p", [mode("rest", True)]), switches=[switch("go")])
    result = run_trial(m, trial(*(At(n, (SetSwitch("go", truth),)) for n, truth in enumerate(truths))))
    outcome = judge(result.trace, Expect(tick, SwitchOn("go"), within, hold))
    starts = [t for t in range(tick, tick + within + 1) if all(truths[t : t + hold + 1])]
    assert outcome.passed == bool(starts)
    if starts:
        assert outcome.came_true == starts[0]
    else:
        true_at = [t for t in range(tick, tick + within + 1) if truths[t]]
        assert outcome.came_true == (true_at[0] if true_at else None)
        if true_at:
            assert outcome.broke is not None and not truths[outcome.broke]
            assert all(truths[true_at[0] : outcome.broke])


def seen(condition: Condition, *steps: Any, ticks: int = 1) -> bool:
    """Whether ``condition`` is so at the end of the cart's trial."""
    result = run_trial(cart(), trial(*steps, Expect(ticks, condition, 0, 0)))
    return result.passed


GO = At(1, (Hear("go"),))


@pytest.mark.parametrize(
    ("condition", "truth"),
    [
        (IN_CRUISE, True),
        (PARKED, False),
        (InMode("cart", ("cruise", "parked")), True),
        (Taken("go"), True),
        (Taken("beat"), False),
        (LevelOn("near"), False),
        (SwitchOn("bumper"), True),
        (Fault("left"), True),
        (Fault("front"), False),
        (Silent("op"), False),
        (Absent("beat", 7), True),
        (reads("front", ">=", 2000), True),
        (reads("left", ">", -9), False),
        (reads("starts", "==", 1, kind="counter"), True),
        (reads("pace", "==", 45, kind="dial"), True),
        (reads("drive", "==", 60, kind="output"), True),
        (reads("drive", "!=", 60, kind="output"), False),
        (OutputIs("drive", "on"), True),
        (OutputIs("drive", "off"), False),
        (OutputIs("drive", "blinking"), False),
        (OutputIs("eye", "off"), True),
        (OutputIs("eye", "on"), False),
        (OutputIs("eye", "blinking"), False),
        (OutputIs("arm", "off"), True),
        (OutputIs("arm", "on"), False),
        (Compare(Term("output", "arm"), "<", None, 900), False),
    ],
)
def test_what_observers_see_at_the_end_of_a_tick(condition: Condition, truth: bool) -> None:
    start = At(1, (SetSwitch("bumper", True), SetDial("pace", 45)))
    assert seen(condition, AWAY, GO, start) is truth


def test_observers_see_settings_not_positions_and_a_blink_of_either_half() -> None:
    blinking = Expect(0, OutputIs("eye", "blinking"), 0, 30)
    assert run_trial(cart(), trial(AWAY, blinking)).passed
    assert not seen(OutputIs("eye", "on"), AWAY)


def test_an_observer_of_one_part_may_ask_how_long_its_mode_has_lasted() -> None:
    steps = [AWAY, At(3, (Hear("go"),)), At(9, (SetSensor("front", 300),))]
    asked = [Expect(tick, After(4), 0, 0) for tick in (3, 6, 7, 8, 9)]
    outcomes = run_trial(cart(), trial(*steps, *asked)).outcomes
    assert [outcome.passed for outcome in outcomes] == [False, False, True, True, False]
    assert outcomes[1].instead is not None and outcomes[1].instead.values == {"time in cruise": "30 ms"}


def test_or_its_group() -> None:
    rows = [row("a", SwitchOn("go"), "b"), row("b", SwitchOn("go"), "c"), row("c", SwitchOn("go"), "a")]
    m = machine(part("p", [mode("a", True), mode("b"), mode("c")], rows, {"g": ("b c", {})}), switches=[switch("go")])
    on, off = (SetSwitch("go", True),), (SetSwitch("go", False),)
    steps = [At(2, on), At(3, off), At(5, on), At(6, off), At(8, on), At(9, off)]
    asked = [Expect(tick, After(4, "g"), 0, 0) for tick in (5, 6, 7, 8)]
    outcomes = run_trial(m, trial(*steps, *asked)).outcomes
    assert [outcome.passed for outcome in outcomes] == [False, True, True, False]
    assert outcomes[0].instead is not None and outcomes[0].instead.values == {"time in g": "30 ms"}
    assert outcomes[3].instead is not None and outcomes[3].instead.values == {"time in g": "not in it"}


def test_an_observer_of_several_parts_belongs_to_none_and_none_tells_steadiness() -> None:
    two = machine(part("p", [mode("rest", True)]), part("q", [mode("rest", True)]), sensors=[FRONT])
    with pytest.raises(ValueError, match="several parts"):
        observer(two, After(3))
    with pytest.raises(ValueError, match="only a level"):
        observer(two, Steady("front", 3, 4))


def test_a_clock_that_only_an_expectation_asks_for_runs_long_enough() -> None:
    asked = Absent("beat", 90)
    script = trial(At(5, (Hear("beat"),)), Expect(95, asked, 0, 0), Expect(94, asked, 0, 0))
    for m in (cart(trials=(script,)), cart()):
        assert [outcome.passed for outcome in run_trial(m, script).outcomes] == [True, False]
    with pytest.raises(ValueError, match="90 ticks of absent beat"):
        observer(cart(), asked)


@pytest.mark.parametrize(
    ("condition", "values"),
    [
        (Fault("front"), {"front": "200 cm"}),
        (reads("left", ">", 3), {"left": "in fault"}),
        (reads("pace", ">", 90, kind="dial"), {"pace": "40 %"}),
        (SwitchOn("bumper"), {"bumper": "off"}),
        (LevelOn("near"), {"near": "off"}),
        (Taken("go"), {"taken": "nothing"}),
        (OutputIs("eye", "on"), {"eye": "blinking 200 ms"}),
        (OutputIs("drive", "on"), {"drive": "0 %"}),
        (OutputIs("arm", "on"), {"arm": "not driven"}),
    ],
)
def test_what_an_unmet_expectation_reads_is_told_as_people_write_it(condition: Condition, values: Any) -> None:
    (outcome,) = run_trial(cart(), trial(AWAY, At(9, ()), Expect(1, condition, 0, 0))).outcomes
    assert outcome.instead is not None
    assert outcome.instead.values == values


def test_how_long_something_has_been_silent_or_absent_is_told() -> None:
    script = trial(AWAY, At(2, (Hear("beat"),)), Expect(5, Silent("op"), 0, 0), Expect(6, Absent("beat", 7), 0, 0))
    first, second = run_trial(cart(), script).outcomes
    assert first.instead is not None and first.instead.values == {"op silent": "30 ms"}
    assert second.instead is not None and second.instead.values == {"beat absent": "40 ms"}


def test_a_trial_runs_on_the_simulation_itself() -> None:
    m = cart()
    script_ = trial(AWAY, GO, Every(0, 3, 40, (Hear("beat"),)), At(120, ()))
    sim = Simulation(m)
    assert run_trial(m, script_).trace.states == sim.run(script(m, script_))
    assert sim.view.tick == 120
