"""Rows that the simulation is seen to take."""

from __future__ import annotations

import time
from collections import Counter

import pytest

from statecraft.findings import Run
from statecraft.language import read_text
from statecraft.machine import LevelOn, Machine, SwitchOn, Term
from statecraft.proof.engine.limits import OutOfTime, proving, within
from statecraft.proof.kept_dials import kept
from statecraft.proof.runs.plans import wait
from statecraft.proof.runs.random_walk import KEPT, MOST_ROUNDS, ChosenInputs, Play, RowPlace, TickInputs
from statecraft.proof.runs.replay import states
from statecraft.simulation import Simulation, State
from tests.benchmarks.large_machines import parts
from tests.proof.counted_rows import ring
from tests.proof.hostile_machines import levels_in_chains
from tests.samples import sample

LAMPS = """
machine lamps
board atmega2560
tick 10 ms
command on button, pin 2, on when low
command off button, pin 3, on when low
sensor light voltage, pin A0, 0 V .. 5 V
lamp one pin 8
lamp two pin 9
part left
mode dark stop
mode lit one on
rules
in | when | go to
dark | on and light < 2 V | lit
lit | off and after 2 s | dark
lit | light > 4 V and light < 1 V | dark
part right
counter times 0 .. 3
mode dark stop
mode lit two on
rules
in | when | go to | do
dark | left in lit and light fault | lit | times + 1
lit | times > 2 | dark | times = 0
lit | left in dark | dark |
dark | left in dark and left in lit | lit |
"""


def everything(machine: Machine) -> tuple[set[RowPlace], set[RowPlace]]:
    """Every row, and every mode that is not final."""
    rows = {(part, row.number) for part, whole in enumerate(machine.parts) for row in whole.rows}
    modes = {(p, m) for p, whole in enumerate(machine.parts) for m, mode in enumerate(whole.modes) if not mode.final}
    return rows, modes


@pytest.mark.parametrize("name", ["bale_mover", "yard_gate", "sump_pump", "greenhouse_vent"])
def test_everything_that_a_sound_machine_does_is_seen(name: str) -> None:
    machine = sample(name)
    rows, modes = everything(machine)
    play = Play(machine)
    play.seek(rows, modes)
    assert play.rows == rows
    assert play.left >= modes
    assert play.reached >= modes


def test_what_parts_do_that_wait_for_each_other_is_seen() -> None:
    machine = read_text(parts(3, 8))
    rows, modes = everything(machine)
    play = Play(machine)
    play.seek(rows, modes)
    assert (play.rows, play.left, play.reached) == (rows, modes, modes)


def test_what_never_happens_is_not_seen() -> None:
    machine = read_text(LAMPS)
    play = Play(machine)
    play.seek(*everything(machine))
    assert play.rows == {(0, 0), (0, 1), (1, 0), (1, 1), (1, 2)}


def test_no_time_no_witness() -> None:
    machine = read_text(LAMPS)
    play = Play(machine)
    with pytest.raises(OutOfTime), proving(0.0):
        play.seek(*everything(machine))
    assert not play.rows


# ---------------------------------------------------------------------------------------------- what it goes about with

MIXER = """machine mixer
board atmega2560
tick 10 ms
link radio serial1, 9600 baud, plain, silent after 300 ms
link desk serial2, 9600 baud, plain
command halt "h" from radio, urgent
command go "g" from radio
command fill "f" from radio
dial pace "v" from radio, 0 .. 9, starts 3
dial share "s" from desk, 0 .. 5, starts 2
sensor depth by hand, 0 .. 99
switch lid pin 10, on when high
relay drum pin 7
lamp eye pin 8
level full when depth > 60 for 50 ms clears when depth < 40 for 30 ms
level busy when mixing in turning clears when not mixing in turning
part mixing
counter loads 2 .. 12
mode resting stop
mode turning drum on
mode ended stop
group all resting, turning
failsafes
in  | when | go to
any | halt | resting
rules
in             | when                                                    | go to   | do
resting        | go and full and not lid                                 | turning | pace = 4
resting        | fill                                                    | stay    | loads + 1
turning        | after 100 ms and depth > 80                             | resting | loads = 3
turning        | after 200 ms and pace > 4                               | resting |
resting        | loads == 9                                              | turning |
resting        | after 500 ms in all and not full and not lid            | ended   |
ended          | lights in shining and share == 4                        | resting |
part lights
mode dark stop
mode lit eye on
mode blinking eye blink 200 ms
group shining lit, blinking
rules
in          | when                              | go to
dark        | busy                              | lit
lit         | go                                | blinking
any         | after 1 s and radio silent        | dark
"""


@pytest.fixture(name="mixer")
def mixer_at_play() -> Play:
    return Play(kept(read_text(MIXER)))


RESTS, TURNS_ON, FILLS, SPILLS, SLOWS, NINTH, ENDS, AGAIN = ((0, row) for row in range(8))


def test_how_long_a_row_may_have_to_be_waited_for(mixer: Play) -> None:
    least = mixer._waits[RESTS]
    assert least < 6
    assert [mixer._waits[row] - least for row in (TURNS_ON, SPILLS, AGAIN, (1, 2))] == [5, 10, 0, 100]
    assert mixer._in_rounds == {SLOWS, NINTH, ENDS}  # one reads a counter that is a dial
    for place in mixer._in_rounds:
        assert mixer._waits[place] == wait(mixer.machine, "mixing", place[1])


def test_what_has_to_be_waited_for_very_long_is_not() -> None:
    machine = read_text(MIXER.replace("500 ms in all", "3 h in all"))
    assert Play(machine)._waits[ENDS] == MOST_ROUNDS < wait(machine, "mixing", ENDS[1])


def test_commands_that_count_up_what_a_row_reads(mixer: Play) -> None:
    assert {place: names for place, names in mixer._pumps.items() if place in (NINTH, RESTS, ENDS)} == {NINTH: ["fill"]}
    assert 10 <= mixer._spans[NINTH] <= 12  # from 2 to 12


def test_the_other_parts_that_a_row_asks_about_by_way_of_levels_too(mixer: Play) -> None:
    assert mixer._others[AGAIN] == [(1, frozenset([1, 2]))]
    assert set(mixer._others[1, 0]) == {(0, frozenset([1]))}
    assert not mixer._others[RESTS]


def test_inputs_that_suit_a_row(mixer: Play) -> None:
    """What its levels ask of readings, and that no row before it there has its way by then."""
    depth = Term("sensor", "depth")
    on = mixer._suiting(*TURNS_ON)
    assert 60 < (on.values[depth] or 0) <= 99
    assert on.truths[SwitchOn("lid")] is False
    assert 80 < (mixer._suiting(*SPILLS).values[depth] or 0) <= 99
    after = mixer._suiting(*SLOWS)  # by then the row before it decides wherever its depth is there
    assert depth in after.values and (after.values[depth] is None or after.values[depth] <= 80)
    off = mixer._suiting(*ENDS)
    assert (off.values[depth] or 0) < 40 and off.truths[SwitchOn("lid")] is False
    assert mixer._suiting(*AGAIN).values[Term("dial", "share")] == 4


def test_where_suiting_inputs_are_held_the_row_decides(mixer: Play) -> None:
    for _ in range(20):
        readings, switches, dials, _ = mixer._inputs(mixer._suiting(*TURNS_ON))
        simulation = Simulation(mixer.machine)
        for take in (-1, -1, -1, -1, -1, -1, -1, 1):
            simulation.step_chosen(readings, switches, dials, take)
        assert simulation.view.modes["mixing"] == "turning"


def test_inputs_are_of_all_kinds(mixer: Play) -> None:
    """Now and then a fault, the settled switch either way, messages of dials or none, everything heard or nothing."""
    some = [mixer._inputs() for _ in range(300)]
    faults = sum(readings == (None,) for readings, _, _, _ in some)
    assert 0 < faults < 60
    assert {lid for _, (lid,), _, _ in some} == {False, True}
    assert {heard for _, _, _, heard in some} >= {(), (0, 1, 2), (1,), (0, 2)}
    pace, share = (Counter(dials[at] for _, _, dials, _ in some) for at in (0, 1))
    assert pace[None] > 150 and {3, 4} <= set(pace) - {None} and None not in share and 4 in share
    assert any(each > 4 for each in pace if each is not None)


def test_what_can_be_heard_beside_the_command_taken(mixer: Play) -> None:
    """Where an urgent one is heard, an urgent one is taken: no other may be taken then, nor none."""
    assert mixer._beside(0, (0, 1, 2), (None, 2)) == (0, 1, 2)
    assert mixer._beside(1, (0, 1, 2), (None, 2)) == (1, 2)
    assert mixer._beside(-1, (0, 2), (7, 2)) == (2,)


def test_a_message_that_turns_a_dial_that_rows_set_ends_its_silence(mixer: Play) -> None:
    assert mixer._spoken((None, 2)) == ()
    assert mixer._spoken((7, 2)) == (0,)
    assert Play(read_text(LAMPS))._spoken(()) == ()


def test_a_message_that_is_asked_about_is_heard_where_it_turns_its_dial() -> None:
    play = Play(kept(read_text(MIXER.replace("after 1 s and radio silent", "after 1 s and pace absent 1 s"))))
    assert play._commands["pace"] == 3
    assert play._beside(1, (2,), (7, 2)) == (2, 3)
    assert play._beside(1, (2, 3), (7, 2)) == (2, 3)
    assert play._beside(1, (2,), (None, 2)) == (2,)
    assert play._spoken((7, 2)) == ()


def test_what_happens_is_seen() -> None:
    """Rows that decide, modes that are left and entered, and by which row."""
    machine = read_text(LAMPS)
    play, simulation = Play(machine), Simulation(machine)
    dim, dark = ((100,), (), (), 0), ((None,), (), (), -1)
    play.watch([simulation.step_chosen(*dim), simulation.step_chosen(*dim), simulation.step_chosen(*dark)], Run(()))
    assert play.rows == {(0, 0), (1, 0)}
    assert play.left == {(0, 0), (1, 0)}
    assert play.ways == {(0, 0, 0), (1, 0, 0)}
    assert play.reached == {(0, 0), (0, 1), (1, 0), (1, 1)}


def test_a_row_that_stays_is_seen_and_leaves_nothing(mixer: Play) -> None:
    simulation = Simulation(mixer.machine)
    held = ((50,), (True,), (None, 2))
    mixer.watch([simulation.step_chosen(*held, take) for take in (-1, 2, 2)], Run(()))
    assert (FILLS in mixer.rows, mixer.left, mixer.ways) == (True, set(), set())


def test_few_states_are_kept_of_the_same_modes(mixer: Play) -> None:
    simulation = Simulation(mixer.machine)
    simulation.step_chosen((50,), (True,), (None, 2))
    for number in range(300):
        mixer._keep(simulation.step_chosen((50,), (True,), (None, 2), 0 if number == 150 else 2))
    kept_states = mixer._states[0, 0]
    assert 5 <= len(kept_states) <= KEPT
    assert mixer._by_mode[0, 0] == [(0, 0)] and mixer._by_mode[1, 0] == [(0, 0)]


def test_what_is_tried_next_is_sought_and_applies_somewhere(mixer: Play) -> None:
    """From rest: a row of rest that is sought, or one that leads out of a mode that is to be left."""
    for _ in range(30):
        part, _, modes = mixer._row({ENDS, SPILLS, AGAIN}, set())
        assert any((part, mode) in mixer._by_mode for mode in modes)
    chosen = Counter((part, row.number) for part, row, _ in (mixer._row({ENDS, SPILLS}, set()) for _ in range(200)))
    assert chosen[ENDS] > 150 and SPILLS not in chosen
    out = Counter((part, row.number) for part, row, _ in (mixer._row(set(), {(0, 0)}) for _ in range(300)))
    assert sum(out[row] for row in (TURNS_ON, NINTH, ENDS)) > 240
    assert all(out[row] for row in (TURNS_ON, NINTH, ENDS))
    assert sum(out[row] for row in (RESTS, FILLS)) < 50


def test_what_was_tried_least_is_tried_first(mixer: Play) -> None:
    out = Counter(row.number for _, row, _ in (mixer._row({RESTS, FILLS}, set()) for _ in range(200)))
    assert abs(out[RESTS[1]] - out[FILLS[1]]) < 40


def test_another_part_is_led_to_where_a_row_wants_it(mixer: Play) -> None:
    """From the dark a part that is wanted lit is lit, by the one row that does; where nothing can, the row itself."""
    row = mixer.machine.parts[0].rows[AGAIN[1]]
    for _ in range(10):
        part, way, known = mixer._of_another(0, row, [(2, 0), (2, 1)], 1, frozenset([1, 2]))
        assert (part, way.number, known) == (1, 0, [(2, 0)])
        part, way, known = mixer._of_another(0, row, [(2, 1), (2, 2)], 1, frozenset([0]))
        assert (part, way.number) == (1, 2) and sorted(known) == [(2, 1), (2, 2)]
    assert mixer._of_another(0, row, [(2, 1)], 1, frozenset([1, 2])) == (0, row, [(2, 1)])
    ways = {mixer._of_another(0, row, [(2, 0)], 1, frozenset([2]))[1].number for _ in range(20)}
    assert ways == {0, 2}  # none leads there at once: any that applies


def taken_on(play: Play, monkeypatch: pytest.MonkeyPatch, wanted: set[RowPlace]) -> list[int]:
    """The commands taken on the ticks of one attempt, those apart on which its inputs are just held."""
    took: list[int] = []
    tick = play._tick

    def noted(inputs: ChosenInputs, take: int) -> None:
        took.append(take)
        tick(inputs, take)

    with monkeypatch.context() as patched:
        patched.setattr(play, "_tick", noted)
        play._attempt(wanted, set())
    return took


def test_a_command_that_a_row_asks_for_comes_at_once_and_at_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = read_text("""machine bell
board atmega328p
tick 10 ms
command ring button, pin 2, on when low
command calm button, pin 3, on when low
relay gong pin 8
mode quiet stop
mode loud gong on
rules
in    | when                  | go to
quiet | calm and after 500 ms | loud
loud  | after 200 ms          | quiet
""")
    play = Play(machine)
    ticks = play._simulation.layout.index["tick", ""]
    before = play._simulation.state[ticks]
    assert taken_on(play, monkeypatch, {(0, 0)}) == [1, 1]
    assert play._simulation.state[ticks] == before + play._waits[0, 0] + 1
    assert play.ways == {(0, 0, 0)}
    play.seek({(0, 1)}, ())
    assert play.left == {(0, 0), (0, 1)}


def test_what_a_command_counts_is_counted_up_by_it(mixer: Play, monkeypatch: pytest.MonkeyPatch) -> None:
    fill = mixer._commands["fill"]
    counted = [taken_on(mixer, monkeypatch, {NINTH}) for _ in range(60)]
    pumped = [took for took in counted if len(took) > 2]
    assert 5 <= len(pumped) <= 45
    assert all(took[: len(took) - 2] == [fill] * (len(took) - 2) for took in pumped)
    assert NINTH in mixer.rows


CART = """machine cart
board atmega328p
tick 10 ms
command go button, pin 4, on when low
motor drive pwm 5, direction 8
counter clicks 0 .. 200, counts pulses on pin 2, at most 400 Hz
counter turns 0 .. 200, counts pulses on pin 3, at most 1 kHz
level stalled when clicks steady within 2 for 200 ms clears when not clicks steady within 2 for 200 ms
mode parked stop
mode going drive 40 %
rules
in     | when                  | go to
parked | go                    | going
going  | stalled               | parked
going  | clicks > 180          | parked
going  | turns > 190           | parked
"""


def test_counters_from_outside_move_in_every_way_that_a_steady_level_tells_apart() -> None:
    """Not at all, as fast as can be, just more than its band; on each tick, or so seldom that it only just shows."""
    play = Play(read_text(CART))
    clicks, turns = play._choices
    assert [m.counter.name for m in play._table.movements] == ["clicks", "turns"]
    assert clicks == [0, 0, 4, 4, 3] and turns == [0, 0, 10, 10]
    assert play._paces == [10, 10, 19, 19, 1, 1]
    assert Play(read_text(LAMPS))._paces == []


def test_moves_come_on_every_tick_or_at_a_pace(monkeypatch: pytest.MonkeyPatch) -> None:
    play = Play(read_text(CART))
    play._moves = (3, 0)
    moves: list[tuple[int, ...]] = []
    simulation = play._simulation

    chosen = simulation.step_chosen

    def step(*inputs: tuple[int, ...]) -> State:
        moves.append(inputs[-1])
        return chosen(*inputs)  # type: ignore[arg-type]

    monkeypatch.setattr(simulation, "step_chosen", step)
    for pace in (1, 10):
        play._paces = [pace]
        moves.clear()
        assert len(list(play._held(TickInputs((), (), ()), 20))) <= 20
        assert moves[0] == (3, 0) and sum(some == (3, 0) for some in moves) == 20 // pace
        moves.clear()
        assert list(play._held(TickInputs((), (), ()), 1)) and moves == [(3, 0), *[(0, 0)] * (len(moves) - 1)]
    play._moves = (0, 0)
    moves.clear()
    assert list(play._held(TickInputs((), (), ()), 20)) and set(moves) == {(0, 0)}


def test_every_state_that_is_kept_is_come_to_by_its_run() -> None:
    """Whatever was held, at whatever pace, from whatever state; and where a run was watched, by so much of it."""
    machine = read_text(CART)
    play = Play(machine)
    play.seek(*everything(machine), 2000)
    leads = play.leads(0, [0, 1])
    assert len(leads) > 5 and {lead.state[play._modes_at[0]] for lead in leads} == {0, 1}
    assert [play.run_to(lead).ticks for lead in leads] == sorted(play.run_to(lead).ticks for lead in leads)
    for lead in leads:
        assert list(states(machine, play.run_to(lead)))[-1] == lead.state
    longest = play.run_to(leads[-1])
    other = Play(machine)
    other._states.clear()
    other._by_mode.clear()
    other.watch(states(machine, longest), longest)
    seen = other.leads(0, [0, 1])
    assert any(other.run_to(lead).ticks < longest.ticks for lead in seen)
    for lead in seen:
        assert list(states(machine, other.run_to(lead)))[-1] == lead.state
    assert other.leads(0, []) == []


def test_it_plays_on_for_rows_that_have_decided() -> None:
    play = Play(read_text(CART))
    play.seek([(0, 0)], [], 2000)
    ticks, kept_states = play._ticks, sum(map(len, play._states.values()))
    some = list(play.again([(0, 0), (0, 1)], 300))
    assert play._ticks - ticks >= 300 and sum(map(len, play._states.values())) > kept_states
    rows = {lead.state[play._row_at[0]] for lead in some}
    assert {0, 1} <= rows and all(list(states(play.machine, play.run_to(lead)))[-1] == lead.state for lead in some)
    assert list(play.again([], 300)) == []
    assert {lead.state[play._row_at[0]] for lead in play.decided(0, 1)} == {1}


def test_what_a_counter_that_is_not_taken_to_stand_for_long_needs_is_seen() -> None:
    """That much pulses last for so long only if they come as seldom as may be: three in hardly less than 200 ms."""
    text = CART.replace("going  | turns > 190 ", "going  | after 12 s  ").replace("clicks > 180", "clicks > 199")
    play = Play(read_text(text))
    play.seek([(0, 3)], [], 20_000)
    assert (0, 3) in play.rows


def test_rows_that_wait_for_pulses_are_seen() -> None:
    machine = read_text(CART)
    play = Play(machine)
    play.seek(*everything(machine), 20_000)
    assert play.rows == {(0, 0), (0, 1), (0, 2), (0, 3)}


def test_what_is_wished_of_levels_that_read_levels_ends_in_time() -> None:
    play = Play(read_text(levels_in_chains()))
    with proving(0.3, None, time.process_time), pytest.raises(OutOfTime):
        play._wished(LevelOn("l39"), True)


def test_hours_that_are_counted_are_waited_for() -> None:
    """Six of them at 50 ms a tick are 432,000 ticks."""
    text = """machine drinker
board atmega328p
tick 50 ms
command off button, pin 3, on when low
sensor depth voltage, pin A0, 0 V .. 5 V
relay drain pin 9
level low when depth < 1 V for 2 s clears when depth > 1.2 V
counter hours 0 .. 6, up each 1 h in waiting
mode waiting stop
mode empty stop
mode flushing drain on
rules
in       | when       | go to    | do
waiting  | low or off | empty    |
empty    | not low    | waiting  |
waiting  | hours >= 6 | flushing | hours = 0
flushing | low        | empty    |
"""
    play = Play(read_text(text))
    with proving(20.0):
        play.seek({(0, 2)}, ())
    assert (0, 2) in play.rows


def test_what_counts_is_looked_for_once_however_many_rows_ask_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    tests_of = Play._tests
    monkeypatch.setattr(Play, "_tests", lambda play, part, row: (asked.append(row), tests_of(play, part, row))[1])
    times = []
    for many in (5, 40):
        rows = [f"rest | go and times == {n % 9} | far | times + 1" for n in range(many)]
        machine = ring(["far"], rows, more=["counter times 0 .. 9"])
        asked.clear()
        play = Play(machine)
        assert [play._pumps[0, n] for n in range(1, many + 1)] == [["go"] * many] * many
        times.append(len(asked) / many)
    assert times[1] < 2 * times[0]


SHIFT = """\
machine sorter
board atmega328p
tick 20 ms
command run button, pin 3, on when low
sensor eye range, trigger 7, echo 8, 2 cm .. 200 cm
relay belt_motor pin 9
counter done 0 .. 20
mode resting stop
mode belt belt_motor on
mode measuring
group shift belt, measuring
failsafes
in | when | go to
shift | eye fault | resting
rules
in | when | go to | do
resting | run | belt | done = 0
belt | done >= 20 | resting |
belt | eye < 20 cm | measuring |
belt | after 2 min | resting |
measuring | after 600 ms | belt | done + 1
shift | after 12 min in shift | resting |
"""


def test_time_in_a_group_is_waited_for_by_rounds_that_take_their_time() -> None:
    """On inputs that are held twenty rounds are gone in seconds, or the belt stops after two minutes: it has to be
    waited in each round, and gone on just in time."""
    machine = read_text(SHIFT)
    play = Play(machine)
    last = machine.parts[0].rows[-1].number
    with within(10):
        play.seek([(0, last)], (), 400_000)
    assert (0, last) in play.rows


BLOWER = """\
part blower
switch lid pin 5, on when low
level open when lid for 1 min clears when not lid for 2 s
relay fan pin 10
counter stalls 0 .. 2
mode still stop
mode starting
mode blowing fan on
mode waiting
group busy starting, blowing, waiting
rules
in | when | go to | do
still | sorter in shift and not open | starting | stalls = 0
busy | not sorter in shift | still |
starting | after 1 s | blowing |
starting, blowing | open | waiting | stalls + 1
waiting | stalls >= 2 | still |
waiting | after 1 s | starting |
busy | after 8 min in busy | still |
"""


def test_time_in_a_group_that_another_part_has_to_let_run_is_waited_for() -> None:
    """The blower goes on for as long as the sorter does, whose rounds have to take their time."""
    head, rest = SHIFT.split("counter done")
    machine = read_text(f"{head}part sorter\ncounter done{rest}{BLOWER}")
    play = Play(machine)
    last = machine.parts[1].rows[-1].number
    with within(20):
        play.seek([(1, last)], (), 400_000)
    assert (1, last) in play.rows
