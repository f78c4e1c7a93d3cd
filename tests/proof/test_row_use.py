"""Which rows ever decide, where that has to be waited for."""

from __future__ import annotations

import time

import pytest

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.machine import Machine, SwitchOn, Term, atoms
from statecraft.proof.checks.unreachable import fired
from statecraft.proof.engine.limits import proving, within
from statecraft.proof.prove import prove
from statecraft.proof.reachability import Reachability, Undecided
from statecraft.proof.row_use import Pass, RowUse, _may
from statecraft.proof.runs.random_walk import Play
from statecraft.proof.slices import Slices, SliceScope
from tests.proof.trade_machines import trade_text


@pytest.mark.slow
@pytest.mark.parametrize("seed", [93, 98, 219])
def test_what_comes_after_ten_minutes_is_seen(seed: int) -> None:
    """93: ten minutes in a group of rounds; 98: a row's condition holds ten minutes on, behind another row; 219: a row
    waits for a mode of another part that ten minutes never lead to, as was seen where all that part does was followed.
    """
    assert prove(read_text(trade_text(seed)), 20, clock=time.process_time).unproved == ()


def test_a_machine_that_may_go_on_tick_0_to_where_no_row_applies_is_played_from_another() -> None:
    """On some first readings it comes at once to where it stays."""
    text = """\
machine tally
board atmega2560
tick 10 ms
sensor gap by hand, 0 .. 99
lamp lit pin 13
mode parked stop
mode waiting stop
mode ended stop, lit on, final
rules
 in | when | go to
 parked | not gap == 50 | ended
 parked | gap == 50 | waiting
 waiting | gap > 98 | ended
"""
    play = Play(read_text(text))
    play.seek({(0, row) for row in (1, 2)}, (), 20_000)
    assert play.rows >= {(0, 1), (0, 2)}


GATE = """machine gate
board atmega328p
tick 10 ms
command go button, pin 4, on when low
sensor depth by hand, 0 .. 99
switch lid pin 5, on when high
switch top pin 6, on when high
level full when depth > 60 clears when depth < 40
level shut when lid and top for 50 ms clears when not lid
level later when full and top clears when not full
relay motor pin 9
counter tries 0 .. 3
counter large 0 .. 5000
mode down stop
mode up motor on
mode over motor on
mode lost motor on
mode end stop, final
group high up, over
rules
in   | when                          | go to | do
down | go and full and shut          | up    | tries + 1
up   | after 200 ms and later        | over  |
up   | full and not full             | lost  |
up   | after 500 ms                  | down  |
over | tries > 2 and after 1 s in high | end | large + 1
over | large > 4                     | down  |
over | not full                      | up    |
lost | go                            | down  |
"""


def gate() -> tuple[Machine, RowUse]:
    machine = read_text(GATE)
    return machine, RowUse(machine, Slices(machine))


def test_what_a_row_is_first_asked_about_with() -> None:
    """Its part's clocks where it waits, the counters that it reads and that are small; for a group, all of these."""
    machine, use = gate()
    part = machine.parts[0]

    def first(row: int | None) -> set[tuple[str, str]]:
        scope = use._base(part, None if row is None else part.rows[row])
        assert scope.parts == {"gate"}
        return set(scope.things)

    mode, group = ("clock", "mode gate"), ("clock", "group gate.high")
    assert first(0) == {mode}
    assert first(1) == {mode, group}
    assert first(4) == {mode, group, ("counter", "tries")}
    assert first(5) == {mode}
    assert first(None) == {mode}


def test_calm_inputs_keep_out_of_gaps() -> None:
    """On every input that is left, each level that reads one kind of input alone is set or cleared."""
    machine, use = gate()
    made = use.slices.slice(SliceScope(frozenset(["gate"])))
    pairs = dict(made.calm.pairs)
    pairs = {index: some for index, some in pairs.items() if index not in made.varying}
    (depth,) = {made.model.input_cluster[atom] for side in (machine.levels[0].set, machine.levels[0].clear)
                for atom in atoms(side)}  # fmt: skip
    cells = made.model.clusters[depth]
    left = {
        cell.values[Term("sensor", "depth")]
        for cell in cells.cells
        if pairs[depth] & cells.mask(lambda _, other, cell=cell: other is cell)  # type: ignore[misc]
    }
    assert all(value is not None and (value > 60 or value < 40) for value in left)
    assert {value is not None and value > 60 for value in left} == {True, False}
    assert set(pairs) <= {depth, *(made.model.input_cluster[SwitchOn(name)] for name in ("lid", "top"))}


def test_on_calm_inputs_levels_follow_from_them() -> None:
    _, use = gate()
    made = use.slices.slice(SliceScope(frozenset(["gate"])))
    pairs = dict(made.calm.pairs)
    for index in made.varying:
        sources = made.sources_in(index)
        if len(sources) == 1 and sources[0].thing[0] in ("level", "for") and index in pairs:
            cluster = made.model.clusters[index]
            wanted = int(sources[0].thing[0] == "for")
            assert pairs[index] == cluster.mask(lambda _, cell, to=wanted: set(cell.values.values()) == {to})  # type: ignore[misc]
    assert any(index in made.varying for index in pairs)


def test_where_links_and_sensors_are_lost_calm_inputs_are_else_the_same() -> None:
    machine, use = gate()
    made = use.slices.slice(SliceScope(frozenset(["gate"])))
    calm, lost = dict(made.calm.pairs), dict(made.calm_but_lost.pairs)
    (depth,) = {made.model.input_cluster[atom] for side in (machine.levels[0].set, machine.levels[0].clear)
                for atom in atoms(side)}  # fmt: skip
    assert lost[depth] == calm[depth] | made.in_fault("depth").pairs[0][1]
    assert {**lost, depth: calm[depth]} == calm


HELD = """\
machine barrow
board atmega2560
tick 20 ms
link remote serial1, 19200 baud, checked, silent after 600 ms
command halt "x", urgent
command beat "."
command go_ahead "b"
command go_left "c"
command go_back "d"
command go_right "e"
sensor supply voltage, pin A0, 0 V .. 15 V, plausible 4 V .. 14.5 V
sensor ahead_eye range, trigger 30, echo 31, 2 cm .. 400 cm, no echo reads far
sensor left_eye range, trigger 32, echo 33, 2 cm .. 400 cm, no echo reads far
sensor back_eye range, trigger 34, echo 35, 2 cm .. 400 cm, no echo reads far
motor left pwm 3, forward 26, reverse 27
motor right pwm 4, forward 28, reverse 29
level flat when supply < 6.6 V for 2 s clears when supply > 7.2 V for 5 s, on if in doubt
level ahead_shut when ahead_eye < 21 cm clears when ahead_eye > 32 cm for 300 ms, on if in doubt
level left_shut when left_eye < 36 cm for 280 ms clears when left_eye > 44 cm, on if in doubt
level back_shut when back_eye < 31 cm for 160 ms clears when back_eye > 39 cm for 240 ms, on if in doubt
mode resting stop
mode ahead left 45 %, right 45 %
mode leftward left -40 %, right 40 %
mode back left -35 %, right -35 %
mode rightward left 40 %, right -40 %
group moving ahead, leftward, back, rightward
failsafes
  in | when | go to
  any | halt | resting
  moving | flat | resting
  moving | remote silent | resting
rules
  in | when | go to
  resting | go_ahead and not ahead_shut | ahead
  ahead | go_ahead absent 500 ms or ahead_shut | resting
  resting | go_left and not left_shut | leftward
  leftward | go_left absent 500 ms or left_shut | resting
  resting | go_back and not back_shut | back
  back | go_back absent 500 ms or back_shut | resting
  resting | go_right | rightward
  rightward | go_right absent 500 ms | resting
"""


def test_what_a_calm_plan_comes_to_grief_by_is_followed_and_no_level() -> None:
    """Whoever lets go is at rest before the link counts as silent: to know that, each held command has to be followed,
    and none of the levels."""
    machine = read_text(HELD)
    (part,) = machine.parts
    (silent,) = (row for row in part.rows if row.when_text == "remote silent")
    use = RowUse(machine, Slices(machine))
    assert use.decides(part, (silent.number, None), Pass(60, by_plans=True)) is False
    things = frozenset[tuple[str, str]]().union(*(made.sliced.things for made in use.slices.made()))
    assert {kind for kind, _ in things} == {"clock", "mode"}
    assert {name for _, name in things} >= {"silent remote", "absent go_ahead", "absent go_right"}


LIDS = """\
machine skid_bin
board atmega328p
tick 20 ms
command fetch button, pin 4, on when low
command bring button, pin 5, on when low
switch lid pin 6, on when high
switch far_stop pin 7, on when high
motor skid pwm 9, forward 10, reverse 11
counter lids 0 .. 99
mode resting stop
mode at_far stop
mode outward skid 50 %
mode inward skid -50 %
group sliding outward, inward
failsafes
  in | when | go to
  sliding | after 1 min in sliding | resting
rules
  in | when | go to | do
  any | lid turns on | stay | lids + 1
  resting | fetch and not far_stop | outward | lids = 0
  outward | far_stop | at_far |
  at_far | bring or lids >= 20 | inward |
  at_far | lids >= 3 | inward |
  inward | not far_stop | resting |
"""


def test_a_level_that_looks_back_at_one_that_is_followed_is_followed_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """What turns is a level that looks back at another: of both together it is known what turns when, and no more has
    to be followed."""
    machine = read_text(LIDS)
    use = RowUse(machine, Slices(machine))
    monkeypatch.setattr(type(use.play), "seek", lambda *_: None)
    assert use.decides(machine.parts[0], (5, None), Pass(20)) is True
    things = frozenset[tuple[str, str]]().union(*(made.sliced.things for made in use.slices.made()))
    levels = {("level", "lid_was_on"), ("level", "lid_stays_on")}
    assert things == {("mode", "skid_bin"), ("counter", "lids"), *levels}


WINDER = """\
machine winder
board atmega328p
tick 10 ms
command wind button, pin 4, on when low
switch inner pin 5, on when high
stepper carriage step 8, direction 9, at most 200 Hz
counter laid 0 .. 160, counts steps of carriage
mode idle stop
mode outward carriage 100 Hz
mode inward carriage -100 Hz
failsafes
  in | when | go to
  outward | after 3 s | idle
rules
  in | when | go to | do
  idle | wind | outward | laid = 0
  outward | laid >= 150 | inward |
  inward | laid <= 10 or inner | outward |
"""


def test_where_very_much_would_be_told_apart_less_may_be_enough() -> None:
    """Outward from wherever the switch turned it round: at each step it may have been on its way for any time up to
    that from the beginning, and that no longer is all that has to be known."""
    machine = read_text(WINDER)
    use = RowUse(machine, Slices(machine))
    assert use.decides(machine.parts[0], (0, None), Pass(4)) is False
    made = use._never["winder", (0, None)]
    assert made.explorer.around and len(made.explorer.numbers()) < 400
    assert 0 not in {row for _, row in fired(made)}


KILN = """\
machine kiln
board atmega328p
tick 20 ms
command light button, pin 4, on when low
switch lid pin 5, on when high
sensor draught voltage, pin A2, 0 V .. 5 V, plausible 0.2 V .. 4.8 V
relay valve pin 7
level no_draught when draught < 1 V for 2 s clears when draught > 1.4 V, on if in doubt
counter minutes 0 .. 600, up each 1 min in soaking
mode cold stop
mode climbing valve on
mode soaking valve on
failsafes
  in | when | go to
  climbing, soaking | lid or no_draught or draught fault | cold
rules
  in | when | go to | do
  cold | light | climbing | minutes = 0
  climbing | after 3 h | soaking |
  soaking | minutes >= 90 | cold |
  soaking | after {limit} | cold |
"""


@pytest.mark.parametrize("limit, decides", [("2 h", False), ("80 min", True)])
def test_minutes_are_counted_beside_a_time_limit(limit: str, decides: bool) -> None:
    """What is left of a minute when the soaking is broken off is not told apart: there are 3,000 ticks in each."""
    machine = read_text(KILN.format(limit=limit))
    things = frozenset([("clock", "mode kiln"), ("counter", "minutes")])
    made = Slices(machine).slice(SliceScope(frozenset(["kiln"]), things, firmly=True), explored=False).around
    with within(10):
        assert made.explore()
    assert ((0, 4) in fired(made)) is decides and len(made.explorer.numbers()) < 1_500


def test_a_mode_is_entered_if_a_row_that_leads_there_decides() -> None:
    machine, use = gate()
    (part,) = machine.parts
    for mode in part.modes[1:]:
        into = [row for row in part.rows if row.move == "go" and row.target == mode.name]
        decide = [use.decides(part, (row.number, None)) for row in into]
        assert use.entered(part, mode.name) is any(decide)
    assert use.entered(part, part.start.name) is True


def test_of_each_row_it_is_known_whether_it_decides_and_where() -> None:
    machine, use = gate()
    part = machine.parts[0]
    assert [use.decides(part, (row.number, None)) for row in part.rows] == [
        True, True, False, True, True, False, True, False,
    ]  # fmt: skip
    assert use.decides(part, (0, 0)) and use._seen(0, (0, 0)) and not use._seen(0, (0, 1))
    assert (use._is_left(part, 1), use._is_left(part, 3), use._is_left(part, 4)) == (True, False, False)


def test_a_row_may_decide_in_a_mode_where_a_step_lets_it() -> None:
    _, use = gate()
    made = use.slices.slice(SliceScope(frozenset(["gate"])))
    assert [_may(made, 0, (row, None)) for row in range(8)] == [True, True, False, True, True, True, True, False]
    assert [_may(made, 0, (0, mode)) for mode in range(5)] == [True, False, False, False, False]


def codes(found: list[Finding]) -> list[tuple[str, object]]:
    return [(each.code, each.row.number if each.row else each.mode and each.mode.mode) for each in found]


def test_what_is_found_of_rows_and_modes() -> None:
    _, use = gate()
    found = codes(list(use.findings("gate")))
    assert found == [("unreachable", "lost"), ("unreachable", 2), ("unreachable", 5)]


def test_what_is_not_known_of_a_mode_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    text = GATE.replace("over | not full                      | up    |\n", "").replace("counter large 0 .. 5000\n", "")
    text = text.replace("large + 1", "").replace("over | large > 4                     | down  |\n", "")
    machine = read_text(text)
    use = RowUse(machine, Slices(machine))
    monkeypatch.setattr(use, "_is_left", lambda *_: None)
    monkeypatch.setattr(use.play, "left", set())
    monkeypatch.setattr(type(use.play), "seek", lambda *_: None)
    use.play.rows |= {(0, row.number) for row in machine.parts[0].rows}
    use.play.reached |= {(0, 0), (0, 1)}
    with pytest.raises(Undecided, match="what is wrong with down, up"):
        list(use.findings("gate"))


def test_rows_that_are_left_open_are_told_by_their_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    machine, use = gate()
    monkeypatch.setattr(use, "decides", lambda *_: None)
    monkeypatch.setattr(type(use.play), "seek", lambda *_: None)
    lines = [machine.parts[0].rows[number].place.line for number in (0, 1, 3, 4, 5, 6)]
    with pytest.raises(Undecided, match=f"whether the rows on lines {', '.join(map(str, lines))} ever decide$"):
        list(use.findings("gate"))
    use.play.rows |= {(0, number) for number in (0, 1, 3, 4, 6)}
    with pytest.raises(Undecided, match=f"whether the row on line {lines[4]} ever decides$"):
        list(use.findings("gate"))


def test_what_is_followed_whole_is_shown() -> None:
    machine = read_text(GATE.replace("0 .. 5000", "0 .. 1").replace("large > 4", "large > 0"))
    explored = Reachability(machine, ["gate"])
    explored.explore()
    use = RowUse(machine, Slices(machine))
    use.show(explored, 0)
    assert {(0, row) for row in (0, 1, 3, 4, 6)} == use.play.rows
    assert use.play.left == {(0, 0), (0, 1), (0, 2)}


DECIDE = [True, True, False, True, True, False, True, False]
"""Which rows of the gate do."""


@pytest.mark.parametrize("planned", [True, False])
@pytest.mark.parametrize("how", [Pass(), Pass(by_plans=True)])
def test_without_play_by_chance_plans_and_slices_tell_it(
    monkeypatch: pytest.MonkeyPatch, planned: bool, how: Pass
) -> None:
    """Without plans, too, the runs of slices do, each followed further where the simulation does something else."""
    machine, use = gate()
    part = machine.parts[0]
    monkeypatch.setattr(type(use.play), "seek", lambda *_: None)
    if not planned:
        monkeypatch.setattr("statecraft.proof.row_use.tried", lambda *_: iter(()))
    for way in [(number, None) for number in range(8)] + [(6, 2), (0, 1), (3, 1)]:
        use.play.rows.clear()
        use.play.ways.clear()
        row, mode = way
        assert use._settled(part, 0, way, how) is (DECIDE[row] and (row, mode) != (0, 1)), way
    assert use.slices.dead == {("gate", 2), ("gate", 5), ("gate", 7)}
    assert set(use._never) == {("gate", way) for way in ((2, None), (5, None), (7, None), (0, 1))}
    assert use.decides(part, (5, None)) is False


DOSER = """\
machine doser
board atmega2560
tick 20 ms
command dose button, pin 23, on when low, settle 40 ms
command prime button, pin 24, on when low, settle 40 ms
switch empty pin 26, on when high, settle 500 ms
sensor pressure ratio, pin A0, 0 % .. 100 %, plausible 4 % .. 96 %
stepper head step 8, direction 9, at most 600 Hz
level high when pressure > 80 % for 500 ms clears when pressure < 70 % for 1 s
level low when empty for 2 s clears when not empty for 3 s
counter steps 0 .. 1600, counts steps of head
mode idle stop
mode dosing head 300 Hz
mode priming head 400 Hz
mode pausing stop
failsafes
  in | when | go to
  dosing | pressure fault or low | idle
  dosing, priming | after 30 s | idle
rules
  in | when | go to | do
  idle | dose and not low | dosing | steps = 0
  idle | prime | priming |
  priming | after 5 s | idle |
  dosing | high | pausing |
  dosing | steps >= 1600 | pausing | steps = 0
  pausing | after 10 s and not high | dosing |
  pausing | dose | idle |
"""


def test_what_is_followed_roughly_is_followed_closely_where_it_is_to_blame() -> None:
    """The steps come to their end long before the time does; followed roughly, they may stand still."""
    machine = read_text(DOSER)
    use = RowUse(machine, Slices(machine))
    with proving(10):
        assert use.decides(machine.parts[0], (1, None), Pass(8)) is False
    ((_, made),) = use._never.items()
    assert {name for kind, name in made.sliced.things if kind in ("for", "level")} == set()
