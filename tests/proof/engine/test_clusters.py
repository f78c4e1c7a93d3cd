"""Levels of readings that keep still, of faults and of each other, against brute force."""

from __future__ import annotations

import pytest

from statecraft.language import read_text
from statecraft.machine import Compare, Fault, Term
from statecraft.proof.engine import clusters
from statecraft.proof.engine.clusters import MOST_NAMED, _as_written, knots_of
from statecraft.proof.engine.limits import OutOfTime, proving
from statecraft.proof.engine.model import SymbolicModel
from tests.proof.against_brute import contradictions, disagreements

SCALE = """machine scale
board atmega328p
tick 10 ms
switch lid pin 4, on when high
sensor load by hand, 0 .. 4
relay gate pin 9
level {level}
level near when load > 2 and not calm clears when load < 2{doubt}
mode resting stop
mode opening gate on
rules
in      | when                     | go to
resting | calm and not lid         | opening
opening | near or load fault       | resting
opening | not calm                 | resting
promise never calm and load fault
promise never calm and load == 3 for 20 ms
promise once calm -> opening within 10 ms
promise never near and calm
promise never opening and not calm
"""


@pytest.mark.parametrize("doubt", ["", ", on if in doubt"])
@pytest.mark.parametrize(
    "level",
    [
        "calm when load steady within 1 for 20 ms clears when not load steady within 1 for 20 ms",
        "calm when load steady within 1 for 10 ms clears when load == 0",
        "calm when load steady within 1 for 10 ms and load > 1 clears when load < 1",
        "calm when load > 1 for 20 ms clears when load < 1 for 10 ms",
        "calm when load > 1 and lid clears when load < 1, starts on",
        "calm when not load fault and lid for 20 ms clears when load fault for 20 ms",
    ],
    ids=["steady", "set by steady", "steady and more", "lasting", "on at first", "fault"],
)
def test_as_brute_force_finds_it(level: str, doubt: str) -> None:
    machine = read_text(SCALE.format(level=level, doubt=doubt))
    assert not disagreements(machine)
    assert not contradictions(machine)[0]


@pytest.mark.parametrize(
    "level",
    [
        "calm when load > 1 for 20 ms clears when load < 1 for 10 ms",
        "calm when load > 1 for 20 ms clears when lid",
        "calm when lid clears when load < 1 for 10 ms",
    ],
)
def test_at_rest_each_state_stays_as_it_is(level: str) -> None:
    clusters = SymbolicModel(read_text(SCALE.format(level=level, doubt=""))).clusters
    resting = [each for each in clusters if each.levels and each.at_rest]
    assert resting
    for cluster in resting:
        table = cluster.table(tuple(True for _ in cluster.questions))
        for number in range(len(cluster.states)):
            own = cluster.pairs_from(1 << number) & cluster.at_rest
            (pair,) = [place for place in range(len(table.next)) if own >> place & 1]
            assert table.next[pair] == number


def test_of_many_names_the_first_are_said_and_how_many_more() -> None:
    """Where there is one more, its name is as short as a word for it."""
    names = [f"s{number}" for number in range(MOST_NAMED + 2)]
    few = ", ".join(names[: MOST_NAMED - 1])
    assert _as_written(["clock silent op", *names[:-2]]) == f"{few} and {names[MOST_NAMED - 1]}"
    assert _as_written(names[:-1]).endswith(f" and {names[-2]}")
    assert _as_written(names) == f"{few}, {names[MOST_NAMED - 1]} and 2 more"
    assert _as_written(["clock silent op"]) == "what is free"


def test_comparisons_of_what_is_compared_with_each_other_are_one_knot() -> None:
    a, b, c, d = (Term("sensor", name) for name in "abcd")
    one, two, both, other = (Compare(a, "<", None, 1), Fault("b"), Compare(a, "<", b, 0), Compare(c, "<", None, 1))
    assert knots_of([one, two, other]) == [[one], [two], [other]]
    assert knots_of([one, other, two]) == [[one], [other], [two]]
    assert knots_of([one, two, other, both]) == [[other], [two, one, both]]
    more, last = Compare(b, "<", d, 0), Compare(d, "<", None, 1)
    assert knots_of([one, two, both, other, more, last]) == [[other], [two, one, both, more, last]]


def test_each_comparison_is_put_into_its_knot_once(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Compare] = []
    monkeypatch.setattr(clusters, "terms_of", lambda atom: (asked.append(atom), (atom.left,))[1])
    some = [Compare(Term("sensor", "a"), "<", None, limit) for limit in range(100)]
    assert knots_of(some) == [some] and len(asked) == 100


def test_the_time_is_looked_at_while_it_is_told_where_comparisons_are_true() -> None:
    text = SCALE.format(level="calm when load > 3 clears when load < 1", doubt="")
    model = SymbolicModel(read_text(text.replace("0 .. 4", "0 .. 999")))
    cluster = model.clusters[0]
    cluster.inputs = tuple(Compare(Term("sensor", "load"), "<", None, limit) for limit in range(800))
    with proving(0.0), pytest.raises(OutOfTime):
        _ = cluster.of_input
