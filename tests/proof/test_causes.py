"""Findings with one cause, told once: findings made by hand, and what is told of them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from statecraft.findings import Finding, Hold, RowRef, Run, Stimulus
from statecraft.language import read_text
from statecraft.machine import Accept, ModeRef, Place
from statecraft.proof.causes import names_of, reached_from, sentence, told_once, with_more
from tests.proof.counted_rows import CountedRows, counted, ring

TEXT = """machine cart
board atmega328p
tick 10 ms
command go button, pin 3, on when low
command back button, pin 4, on when low
sensor front by hand, 0 .. 99
sensor rear by hand, 0 .. 99
relay drive pin 9
lamp lit pin 10
part cart
mode rest stop
mode ahead drive on
mode astern drive on
mode far drive on
mode lost drive on
rules
in     | when                    | go to
rest   | go and front > 9        | ahead
rest   | back and rear > 9       | astern
ahead  | go and rear > 9         | astern
astern | back                    | rest
far    | go                      | lost
lost   | back                    | far
part lamps
mode dark stop
mode bright lit on
rules
in     | when                    | go to
dark   | cart in far             | bright
dark   | go and not cart in rest | bright
bright | back                    | dark
"""
MACHINE = read_text(TEXT)
CART, LAMPS = MACHINE.parts


def mode(name: str, part: str = "cart") -> ModeRef:
    return ModeRef(part, name)


def row(number: int, part: str = "cart") -> RowRef:
    return RowRef(part, number)


def line(number: int, part: int = 0) -> Place:
    return MACHINE.parts[part].rows[number].place


def run(ticks: int) -> Run:
    return Run((Hold(Stimulus(), ticks),))


def told(*findings: Finding) -> list[Finding]:
    return told_once(MACHINE, findings)


# ------------------------------------------------------------------------------------------------------ several at once


def of_mode(name: str, code: str = "runaway", **more: object) -> Finding:
    message, hint = f"in {name} it drives on.", f"let {name} end."
    return replace(Finding(code, line(0), message, hint, mode=mode(name)), **more)  # type: ignore[arg-type]


def test_modes_of_one_cause_are_told_together_with_the_shortest_run() -> None:
    (one,) = told(
        of_mode("ahead", run=run(9), by=(row(0),)),
        of_mode("astern", run=run(3), by=(row(1), row(0))),
        of_mode("far"),
    )
    assert one.message == "In ahead, astern and far it drives on."
    assert one.hint == "Let ahead, astern and far end."
    assert (one.mode, one.also) == (mode("astern"), (mode("ahead"), mode("far")))
    assert one.run == run(3) and one.by == (row(0), row(1))


def test_what_differs_is_not_one_cause() -> None:
    other = of_mode("astern", message="in astern it drives on and on.")
    assert len(told(of_mode("ahead"), other)) == 2
    assert len(told(of_mode("ahead"), of_mode("astern", "halt missed"))) == 2
    assert len(told(of_mode("ahead"), of_mode("astern", gravity="warning"))) == 2
    assert len(told(of_mode("ahead"), of_mode("astern", subject="front"))) == 2
    assert len(told(of_mode("ahead", "stuck"), of_mode("astern", "stuck"))) == 2
    lamps = Finding("runaway", line(0), "in bright it drives on.", "", mode=mode("bright", "lamps"))
    assert len(told(of_mode("ahead", hint=""), lamps)) == 2


def test_what_is_accepted_is_told_alone_and_last() -> None:
    accept = Accept("endless", (mode("ahead"),), (), "it is meant")
    found = told(of_mode("ahead", "endless", accepted=accept), of_mode("astern", "endless"), of_mode("far", "endless"))
    assert [(each.mode, each.also) for each in found] == [(mode("astern"), (mode("far"),)), (mode("ahead"), ())]


def test_the_gravest_first_then_as_in_the_file() -> None:
    found = told(
        of_mode("ahead", "lost turn", place=line(0)),
        of_mode("far", "stuck", place=line(4)),
        of_mode("astern", "stuck", place=line(1)),
    )
    assert [each.mode and each.mode.mode for each in found] == ["astern", "far", "ahead"]


def test_bare_thresholds_of_several_modes_are_left_together() -> None:
    def bare(name: str) -> Finding:
        return of_mode(name, "bare threshold", message=f"front trembles: {name} is left and entered again.")

    (one,) = told(bare("ahead"), bare("astern"))
    assert one.message == "front trembles: ahead and astern are left and entered again."


def test_a_round_is_told_of_all_its_modes() -> None:
    def flaps(name: str, *by: int, shown: Run | None = None) -> Finding:
        return of_mode(name, "flapping", by=tuple(map(row, by)), run=shown)

    (one,) = told(flaps("ahead", 2, 3, shown=run(3)), flaps("astern", 3, 2, shown=run(3)))
    assert (one.mode, one.also) == (mode("ahead"), (mode("astern"),))
    assert len(told(flaps("ahead", 2, 3, shown=run(3)), flaps("astern", 3, 2, shown=run(4)))) == 2
    assert len(told(flaps("ahead", 2, 3, shown=run(3)), flaps("astern", 3, shown=run(3)))) == 2
    assert len(told(flaps("ahead", 2, 3), flaps("astern", 3, 2))) == 2


def test_a_part_that_goes_round_with_another_is_told_with_it() -> None:
    """The lamp's rows ask where the cart is; how other switches happen to stand in its run says nothing."""

    def flaps(name: str, part: str, *by: int, ticks: int = 3, taken: str = "go", lid: bool = False) -> Finding:
        inputs = Stimulus((), (("lid", lid),), (), taken)
        shown = Run((Hold(inputs, ticks),), tail=1, modes=(mode("rest"), mode("dark", "lamps")))
        message = f"{name} takes turns with another."
        rows = tuple(row(number, part) for number in by)
        return Finding("flapping", line(0), message, "wait.", mode=mode(name, part), by=rows, run=shown)

    cart = flaps("ahead", "cart", 2, 3)
    (one,) = told(flaps("dark", "lamps", 0, 1, lid=True), cart, flaps("bright", "lamps", 1, 0, lid=True))
    assert one.message == "ahead takes turns with another. With them go dark and bright of part lamps."
    assert one.modes == (mode("ahead"), mode("dark", "lamps"), mode("bright", "lamps"))
    assert len(told(cart, flaps("dark", "lamps", 0, 1, ticks=4))) == 2
    assert len(told(cart, flaps("dark", "lamps", 0, 1, taken="back"))) == 2
    assert len(told(cart, flaps("dark", "lamps", 0, 2))) == 2  # a row that asks nothing about the cart


def test_several_sensors_of_the_same_modes_lack_one_cover() -> None:
    def ignored(sensor: str, name: str = "ahead") -> Finding:
        message = f"{name} goes on without {sensor}."
        return of_mode(name, "fault ignored", message=message, hint=f"ask for {sensor} fault.", subject=sensor)

    (one,) = told(ignored("front"), ignored("rear"))
    assert (one.message, one.hint) == ("ahead goes on without front or rear.", "Ask for front or rear fault.")
    assert one.subjects == ("front", "rear")
    assert len(told(ignored("front"), ignored("rear", "astern"))) == 2
    hint = "add a failsafe on 'front fault', or declare that it tolerates front fault."
    some = [replace(ignored(name), hint=hint.replace("front", name)) for name in ("front", "rear")]
    said = "Add a failsafe on 'front fault or rear fault', or declare that it tolerates front fault and rear fault."
    assert [each.hint for each in told(*some)] == [said]  # as the file would have it


def faint(number: int, ticks: int, sensor: str = "front") -> Finding:
    message = f"this row starts it without {sensor}."
    return Finding("faint hope", line(number), message, "", row=row(number), subject=sensor, run=run(ticks))


def test_rows_that_rest_on_one_sensor_are_told_by_their_lines() -> None:
    first = line(0).line
    (two,) = told(faint(0, 2), faint(1, 5))
    assert two.message == f"This row starts it without front; so does the row on line {first + 1}, to astern."
    assert (two.row, two.rows, two.by) == (row(0), (row(1),), (row(0), row(1)))
    (three,) = told(faint(2, 4), faint(0, 3), faint(1, 2))
    others = f"so does the row on line {first + 2}; so does the row on line {first}, to ahead"
    assert three.message == f"This row starts it without front; {others}."  # the one that is shown leads to astern
    assert three.row == row(1) and three.rows == (row(2), row(0))
    assert len(told(faint(0, 2), faint(1, 5, "rear"))) == 2


def test_a_start_in_fault_is_told_with_the_mode_that_it_leads_to_where_that_ignores_the_same_fault() -> None:
    ignored = of_mode("ahead", "fault ignored", message="in ahead it drives on.", subject="front")
    (one,) = told(ignored, faint(0, 3))
    told_too = f"For the same cause: The row on line {line(0).line} leads there while front is in fault."
    assert one.message == f"In ahead it drives on. {told_too}"
    assert one.by == (row(0),)
    both = told(ignored, faint(0, 3), faint(1, 2))  # each row by itself, whatever others rest on the sensor
    assert [each.message for each in both] == [one.message, "This row starts it without front."]
    for other in (faint(0, 3, "left"), faint(1, 3)):  # another sensor; a row that leads elsewhere
        assert len(told(ignored, other)) == 2


def test_several_faults_ignored_in_a_mode_take_the_starts_there_with_them_in_one_sentence() -> None:
    said = {name: f"in ahead, no {name}." for name in ("front", "rear")}
    ignored = [of_mode("ahead", "fault ignored", message=no, hint="", subject=name) for name, no in said.items()]
    (one,) = told(*ignored, faint(0, 3), faint(0, 4, "rear"))
    told_too = f"For the same cause: The row on line {line(0).line} leads there while front or rear is in fault."
    assert one.message == f"In ahead, no front or rear. {told_too}"


def test_rows_that_rest_on_several_sensors_are_told_once() -> None:
    def hope(number: int, ticks: int, sensor: str, more: str = "") -> Finding:
        return replace(faint(number, ticks, sensor), hint=f"add 'and not {sensor} fault' to the row{more}.")

    (one,) = told(hope(0, 3, "front"), hope(0, 2, "rear"))
    assert one.message == "This row starts it without front or rear."
    assert one.hint == "Add 'and not front fault and not rear fault' to the row."
    assert one.subjects == ("front", "rear") and one.subject == "rear" and one.run == run(2)
    (two,) = told(*(hope(number, 2, sensor) for number in (0, 1) for sensor in ("front", "rear")))
    others = f"so does the row on line {line(1).line}, to astern"
    assert two.message == f"This row starts it without front or rear; {others}."
    assert len(told(hope(0, 3, "front"), hope(0, 2, "rear"), hope(1, 2, "front"))) == 2  # other rows each
    assert len(told(hope(0, 3, "front"), hope(0, 2, "rear", " and more"))) == 2  # and another mend


def test_that_something_has_the_same_cause_is_said_once() -> None:
    told_so = with_more("One. For the same cause: Two.", ["Three. For the same cause: Four.", "Five."])
    assert told_so == "One. For the same cause: Two. Three. Four. Five."
    assert with_more("One.", ["Two."]) == "One. For the same cause: Two."


def test_a_row_that_is_told_twice_has_no_other_line() -> None:
    (one,) = told(faint(0, 2), faint(0, 5))
    assert one.message == "This row starts it without front."


@pytest.mark.parametrize(
    ("said", "together"),
    [
        ("front stops nothing in ahead", "front and rear stop nothing in ahead"),
        ("front ends no mode", "front and rear end no mode"),
        ("it goes on while front is on.", "It goes on while front and rear are on."),
    ],
)
def test_things_left_out_of_one_mode_are_told_together(said: str, together: str) -> None:
    found = [
        of_mode("ahead", "left out", message=said.replace("front", sensor), subject=sensor)
        for sensor in ("front", "rear")
    ]
    (one,) = told(*found)
    assert one.message == together and one.subjects == ("front", "rear")
    assert len(told(found[0], replace(found[1], mode=mode("astern")))) == 2


# ------------------------------------------------------------------------------------------------------------ sentences


def test_a_sentence_has_a_capital_letter_but_for_what_the_file_names() -> None:
    names = names_of(MACHINE)
    assert {"cart", "lamps", "go", "front", "drive", "ahead", "bright"} <= names
    assert sentence("nothing ends it.", names) == "Nothing ends it."
    assert sentence("front ends it.", names) == "front ends it."
    assert sentence("'front' ends it.", names) == "'front' ends it."


# -------------------------------------------------------------------------------------------------------- never entered


def unreachable(name: str, *by: int) -> Finding:
    return Finding("unreachable", line(0), f"no run enters {name}.", "", mode=mode(name), by=tuple(map(row, by)))


def dead(number: int, part: str = "cart") -> Finding:
    place = line(number, 0 if part == "cart" else 1)
    return Finding("unreachable", place, "this row never decides.", "", row=row(number, part))


def test_to_how_many_modes_rows_lead() -> None:
    assert reached_from(CART) == {"rest": 3, "ahead": 3, "astern": 3, "far": 2, "lost": 2}


def test_what_a_mode_leads_to_is_told_with_it() -> None:
    (one,) = told(unreachable("far"), unreachable("lost", 4))
    assert one.message == "No run enters far. Nor does any enter lost."
    assert (one.mode, one.also) == (mode("far"), (mode("lost"),))


def test_modes_that_lead_to_each_other_are_told_without_going_through_the_rows_for_each() -> None:
    times = []
    for many in (5, 40):
        modes = [f"m{n}" for n in range(many)]
        machine = counted(ring(modes))
        (part,) = machine.parts
        refs = [ModeRef(part.name, name) for name in modes]
        never = [Finding("unreachable", part.place, f"no run enters {ref.mode}.", mode=ref) for ref in refs]
        (one,) = told_once(machine, never)
        assert one.modes == tuple(refs)
        times.append(CountedRows.times)
    assert times[0] == times[1] > 0


def test_a_mode_is_not_entered_for_a_row_that_never_decides() -> None:
    (one,) = told(unreachable("ahead", 0), dead(0))
    assert one.row == row(0) and one.message == "This row never decides. So ahead is never entered."
    assert one.also == (mode("ahead"),)


def test_rows_that_may_wait_for_it_are_told_by_their_lines() -> None:
    (one,) = told(unreachable("ahead", 0), dead(0), dead(3))
    assert one.message == (
        "This row never decides. So ahead is never entered. "
        f"The row on line {line(3).line} never decides either, which may come of the same."
    )
    (two,) = told(unreachable("ahead", 0), dead(0), dead(3), dead(1))
    assert f"The rows on lines {line(3).line} and {line(1).line} never decide either" in two.message


def test_a_row_that_waits_for_a_mode_that_leads_on_to_no_other_is_told_with_it() -> None:
    (one,) = told(unreachable("far"), dead(4))
    assert one.message == (
        f"No run enters far. The row on line {line(4).line} never decides either, which may come of the same."
    )
    assert told(unreachable("far"))[0].message == "No run enters far."


def test_what_is_stuck_since_no_row_leads_out_of_it_comes_of_the_same() -> None:
    stuck = Finding("stuck", line(0), "nothing leaves astern.", "", mode=mode("astern"), by=(row(3),))
    (one,) = told(unreachable("ahead", 0), dead(0), dead(3), stuck)
    assert "and nothing ever leaves astern" in one.message
    assert one.severity == "error"  # as grave as the gravest of it
    alone = replace(stuck, by=())
    assert len(told(unreachable("ahead", 0), dead(0), alone)) == 2


def test_of_two_roots_nothing_else_is_said_to_come() -> None:
    found = told(unreachable("ahead", 0), dead(0), unreachable("astern", 1), dead(1), dead(3))
    assert len(found) == 3


def test_a_part_whose_first_mode_nothing_leaves_is_told_with_all_that_waits_for_it() -> None:
    stuck = Finding("stuck", line(0), "nothing leaves rest.", "", mode=mode("rest"))
    never = [unreachable("ahead", 0), *(unreachable(name) for name in ("astern", "far", "lost"))]
    found = told(stuck, *never, dead(0, "lamps"), dead(1, "lamps"))
    (one,) = found
    assert one.message.startswith("Nothing leaves rest. So no run enters far, lost, ahead or astern.")
    assert set(one.modes) == {mode(each.name) for each in CART.modes}
    assert {row(0, "lamps"), row(1, "lamps")} <= set(one.rows)
    assert len(told(stuck, *never, dead(2, "lamps"))) == 2  # that one waits for nothing of the part
    assert len(told(stuck, *never[:-1])) > 1
