"""Every clause of one tick (design, section 4; the numbered readings of DEVELOPERS.md) on a machine that shows it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from statecraft.machine import (
    Absent,
    After,
    And,
    Blink,
    Buzzer,
    Condition,
    CountsTime,
    Fault,
    FromDial,
    HandOutput,
    InMode,
    LevelOn,
    Machine,
    Not,
    Or,
    Relay,
    Remembered,
    Servo,
    Silent,
    Steady,
    SwitchOn,
    Taken,
    Unit,
)
from statecraft.simulation import Simulation, View, source
from tests.simulation.build import (
    command,
    dial,
    either,
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

ON = SwitchOn("go")
GO: Any = {"switches": [switch("go")]}


def simple(*rows: Any, modes: Any = None, **more: Any) -> Machine:
    """One part, p: rest (stop) and run (which drives the motor m if there is one), unless told otherwise."""
    inside = {key: more.pop(key) for key in ("groups", "counters") if key in more}
    more.setdefault("switches", [switch("go")])
    drives: Any = {"m": 50} if any(output.name == "m" for output in more.get("outputs", ())) else {}
    return machine(part("p", modes or [mode("rest", True), mode("run", **drives)], rows, **inside), **more)


def modes_after(sim: Simulation, count: int, **inputs: Any) -> list[str]:
    return [sim.step(**inputs).modes["p"] for _ in range(count)]


# ---------------------------------------------------------------------------------------------------------- 1. sampling


def asks(name: str) -> Any:
    return row("rest", Taken(name), "stay", (f"took_{name}", "step", 1))


def talker(*names: str, urgent: str = "", **more: Any) -> Machine:
    commands = [command(name, urgent=name in urgent.split()) for name in names]
    rows = more.pop("rows", [asks(name) for name in names])
    counters = [(f"took_{name}", 0, 99, 0) for name in names]
    return simple(*rows, commands=commands, counters=counters, links=[link()], modes=[mode("rest", True)], **more)


def test_before_tick_0_outputs_are_at_rest_and_nothing_is_known() -> None:
    sim = Simulation(simple(outputs=[motor("m")], sensors=[sensor("s")]))
    assert sim.view.tick == -1
    assert sim.view.shown == {"m": 0}
    assert sim.view.sensors == {"s": None}


def test_on_tick_0_nothing_is_heard_not_even_counted() -> None:
    sim = Simulation(talker("a", "b", dials=[dial("d", 0, 9, 3)]))
    view = sim.step(hear=["a", "b"], d=7, others=2)
    assert (view.heard, view.taken, view.waiting, view.dials, view.ignored) == ((), None, (), {"d": 3}, 0)
    assert sim.step().taken is None


def test_the_earliest_command_is_taken_and_the_rest_wait_their_turn() -> None:
    sim = Simulation(talker("a", "b", "c"))
    sim.step()
    view = sim.step(hear=["c", "a"])
    assert (view.taken, view.waiting, view.heard) == ("c", ("a",), ("c", "a"))
    view = sim.step(hear=["b", "c"])
    assert (view.taken, view.waiting) == ("a", ("b", "c"))
    assert [sim.step().taken for _ in range(3)] == ["b", "c", None]


def test_a_repeat_is_merged_into_its_place() -> None:
    sim = Simulation(talker("a", "b", "c"))
    sim.step()
    sim.step(hear=["a", "b", "c", "b"])
    view = sim.step(hear=["c", "b"])
    assert (view.taken, view.waiting) == ("b", ("c",))


def test_a_command_taken_on_this_tick_waits_again_only_if_it_comes_again() -> None:
    sim = Simulation(talker("a", "b"))
    sim.step()
    assert sim.step(hear=["b", "a", "b"]).waiting == ("a",)
    assert sim.step(hear=["b"]).waiting == ("b",)


def test_an_urgent_command_overtakes_and_the_others_are_dropped_and_counted() -> None:
    sim = Simulation(talker("a", "b", "stop", "halt", urgent="stop halt"))
    sim.step()
    view = sim.step(hear=["a", "b", "stop", "halt"])
    assert (view.taken, view.waiting, view.dropped) == ("stop", ("halt",), 2)
    view = sim.step(hear=["a"])
    assert (view.taken, view.waiting, view.dropped) == ("halt", (), 3)


def test_a_command_that_no_row_tests_as_an_event_never_waits() -> None:
    rows = [row("rest", Not(Absent("beat", 3)), "stay"), asks("a")]
    sim = Simulation(talker("beat", "a", urgent="beat", rows=rows))
    sim.step()
    view = sim.step(hear=["beat", "a"])
    assert (view.taken, view.dropped, view.clocks["absent beat"]) == ("a", 0, 0)


def test_a_taken_command_lasts_one_tick_used_or_not_and_every_part_sees_it() -> None:
    first = part(
        "one", [mode("rest", True)], [row("rest", Taken("a"), "stay", ("one_a", "step", 1))], None, [("one_a", 0, 9, 0)]
    )
    second = part(
        "two", [mode("rest", True)], [row("rest", Taken("a"), "stay", ("two_a", "step", 1))], None, [("two_a", 0, 9, 0)]
    )
    sim = Simulation(machine(first, second, links=[link()], commands=[command("a")]))
    sim.step()
    assert sim.step(hear=["a"]).counters == {"one_a": 1, "two_a": 1}
    assert sim.step().counters == {"one_a": 1, "two_a": 1}


def test_messages_that_are_no_command_change_nothing_and_are_counted() -> None:
    sim = Simulation(simple(row("rest", Silent("op"), "stay"), links=[link(silent=5)], commands=[command("a")]))
    sim.step()
    sim.step(hear=["a"])
    view = sim.step(others=3)
    assert view.ignored == 3
    assert view.clocks["silent op"] == 1


def test_a_dial_holds_the_last_value_heard_from_the_tick_it_comes_in() -> None:
    sim = Simulation(
        simple(row("rest", reads("d", ">", 5, kind="dial"), "run"), dials=[dial("d", 0, 9, 3)], links=[link(silent=4)])
    )
    assert modes_after(sim, 3) == ["rest"] * 3
    view = sim.step(d=7)
    assert (view.dials, view.modes["p"], view.clocks["silent op"]) == ({"d": 7}, "run", 0)
    assert sim.step().dials == {"d": 7}


def test_a_dial_out_of_its_range_is_counted_changes_nothing_and_ends_no_silence() -> None:
    sim = Simulation(simple(dials=[dial("d", 2, 9, 3)], links=[link(silent=4)]))
    sim.step()
    sim.step(d=1)
    view = sim.step(d=10)
    assert (view.dials, view.ignored, view.clocks["silent op"]) == ({"d": 3}, 2, 4)
    assert sim.step(d=9).dials == {"d": 9}
    assert sim.step(d=2).dials == {"d": 2}


# ------------------------------------------------------------------------------------------------------------ 2. clocks


def test_after_counts_from_the_tick_of_entry() -> None:
    sim = Simulation(simple(row("rest", ON, "run"), row("run", After(3), "rest"), **GO))
    sim.step()
    sim.step(go=True)
    assert sim.view.clocks["mode p"] == 0
    assert modes_after(sim, 3, go=False) == ["run", "run", "rest"]


def test_on_tick_0_clocks_stand_at_0_and_after_runs_from_there() -> None:
    sim = Simulation(simple(row("rest", After(2), "run")))
    assert modes_after(sim, 3) == ["rest", "rest", "run"]


def test_a_clock_saturates_at_the_largest_constant_it_is_compared_with() -> None:
    sim = Simulation(simple(row("rest", And((After(3), ON)), "run"), row("rest", And((After(7), ON)), "stay"), **GO))
    for _ in range(20):
        sim.step()
    assert sim.view.clocks["mode p"] == 7


def test_absence_and_silence_are_saturated_until_someone_speaks() -> None:
    sim = Simulation(
        simple(
            row("rest", Absent("a", 4), "stay"),
            row("rest", Not(Silent("op")), "run"),
            links=[link(silent=3)],
            commands=[command("a")],
        )
    )
    view = sim.step()
    assert (view.clocks["absent a"], view.clocks["silent op"], view.rows) == (4, 3, [("p", 0)])
    view = sim.step(hear=["a"])
    assert (view.clocks["absent a"], view.clocks["silent op"], view.modes["p"]) == (0, 0, "run")


def test_absent_is_clock_at_least_n_and_within_its_opposite() -> None:
    gone, here = Absent("a", 2), Not(Absent("a", 2))
    m = simple(row("any", gone, "rest"), row("any", here, "run"), links=[link()], commands=[command("a")])
    sim = Simulation(m)
    assert modes_after(sim, 2) == ["rest", "rest"]
    sim.step(hear=["a"])
    assert sim.view.modes["p"] == "run"
    assert modes_after(sim, 3) == ["run", "rest", "rest"]


def test_a_taken_command_sets_its_absence_and_its_links_silence_to_0_again() -> None:
    rows = [asks("a"), asks("b"), row("rest", And((Absent("b", 9), Silent("op"))), "stay")]
    sim = Simulation(
        machine(
            part("p", [mode("rest", True)], rows, None, [("took_a", 0, 9, 0), ("took_b", 0, 9, 0)]),
            links=[link(silent=9)],
            commands=[command("a"), command("b")],
        )
    )
    sim.step()
    sim.step(hear=["a", "b"])
    view = sim.step()
    assert (view.heard, view.taken) == ((), "b")
    assert (view.clocks["absent b"], view.clocks["silent op"]) == (0, 0)
    assert sim.step().clocks == {"absent b": 1, "silent op": 1}


def test_only_its_own_link_is_spoken_on() -> None:
    sim = Simulation(simple(links=[link("one", 5), link("two", 5)], commands=[command("a", "one"), command("b", None)]))
    sim.step()
    assert sim.step(hear=["a", "b"]).clocks == {"silent one": 0, "silent two": 5}


def test_a_link_that_declares_no_silence_is_never_silent() -> None:
    sim = Simulation(simple(row("rest", Not(Silent("op")), "run"), links=[link()]))
    assert sim.step().modes["p"] == "run"


def counting(low: int, high: int, start: int, *counts: CountsTime) -> Machine:
    rows = [row("rest", ON, "run"), row("run", Not(ON), "rest")]
    return simple(*rows, counters=[("n", low, high, start, *counts)], **GO)


def test_a_counter_that_counts_time_goes_by_the_mode_of_the_tick_before() -> None:
    sim = Simulation(counting(0, 9, 0, CountsTime(1, 1, ("run",))))
    sim.step()
    assert sim.step(go=True).counters == {"n": 0}  # entered on this tick
    assert sim.step(go=True).counters == {"n": 1}
    assert sim.step(go=False).counters == {"n": 2}  # left on this one
    assert sim.step().counters == {"n": 2}


def test_no_time_is_counted_on_tick_0() -> None:
    sim = Simulation(counting(0, 9, 0, CountsTime(1, 2, ("rest",))))
    assert [sim.step().counters["n"] for _ in range(5)] == [0, 0, 1, 1, 2]


def test_the_remainder_is_kept_while_elsewhere() -> None:
    sim = Simulation(counting(0, 9, 0, CountsTime(1, 3, ("run",))))
    sim.step()
    for go in (True, True, False, False, True, True):  # two ticks spent in run
        sim.step(go=go)
    assert (sim.view.counters["n"], sim.view.clocks["remainder n 0"]) == (1, 0)


def test_each_clause_has_its_own_remainder_and_saturates() -> None:
    sim = Simulation(counting(0, 2, 1, CountsTime(1, 2, ("rest", "run")), CountsTime(-1, 3, ("rest", "run"))))
    seen = [sim.step().counters["n"] for _ in range(9)]
    assert seen == [1, 1, 2, 1, 2, 2, 1, 1, 2]


def remembering(after: int = 2, patience: int = 3, **more: Any) -> Machine:
    memory = sensor("seen", Remembered("s", "p", "run", after), patience)
    rows = [row("rest", ON, "run"), row("run", Not(ON), "rest")]
    return simple(*rows, sensors=[sensor("s"), memory], **GO, **more)


def test_a_reading_is_remembered_in_its_mode_after_its_time_and_until_its_patience() -> None:
    sim = Simulation(remembering())
    sim.step(s=1)
    seen = [
        sim.step(s=value, go=go).sensors["seen"]
        for value, go in [
            (2, True),
            (3, True),
            (4, True),
            (5, True),
            (6, False),
            (7, False),
            (8, False),
            (9, False),
            (9, False),
        ]
    ]
    # clock 0, 1, 2, 3; on the tick that leaves run its clock is still 4 in step 2
    assert seen == [None, None, 4, 5, 6, 6, 6, None, None]


def test_a_fault_of_the_source_leaves_what_is_remembered_and_lets_it_age() -> None:
    sim = Simulation(remembering())
    sim.step(s=1, go=True)
    assert [sim.step(s=s, seen=77).sensors["seen"] for s in (2, 3, None, None, None, 8)] == [None, 3, 3, 3, None, 8]
    assert sim.view.clocks["age seen"] == 0


# ------------------------------------------------------------------------------------------------------------ 3. levels


def levelled(*levels: Any, **more: Any) -> Machine:
    return simple(levels=levels, sensors=[sensor("s"), sensor("t")], **more)


def level_runs(sim: Simulation, name: str, readings: list[int | None]) -> list[bool]:
    return [sim.step(s=value).levels[name] for value in readings]


def test_a_level_is_set_cleared_and_else_holds() -> None:
    sim = Simulation(levelled(level("low", reads("s", "<", 3), reads("s", ">", 5))))
    assert level_runs(sim, "low", [4, 2, 4, 5, 6, 4, 3]) == [False, True, True, True, False, False, False]


def test_a_level_is_off_at_first_unless_it_starts_on() -> None:
    sim = Simulation(levelled(level("low", reads("s", "<", 3), reads("s", ">", 5), starts_on=True)))
    assert level_runs(sim, "low", [4, 6, 4]) == [True, False, False]


def test_for_a_time_means_on_this_tick_and_each_before_it() -> None:
    low = level("low", reads("s", "<", 3), reads("s", ">", 5), set_ticks=2, clear_ticks=1)
    sim = Simulation(levelled(low))
    assert level_runs(sim, "low", [1, 1, 4, 1, 1, 1]) == [False, False, False, False, False, True]
    assert level_runs(sim, "low", [6, 4, 6, 6]) == [True, True, True, False]


def test_on_tick_0_levels_are_decided_as_ever_but_no_time_has_run() -> None:
    now, held = reads("s", "<", 3), level("held", reads("s", "<", 3), reads("s", ">", 5), set_ticks=1)
    sim = Simulation(levelled(level("now", now, reads("s", ">", 5)), held))
    assert sim.step(s=1).levels == {"now": True, "held": False}
    assert sim.step(s=1).levels == {"now": True, "held": True}


def test_in_doubt_a_level_is_on_and_stays_until_it_is_cleared() -> None:
    sim = Simulation(levelled(level("low", reads("s", "<", 3), reads("s", ">", 5), on_if_in_doubt=True)))
    assert level_runs(sim, "low", [6, None, 4, 6, None]) == [False, True, True, False, True]


def test_doubt_is_about_the_sensors_that_set_or_clear_it() -> None:
    low = level("low", reads("s", "<", 3), reads("t", ">", 5), on_if_in_doubt=True)
    sim = Simulation(levelled(low, level("other", LevelOn("low"), Not(LevelOn("low")), on_if_in_doubt=True)))
    assert sim.step(s=4, t=6).levels["low"] is False
    assert sim.step(s=4, t=None).levels["low"] is True
    assert sim.step(s=4, t=6).levels["low"] is False


def test_a_level_reads_earlier_levels_and_the_modes_before_this_ticks_rows() -> None:
    there = InMode("p", ("run",))
    low, late = level("low", reads("s", "<", 3), reads("s", ">", 5)), And((LevelOn("low"), there))
    levels = [low, level("both", late, Not(there))]
    sim = Simulation(simple(row("rest", ON, "run"), levels=levels, sensors=[sensor("s")], **GO))
    assert sim.step(s=1, go=True).levels == {"low": True, "both": False}
    assert sim.step(s=1).levels == {"low": True, "both": True}


def steady() -> Machine:
    return levelled(level("still", Steady("s", 2, 3), reads("s", ">", 100)))


def test_steady_runs_from_its_anchor_and_is_true_after_its_time() -> None:
    sim = Simulation(steady())
    assert level_runs(sim, "still", [10, 12, 8, 10]) == [False, False, False, True]
    assert sim.view.anchors == {"s 2 3": 10}


def test_a_reading_beyond_the_band_is_the_new_anchor() -> None:
    sim = Simulation(steady())
    assert level_runs(sim, "still", [10, 12, 13, 15, 14, 11]) == [False] * 5 + [True]
    assert sim.view.anchors == {"s 2 3": 13}


def test_a_fault_forgets_the_anchor() -> None:
    sim = Simulation(steady())
    assert level_runs(sim, "still", [10, 10, 10, None, 10, 10, 10]) == [False] * 7
    assert level_runs(sim, "still", [10]) == [True]
    sim.step(s=None)
    assert (sim.view.anchors, sim.view.clocks["steady s 2 3"]) == ({"s 2 3": None}, 0)


# -------------------------------------------------------------------------------------------------- comparisons, faults


@pytest.mark.parametrize("op", ["<", "<=", ">", ">=", "==", "!="])
def test_a_comparison_of_a_sensor_in_fault_is_false_and_so_is_its_opposite(op: Any) -> None:
    rows = [
        row("rest", reads("s", op, 5), "stay"),
        row("rest", reads("s", op, "t"), "stay"),
        row("rest", reads("t", op, "s", 2), "stay"),
    ]
    sim = Simulation(simple(*rows, sensors=[sensor("s"), sensor("t")]))
    assert sim.step(s=None, t=7).rows == []
    assert sim.step(s=None, t=None).rows == []


def test_not_negates_the_truth_value_even_of_a_comparison_in_fault() -> None:
    sim = Simulation(simple(row("rest", Not(reads("s", "<", 5)), "run"), sensors=[sensor("s")]))
    assert sim.step(s=None).modes["p"] == "run"


@pytest.mark.parametrize(
    ("op", "truths"),
    [("<", [1, 0, 0]), ("<=", [1, 1, 0]), (">", [0, 0, 1]), (">=", [0, 1, 1]), ("==", [0, 1, 0]), ("!=", [1, 0, 1])],
)
def test_comparisons_with_constants_and_others_and_offsets(op: Any, truths: list[int]) -> None:
    count = ("step", 1)
    rows = [row("rest", reads("s", op, 5), "stay", ("n", *count))]
    against = [row("rest", reads("s", op, "t", -3), "stay", ("n", *count))]
    for each in (rows, against):
        sim = Simulation(simple(*each, sensors=[sensor("s"), sensor("t")], counters=[("n", 0, 9, 0)]))
        for value, truth in zip((4, 5, 6), truths, strict=True):
            assert len(sim.step(s=value, t=8).rows) == truth


def test_not_binds_before_and_before_or() -> None:
    a, b, c = SwitchOn("a"), SwitchOn("b"), SwitchOn("c")
    condition: Condition = Or((And((Not(a), b)), And((c, Not(Or((a, b)))))))
    sim = Simulation(simple(row("rest", condition, "stay"), switches=[switch("a"), switch("b"), switch("c")]))
    for number in range(8):
        x, y, z = bool(number & 4), bool(number & 2), bool(number & 1)
        assert bool(sim.step(a=x, b=y, c=z).rows) == ((not x and y) or (z and not (x or y)))


# ------------------------------------------------------------------------------------------------------- 4. parts, rows


def test_failsafes_go_before_rules_and_the_first_that_holds_decides_alone() -> None:
    rows = [
        failsafe("any", ON, "rest", ("n", "set", 5)),
        row("run", ON, "stay", ("n", "set", 6)),
        row("rest", reads("n", "<", 9, kind="counter"), "run"),
        row("rest", ON, "stay", ("n", "set", 7)),
    ]
    sim = Simulation(simple(*rows, counters=[("n", 0, 9, 0)], **GO))
    assert sim.step().rows == [("p", 2)]
    view = sim.step(go=True)
    assert (view.rows, view.modes["p"], view.counters["n"]) == ([("p", 0)], "rest", 5)


def test_later_parts_see_what_earlier_ones_decided_and_earlier_ones_what_stood() -> None:
    one = part(
        "one", [mode("rest", True), mode("run")], [row("rest", ON, "run", ("n", "step", 1))], None, [("n", 0, 9, 0)]
    )
    follow = [row("rest", And((InMode("one", ("run",)), reads("n", "==", 1, kind="counter"))), "run")]
    two = part("two", [mode("rest", True), mode("run")], follow)
    ahead = part("ahead", [mode("rest", True), mode("run")], [row("rest", InMode("one", ("run",)), "run")])
    sim = Simulation(machine(ahead, one, two, **GO))
    assert sim.step(go=True).modes == {"ahead": "rest", "one": "run", "two": "run"}
    assert sim.step().modes["ahead"] == "run"


def test_own_counters_are_read_as_they_stand_and_changed_once() -> None:
    rows = [
        row("rest", reads("n", "==", 0, kind="counter"), "stay", ("n", "step", 1)),
        row("rest", reads("n", "==", 1, kind="counter"), "stay", ("n", "step", 1)),
    ]
    sim = Simulation(simple(*rows, counters=[("n", 0, 9, 0)]))
    assert [sim.step().counters["n"] for _ in range(3)] == [1, 2, 2]


def test_counters_saturate() -> None:
    rows = [row("rest", ON, "stay", ("n", "step", 2)), row("rest", Not(ON), "stay", ("n", "step", -3))]
    sim = Simulation(simple(*rows, counters=[("n", -2, 3, 0)], **GO))
    assert [sim.step(go=True).counters["n"] for _ in range(3)] == [2, 3, 3]
    assert [sim.step(go=False).counters["n"] for _ in range(3)] == [0, -2, -2]


MOVER: Any = {"outputs": [motor("m")], "sensors": [sensor("s")]}


def test_a_rule_into_a_moving_mode_is_passed_over_while_a_failsafe_holds_there() -> None:
    rows = [failsafe("run", Fault("s"), "rest"), row("rest", ON, "run"), row("rest", ON, "stay", ("n", "step", 1))]
    sim = Simulation(simple(*rows, counters=[("n", 0, 9, 0)], **MOVER, **GO))
    view = sim.step(go=True, s=None)
    assert (view.modes["p"], view.rows, view.counters["n"]) == ("rest", [("p", 2)], 1)
    assert sim.step(s=5).modes["p"] == "run"


def test_a_rule_into_a_stop_mode_is_not_passed_over_nor_into_any_mode_of_a_part_that_moves_nothing() -> None:
    rows = [failsafe("rest", Fault("s"), "other"), failsafe("run", Fault("s"), "other"), row("other", ON, "rest")]
    modes = [mode("other", True), mode("rest", True), mode("run", m=5)]
    sim = Simulation(simple(*rows, modes=modes, **MOVER, **GO))
    assert sim.step(go=True, s=None).modes["p"] == "rest"
    still = simple(
        failsafe("run", Fault("s"), "rest"),
        row("rest", ON, "run"),
        modes=[mode("rest", True), mode("run")],
        sensors=[sensor("s")],
        **GO,
    )
    assert Simulation(still).step(go=True).modes["p"] == "run"


@pytest.mark.parametrize(
    "output",
    [Relay("x", "7"), Servo("x", "45", 0, 900, 0), motor("x"), HandOutput("x", Unit.PERCENT, 0, 100, 0)],
)
def test_what_could_hurt_makes_a_part_move(output: Any) -> None:
    rows = [failsafe("run", Fault("s"), "rest"), row("rest", ON, "run")]
    modes = [mode("rest", True), mode("run"), mode("other", x=1)]
    sim = Simulation(simple(*rows, modes=modes, outputs=[output], sensors=[sensor("s")], **GO))
    assert sim.step(go=True).modes["p"] == "rest"


@pytest.mark.parametrize(
    "output",
    [lamp("x"), Buzzer("x", "8", 2000), Relay("x", "7", harmless=True), replace(motor("x"), harmless=True)],
)
def test_a_lamp_a_buzzer_or_what_is_harmless_does_not(output: Any) -> None:
    rows = [failsafe("run", Fault("s"), "rest"), row("rest", ON, "run")]
    modes = [mode("rest", True), mode("run"), mode("other", x=1)]
    sim = Simulation(simple(*rows, modes=modes, outputs=[output], sensors=[sensor("s")], **GO))
    assert sim.step(go=True).modes["p"] == "run"


def test_passing_over_judges_a_mode_clock_as_if_just_entered() -> None:
    # rest has stood for longer than run may: with its own clock it could never start
    rows = [failsafe("run", After(3), "rest"), row("rest", After(10), "run")]
    sim = Simulation(simple(*rows, **MOVER))
    assert modes_after(sim, 15).index("run") == 10
    grace = [failsafe("run", And((Not(After(3)), ON)), "rest"), row("rest", After(10), "run")]
    sim = Simulation(simple(*grace, **MOVER, **GO))
    assert "run" not in modes_after(sim, 15, go=True)


GROUPS: Any = {"groups": {"g": ("warm run", {})}}
THREE = [mode("rest", True), mode("warm", True), mode("run", m=5)]


def test_passing_over_judges_a_group_clock_by_the_group_if_it_is_already_in_it() -> None:
    rows = [
        failsafe("run", After(4, "g"), "rest"),
        row("rest", After(6), "warm"),
        row("warm", And((After(2), ON)), "run"),
    ]
    early = Simulation(simple(*rows, modes=THREE, **GROUPS, **MOVER, **GO))
    assert modes_after(early, 9, go=True)[6:] == ["warm", "warm", "run"]
    late = Simulation(simple(*rows, modes=THREE, **GROUPS, **MOVER, **GO))
    modes_after(late, 12)  # in warm since tick 6, its group's clock at 5
    assert modes_after(late, 3, go=True) == ["warm"] * 3


def test_passing_over_finds_a_group_clock_false_from_outside_the_group() -> None:
    rows = [failsafe("run", After(4, "g"), "rest"), row("rest", And((After(6), ON)), "run")]
    sim = Simulation(simple(*rows, modes=THREE, **GROUPS, **MOVER, **GO))
    assert modes_after(sim, 7, go=True)[-1] == "run"


def test_passing_over_finds_a_group_clock_false_when_the_mode_entered_is_outside_it() -> None:
    rows = [failsafe("run", After(2, "g"), "rest"), row("warm", ON, "run"), row("rest", Not(ON), "warm")]
    sim = Simulation(simple(*rows, modes=THREE, groups={"g": ("warm", {})}, **MOVER, **GO))
    modes_after(sim, 6)
    assert sim.step(go=True).modes["p"] == "run"


def test_passing_over_judges_everything_else_as_it_stands() -> None:
    rows = [
        failsafe("run", InMode("p", ("rest",)), "rest"),
        failsafe("run", LevelOn("low"), "rest"),
        row("rest", ON, "run"),
        row("warm", ON, "run"),
        row("rest", Not(ON), "warm"),
    ]
    low = level("low", reads("s", "<", 3), reads("s", ">", 5))
    sim = Simulation(simple(*rows, modes=THREE, levels=[low], **MOVER, **GO))
    assert sim.step(go=True, s=9).modes["p"] == "rest"  # from rest, the first failsafe holds
    assert sim.step(go=False).modes["p"] == "warm"
    assert sim.step(go=True, s=1).modes["p"] == "warm"
    assert sim.step(go=True, s=9).modes["p"] == "run"


def test_the_target_that_is_the_present_mode_is_as_stay_and_no_later_row_is_looked_at() -> None:
    for go in ("rest", "stay"):
        rows = [row("rest", ON, go), row("rest", ON, "run"), row("rest", After(3), "run")]
        sim = Simulation(simple(*rows, **GO))
        assert modes_after(sim, 3, go=True) == ["rest"] * 3
        assert (sim.view.clocks["mode p"], sim.view.rows, sim.view.reported) == (2, [("p", 0)], [])
        assert sim.step(go=False).modes["p"] == "run"


def test_a_moving_mode_may_stay_though_a_failsafe_would_hold_on_entry() -> None:
    rows = [
        failsafe("run", Not(After(2)), "rest"),
        row("run", ON, "stay", ("n", "step", 1)),
        row("run", Not(ON), "run", ("n", "step", 2)),
    ]
    modes = [mode("run", m=5), mode("rest", True)]
    sim = Simulation(simple(*rows, modes=modes, counters=[("n", 0, 9, 0)], **MOVER, **GO))
    # started in run for the test's sake; the failsafe takes it out at once
    assert sim.step().modes["p"] == "rest"
    inside = [failsafe("run", And((Not(After(2)), ON)), "rest"), *rows[1:]]
    sim = Simulation(simple(*inside, modes=modes, counters=[("n", 0, 9, 0)], **MOVER, **GO))
    assert [sim.step(go=go).counters["n"] for go in (False, False, True, False)] == [2, 4, 5, 7]


def test_a_failsafe_that_stays_sets_but_does_not_step_and_a_rule_does_both() -> None:
    changes = (("n", "step", 1), ("k", "set", 3))
    counters = [("n", 0, 9, 0), ("k", 0, 9, 0)]
    for go in ("rest", "stay"):
        sim = Simulation(simple(failsafe("rest", ON, go, *changes), counters=counters, **GO))
        assert sim.step(go=True).counters == {"n": 0, "k": 3}
        sim = Simulation(simple(row("rest", ON, go, *changes), counters=counters, **GO))
        assert sim.step(go=True).counters == {"n": 1, "k": 3}
    sim = Simulation(
        simple(failsafe("run", ON, "rest", *changes), row("rest", Not(ON), "run"), counters=counters, **GO)
    )
    sim.step(go=False)
    assert sim.step(go=True).counters == {"n": 1, "k": 3}


def test_restart_enters_the_present_mode_anew_but_not_its_groups() -> None:
    rows = [row("run", ON, "restart", ("n", "step", 1)), row("run", And((After(3), After(3, "g"))), "rest")]
    modes = [mode("run"), mode("rest", True)]
    sim = Simulation(simple(*rows, modes=modes, groups={"g": ("run", {})}, counters=[("n", 0, 9, 0)], **GO))
    modes_after(sim, 3)
    view = sim.step(go=True)
    assert view.clocks == {"mode p": 0, "group p.g": 3}
    assert (view.reported, view.counters["n"]) == ([("p", 0)], 1)
    assert modes_after(sim, 3, go=False) == ["run", "run", "rest"]


def test_restart_of_a_moving_mode_is_an_entry_and_passed_over_as_one() -> None:
    rows = [
        failsafe("run", And((Not(After(2)), Fault("s"))), "rest"),
        row("run", ON, "restart"),
        row("rest", ON, "run"),
    ]
    sim = Simulation(simple(*rows, **MOVER, **GO))
    sim.step(go=True, s=5)
    modes_after(sim, 3, go=False)
    view = sim.step(go=True, s=None)
    assert (view.rows, view.modes["p"]) == ([], "run")
    assert sim.step(s=5).rows == [("p", 1)]


def test_a_group_is_entered_from_outside_only_and_its_clock_runs_on_outside() -> None:
    rows = [
        row("rest", ON, "warm"),
        row("warm", ON, "run"),
        row("run", ON, "rest"),
        row("rest", After(99, "g"), "stay"),
    ]
    sim = Simulation(simple(*rows, modes=THREE, **GROUPS, outputs=[motor("m")], **GO))
    clocks = [sim.step(go=go).clocks["group p.g"] for go in (False, True, False, True, False, True, False, True)]
    #        rest; into warm; ; into run; ; into rest; ; into warm anew
    assert clocks == [0, 0, 1, 2, 3, 4, 5, 0]


def test_after_in_a_group_is_false_outside_it() -> None:
    rows = [row("any", And((After(2, "g"), ON)), "stay")]
    sim = Simulation(simple(*rows, modes=THREE, groups={"g": ("warm", {})}, **MOVER, **GO))
    modes_after(sim, 5)
    assert sim.step(go=True).rows == []


def test_reported_are_rows_that_changed_a_mode_or_a_counter() -> None:
    rows = [row("rest", ON, "stay", ("n", "set", 2), ("k", "set", 0)), row("rest", Not(ON), "run")]
    sim = Simulation(simple(*rows, counters=[("n", 0, 9, 0), ("k", 0, 9, 0)], **GO))
    assert sim.step(go=True).reported == [("p", 0)]
    view = sim.step(go=True)
    assert (view.rows, view.reported) == ([("p", 0)], [])
    assert sim.step(go=False).reported == [("p", 1)]
    assert sim.step(go=False).rows == []


def test_more_rows_in_a_mode_than_python_nests() -> None:
    many = [row("rest", reads("n", "==", number, kind="counter"), "stay", ("n", "step", 1)) for number in range(2000)]
    sim = Simulation(simple(*many, counters=[("n", 0, 5000, 0)]))
    taken = [sim.step().rows for _ in range(2001)]
    assert taken == [[("p", number)] for number in range(2000)] + [[]]


# ----------------------------------------------------------------------------------------------------------- 5. outputs


def shows(sim: Simulation, name: str, count: int, **inputs: Any) -> list[Any]:
    return [sim.step(**inputs).shown[name] for _ in range(count)]


def driver(m: Any, *, back: Any = -50, forth: Any = 50, tick_ms: int = 10, **more: Any) -> Machine:
    """rest; forth while a is on; back while b is on; slow (a moving mode that sets nothing) when both are."""
    a, b = SwitchOn("a"), SwitchOn("b")
    rows = [
        row("any", And((a, b)), "slow"),
        row("any", a, "forth"),
        row("any", b, "back"),
        row("any", Not(either(a, b)), "rest"),
    ]
    modes = [mode("rest", True), mode("forth", m=forth), mode("back", m=back), mode("slow")]
    return machine(part("p", modes, rows), outputs=[m], switches=[switch("a"), switch("b")], tick_ms=tick_ms, **more)


def test_what_no_mode_names_is_at_rest_and_a_mode_goes_before_its_groups_the_innermost_first() -> None:
    modes = [mode("rest", True), mode("a", x=1), mode("b")]
    groups = {"inner": ("a b", {"x": 0, "y": 1}), "outer": ("inner rest", {"z": Blink(4)})}
    rows = [row("rest", ON, "a"), row("a", ON, "b"), row("b", ON, "rest")]
    outputs = [lamp("x"), lamp("y"), lamp("z"), lamp("unused")]
    sim = Simulation(simple(*rows, modes=modes, groups=groups, outputs=outputs, **GO))
    assert sim.step(go=True).settings == {"x": 1, "y": 1, "z": 4, "unused": 0}
    assert sim.step(go=True).settings == {"x": 0, "y": 1, "z": 4, "unused": 0}
    assert sim.step(go=True).settings == {"x": 0, "y": 0, "z": 4, "unused": 0}


def test_outputs_follow_from_the_mode_that_this_tick_came_to() -> None:
    sim = Simulation(driver(motor("m")))
    assert sim.step(a=True).shown["m"] == 50


def test_a_motor_that_changes_direction_rests_for_one_tick_between() -> None:
    sim = Simulation(driver(motor("m")))
    assert shows(sim, "m", 2, a=True) == [50, 50]
    assert shows(sim, "m", 3, a=False, b=True) == [0, -50, -50]
    assert sim.view.settings["m"] == -50


def test_a_motor_that_has_rested_turns_either_way_at_once() -> None:
    sim = Simulation(driver(motor("m")))
    shows(sim, "m", 2, a=True)
    shows(sim, "m", 1, a=False)
    assert shows(sim, "m", 1, b=True) == [-50]
    assert Simulation(driver(motor("m"))).step(b=True).shown["m"] == -50  # and so at first


def test_a_pause_before_reversing_counts_all_ticks_at_rest_and_starts_anew_when_it_turns_on() -> None:
    sim = Simulation(driver(motor("m", pause=3)))
    shows(sim, "m", 1, a=True)
    assert shows(sim, "m", 4, a=False, b=True) == [0, 0, 0, -50]
    shows(sim, "m", 2, b=False)
    assert shows(sim, "m", 2, a=True) == [0, 50]
    shows(sim, "m", 1, a=False)
    assert shows(sim, "m", 1, a=True) == [50]  # the same way needs no pause
    assert shows(sim, "m", 4, a=False, b=True) == [0, 0, 0, -50]


def test_a_ramp_moves_so_much_a_tick_and_rounds_towards_0() -> None:
    sim = Simulation(driver(motor("m", ramp=125), tick_ms=10))  # 1.25 % a tick
    assert shows(sim, "m", 4, a=True) == [1, 2, 3, 5]
    assert sim.view.motors["m"]["position"] == 5000
    sim = Simulation(driver(motor("m", ramp=125), tick_ms=10))
    assert shows(sim, "m", 3, b=True) == [-1, -2, -3]


def test_a_ramp_stops_where_it_wants_to_be() -> None:
    sim = Simulation(driver(motor("m", ramp=3000)))
    assert shows(sim, "m", 3, a=True) == [30, 50, 50]


def test_a_ramp_goes_by_way_of_rest_to_the_other_direction() -> None:
    sim = Simulation(driver(motor("m", ramp=3000, pause=2)))
    shows(sim, "m", 2, a=True)
    assert shows(sim, "m", 6, a=False, b=True) == [20, 0, 0, -30, -50, -50]


def test_a_moving_mode_that_asks_for_rest_is_ramped_to_but_a_stop_mode_is_at_rest_at_once() -> None:
    sim = Simulation(driver(motor("m", ramp=3000)))
    shows(sim, "m", 2, a=True)
    assert shows(sim, "m", 2, a=True, b=True) == [20, 0]
    shows(sim, "m", 2, a=True, b=False)
    assert shows(sim, "m", 1, a=False) == [0]
    assert shows(sim, "m", 1, a=True) == [30]  # and starts again from rest


def test_a_motor_follows_a_dial_or_its_negative() -> None:
    m = driver(
        motor("m"), forth=FromDial("pace"), back=FromDial("pace", True), dials=[dial("pace", 0, 80, 30)], links=[link()]
    )
    sim = Simulation(m)
    assert shows(sim, "m", 1, a=True) == [30]
    assert sim.step(pace=45).settings == {"m": 45}
    sim.step(a=False)
    assert sim.step(b=True).shown["m"] == -45


def test_a_blink_is_on_for_the_first_half_of_its_period_counted_from_tick_0() -> None:
    modes = [mode("rest", True, x=Blink(6)), mode("other", True, y=Blink(6))]
    sim = Simulation(simple(row("rest", After(4), "other"), modes=modes, outputs=[lamp("x"), lamp("y")]))
    seen = [(view["x"], view["y"]) for view in (sim.step().shown for _ in range(14))]
    on, off = True, False
    assert [x for x, _ in seen[:4]] == [on, on, on, off]
    assert [y for _, y in seen[4:]] == [off, off, on, on, on, off, off, off, on, on]  # in step with x's period
    assert sim.view.settings == {"x": 0, "y": 6}


def test_a_steady_lamp_relay_and_buzzer() -> None:
    outputs = [Relay("r", "7"), Buzzer("z", "8", 2000), lamp("l")]
    modes = [mode("rest", True), mode("run", r=1, z=Blink(2), l=1)]
    sim = Simulation(simple(row("rest", ON, "run"), modes=modes, outputs=outputs, **GO))
    assert sim.step().shown == {"r": False, "z": False, "l": False}
    assert sim.step(go=True).shown == {"r": True, "z": False, "l": True}
    assert sim.step().shown == {"r": True, "z": True, "l": True}


def served(rest: int | None) -> Machine:
    modes = [mode("rest", True), mode("up", x=450), mode("idle")]
    a, b = SwitchOn("a"), SwitchOn("b")
    rows = [row("any", a, "up"), row("any", b, "idle"), row("any", Not(either(a, b)), "rest")]
    return machine(
        part("p", modes, rows), outputs=[Servo("x", "45", 0, 900, rest)], switches=[switch("a"), switch("b")]
    )


def test_a_servo_goes_to_its_rest_where_no_mode_names_it() -> None:
    sim = Simulation(served(100))
    assert shows(sim, "x", 1) == [100]
    assert shows(sim, "x", 1, a=True) == [450]
    assert shows(sim, "x", 1, a=False, b=True) == [100]


def test_a_servo_whose_rest_stays_is_not_driven_until_named_and_then_left() -> None:
    sim = Simulation(served(None))
    assert shows(sim, "x", 2, b=True) == [None, None]
    assert shows(sim, "x", 1, a=True) == [450]
    assert shows(sim, "x", 2, a=False) == [450, 450]
    assert shows(sim, "x", 2, b=False) == [450, 450]


def test_a_servo_that_stays_keeps_the_dials_value_of_when_it_was_left() -> None:
    modes = [mode("rest", True), mode("up", x=FromDial("d"))]
    rows = [row("rest", ON, "up"), row("up", Not(ON), "rest")]
    sim = Simulation(
        simple(
            *rows,
            modes=modes,
            outputs=[Servo("x", "45", 0, 900, None)],
            links=[link()],
            dials=[dial("d", 0, 900, 10)],
            **GO,
        )
    )
    sim.step(go=True)
    assert sim.step(d=300).shown["x"] == 300
    sim.step(go=False)
    assert sim.step(d=500).shown["x"] == 300


def test_an_output_by_hand_is_a_number_with_a_rest_of_its_own() -> None:
    modes = [mode("rest", True), mode("run", x=70)]
    sim = Simulation(
        simple(row("rest", ON, "run"), modes=modes, outputs=[HandOutput("x", Unit.PERCENT, 0, 100, 20)], **GO)
    )
    assert shows(sim, "x", 1) == [20]
    assert shows(sim, "x", 1, go=True) == [70]


# --------------------------------------------------------------------------------------- snapshots, choices, the source


def test_a_snapshot_can_be_kept_compared_hashed_and_come_back_to() -> None:
    sim = Simulation(counting(0, 9, 0, CountsTime(1, 2, ("run",))))
    sim.step(go=True)
    kept = sim.snapshot()
    first = [sim.step(go=True).state for _ in range(5)]
    sim.restore(kept)
    assert [sim.step(go=True).state for _ in range(5)] == first
    assert len({kept, *first}) == 6
    sim.reset()
    assert sim.view.tick == -1


def test_an_unknown_input_is_refused_by_name() -> None:
    sim = Simulation(simple(**MOVER))
    with pytest.raises(KeyError, match="nothing"):
        sim.step(nothing=4)
    with pytest.raises(KeyError, match="nothing"):
        sim.step(nothing=None)
    with pytest.raises(KeyError, match="nothing"):
        sim.step(hear=["nothing"])


def test_the_chosen_step_takes_what_it_is_told_and_remembers_nothing() -> None:
    m = remembering(links=[link(silent=4)], commands=[command("a"), command("b")], dials=[dial("d", 0, 9, 3)])
    m = machine(
        part(
            "p", [mode("rest", True), mode("run")], [row("rest", Taken("a"), "run"), row("run", Absent("b", 3), "stay")]
        ),
        links=m.links,
        commands=m.commands,
        dials=m.dials,
        sensors=m.sensors,
    )
    sim = Simulation(m)
    sim.step_chosen((1, 42), (), (3,), 0, (1,))
    assert (sim.view.taken, sim.view.heard, sim.view.modes["p"]) == (None, (), "rest")  # tick 0
    sim.step_chosen((1, 42), (), (5,), 0, (1,))
    view = sim.view
    assert (view.taken, view.heard, view.modes["p"]) == ("a", ("b",), "run")
    assert (view.sensors, view.dials) == ({"s": 1, "seen": 42}, {"d": 5})
    assert (view.clocks["absent b"], view.clocks["silent op"], view.waiting) == (0, 0, ())
    sim.step_chosen((1, None), (), (5,))
    assert (sim.view.taken, sim.view.clocks["silent op"]) == (None, 1)
    sim.step_chosen((1, None), (), (6,), spoken=(0,))
    assert (sim.view.clocks["silent op"], sim.view.clocks["absent b"]) == (0, 2)


def test_the_source_can_be_read_and_tells_each_rows_own_words() -> None:
    text = source(simple(row("rest", ON, "run"), **GO))
    compile(text, "text", "exec")
    assert "rule 0: rest |" in text
    assert "# run" in text


def test_a_row_cannot_read_an_output_nor_a_level_test_after() -> None:
    seen = reads("m", ">", 0, kind="output")
    with pytest.raises(ValueError, match="output m"):
        source(simple(row("rest", seen, "run"), outputs=[motor("m")]))
    with pytest.raises(ValueError, match="after"):
        source(levelled(level("l", After(3), Not(After(3)))))


def test_the_view_prints_where_it_stands() -> None:
    view: View = Simulation(simple()).step()
    assert repr(view) == "<tick 0: p in rest>"


@pytest.mark.parametrize("ramp", [None, 200])
def test_a_stop_mode_sets_what_is_harmless_and_lets_it_keep_its_ramp(ramp: int | None) -> None:
    fan = replace(motor("fan"), harmless=True, ramp=ramp)
    modes = [mode("rest", True, fan=40), mode("run", fan=-10), mode("still", True)]
    sim = Simulation(simple(row("rest", ON, "still"), modes=modes, outputs=[fan], **GO))
    shown = [sim.step().shown["fan"] for _ in range(30)]
    assert shown[:3] == ([40, 40, 40] if ramp is None else [2, 4, 6])
    assert shown[-1] == 40
    assert sim.step(go=True).shown["fan"] == 0, "a stop mode that does not set it has it at rest at once"
