"""What is in the picture: which rows are lines, which are tags, which frames are drawn."""

from __future__ import annotations

from hypothesis import given, settings

from statecraft.findings import Finding, RowRef
from statecraft.language import read_text
from statecraft.machine import ModeRef
from statecraft.report.scene import Frame, Scene, number, scene
from tests.language.frame import BEHAVIOUR, HARDWARE, PREAMBLE
from tests.random_machines import machine_texts


def seen(rules: str = "", groups: str = "") -> Scene:
    behaviour = BEHAVIOUR.replace("group moving", f"{groups}group moving") + rules
    machine = read_text(PREAMBLE + HARDWARE + behaviour, file="cart.modes")
    return scene(machine, machine.parts[0])


def test_rows_between_the_same_two_modes_are_one_line() -> None:
    made = seen("parked | go and blocked | cruise |\n")
    line = next(line for line in made.edges if (line.tail, line.head) == ("parked", "cruise"))
    assert [label.row.when_text for label in line.labels] == ["go and not blocked", "go and blocked"]


def test_a_failsafe_and_a_rule_between_the_same_two_are_two_lines() -> None:
    text = BEHAVIOUR.replace("any | halt", "cruise | bumper | parked |\nany | halt") + "cruise | go | parked |\n"
    machine = read_text(PREAMBLE + HARDWARE + text, file="cart.modes")
    lines = [line for line in scene(machine, machine.parts[0]).edges if (line.tail, line.head) == ("cruise", "parked")]
    assert sorted(line.failsafe for line in lines) == [False, True]


def test_rows_for_any_mode_and_for_a_group_are_drawn_once() -> None:
    made = seen("moving | bumper | parked |\ncruise, swing | after 9 s | spent |\n")
    tags = {(tag.scope, tag.frame.name if tag.frame else None, tag.target) for tag in made.tags}
    assert tags == {
        ("any", None, "parked"),
        ("moving", "moving", "parked"),
        ("cruise, swing", "moving", "spent"),
    }


def test_a_short_list_that_is_no_group_is_drawn_from_each() -> None:
    made = seen("parked, cruise | bumper | spent |\n")
    assert {line.tail for line in made.edges if line.head == "spent"} == {"parked", "cruise"}


def test_rows_that_stay_are_on_the_card() -> None:
    made = seen("cruise | after 1 s and turns > 0 | stay | turns = 0\n")
    assert [label.row.when_text for label in made.cards["cruise"].stays] == ["after 1 s and turns > 0"]


def test_a_group_that_would_cross_another_is_named_on_the_cards() -> None:
    made = seen(groups="group odd parked, cruise\n")
    assert len(made.frames) == 1
    beside = {name: card.beside for name, card in made.cards.items() if card.beside}
    assert len(beside) == 2 and len(set(beside.values())) == 1


def test_findings_are_marked_at_their_mode_and_their_row() -> None:
    machine = read_text(PREAMBLE + HARDWARE + BEHAVIOUR, file="cart.modes")
    found = [Finding("stuck", mode=ModeRef("cart", "spent")), Finding("shadowed", row=RowRef("cart", 1))]
    made = scene(machine, machine.parts[0], number(found))
    assert [mark.number for mark in made.cards["spent"].marks] == [1]
    labels = [label for line in made.edges for label in line.labels if label.row.number == 1]
    assert [mark.number for label in labels for mark in label.marks] == [2]


@settings(max_examples=40)
@given(machine_texts())
def test_every_row_and_every_mode_is_somewhere_and_frames_never_cross(text: str) -> None:
    machine = read_text(text, file="random.modes")
    for part in machine.parts:
        made = scene(machine, part)
        labels = [label for line in made.edges for label in line.labels]
        labels += [label for tag in made.tags for label in tag.labels]
        labels += [label for card in made.cards.values() for label in card.stays]
        assert {label.row.number for label in labels} == {row.number for row in part.rows}
        assert list(made.cards) == [mode.name for mode in part.modes]
        flat: list[Frame] = list(made.frames)
        for frame in flat:
            assert all(set(inner.modes) <= set(frame.modes) for inner in frame.inside)
            flat += frame.inside
        for one in flat:
            for other in flat:
                a, b = set(one.modes), set(other.modes)
                assert not a & b or a <= b or b <= a
        framed = {frame.group.name for frame in flat}
        for name, card in made.cards.items():
            assert set(card.beside) | (framed & set(part.mode[name].groups)) == set(part.mode[name].groups)
