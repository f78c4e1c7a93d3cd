"""Sequences of inputs: cut, counted, told tick by tick, written as trials and read back."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.agreement.inputs import HeldInputs, InputSequence, Streams, cut, each_tick, length, sequence_of
from statecraft.agreement.trials import file_of, text
from statecraft.language import read_file, read_text
from statecraft.simulation.trial import run_trial, script, usable
from tests.random_machines import random_inputs, random_text
from tests.samples import sample

FEED_PUSHER = sample("feed_pusher")


def stretches() -> st.SearchStrategy[HeldInputs]:
    """Stretches for the feed pusher: four sensors (supply is plausible from 4 V to 14 V), a switch, five commands."""
    ranger = st.none() | st.integers(20, 4000)
    return st.builds(
        HeldInputs,
        st.tuples(ranger, ranger, ranger, st.none() | st.integers(4000, 14000)),
        st.tuples(st.booleans()),
        st.lists(st.integers(0, 4), max_size=3).map(tuple),
        st.just(()),
        st.integers(1, 30),
        st.integers(0, 9),
        st.just(False),
        st.just(()),
    )


sequences: st.SearchStrategy[InputSequence] = st.lists(stretches(), min_size=1, max_size=6).map(tuple)


def inputs_of(sequence: InputSequence) -> list[object]:
    return list(each_tick(sequence))


@given(sequences, st.integers(0, 200))
def test_a_cut_sequence_is_the_beginning_of_the_whole(sequence: InputSequence, ticks: int) -> None:
    kept = cut(sequence, ticks)
    assert length(kept) == min(ticks, length(sequence))
    assert inputs_of(kept) == inputs_of(sequence)[:ticks]


@given(sequences)
def test_a_sequence_is_as_long_as_its_ticks_and_comes_back_from_them(sequence: InputSequence) -> None:
    ticks = list(each_tick(sequence))
    assert len(ticks) == length(sequence)
    assert list(each_tick(sequence_of(ticks))) == ticks


@given(sequences)
def test_what_is_heard_again_comes_on_its_ticks(sequence: InputSequence) -> None:
    at = 0
    ticks = list(each_tick(sequence))
    for stretch in sequence:
        here: Sequence[object] = ticks[at : at + stretch.ticks]
        due = {0, *range(0, stretch.ticks, stretch.every)} if stretch.every else {0}
        for number, tick in enumerate(here):
            assert tick.arrivals == (stretch.hear if number in due else ())  # type: ignore[attr-defined]
        at += stretch.ticks


@given(sequences)
def test_a_stream_says_each_tick_once(sequence: InputSequence) -> None:
    stream = list(Streams(FEED_PUSHER).of(sequence))
    at = 0
    for number, tick in enumerate(each_tick(sequence)):
        how, *rest = stream[at : at + 7]
        heard = stream[at + 7 : at + 7 + 2 * rest[5] : 2]
        assert how == (0 if number == 0 else 1)
        assert rest[:4] == [-(2**31) if reading is None else reading for reading in tick.readings]
        assert rest[4] == tick.switches[0]
        assert rest[5] == len(tick.arrivals)
        assert heard == list(tick.arrivals)
        at += 7 + 2 * rest[5]
    assert at == len(stream)


@given(sequences)
@settings(max_examples=60)
def test_a_sequence_written_as_a_trial_is_read_back_tick_for_tick(sequence: InputSequence) -> None:
    source = next(iter(FEED_PUSHER.source.values()))
    machine = read_text(source + "\n" + text(FEED_PUSHER, "written", sequence), "written.modes")
    trial = machine.trials[-1]
    read = list(script(machine, trial))
    assert read == list(each_tick(sequence))
    assert run_trial(machine, trial).passed


@pytest.mark.slow
@pytest.mark.parametrize("counting", [False, True])
def test_trials_of_random_machines_are_read_back(counting: bool) -> None:
    for seed in range(6 if counting else 40):
        made = random_text(seed, counting=counting)
        machine = read_text(made, "made.modes")
        sequence = sequence_of(tick._replace(others=0) for tick in random_inputs(machine, seed, 60))
        in_range = tuple(s._replace(turn=tuple(t for t in s.turn if _heard(machine, t))) for s in sequence)
        again = read_text(made + "\n" + text(machine, "written", in_range), "made.modes")
        asked = [tick._replace(messages=tuple(tick.messages)) for tick in each_tick(in_range)]
        asked[0] = asked[0]._replace(moves=())  # nothing counts on tick 0
        assert [_measured(again, tick) for tick in script(again, again.trials[-1])] == [
            _measured(machine, tick) for tick in asked
        ]


def _heard(machine: object, message: tuple[int, int]) -> bool:
    dial = machine.dials[message[0]]  # type: ignore[attr-defined]
    return bool(dial.low <= message[1] <= dial.high)


def _measured(machine: object, tick: object) -> object:
    """The inputs of a tick without what remembered sensors would be given."""
    from statecraft.machine import Remembered

    readings = [
        usable(sensor, reading)
        for sensor, reading in zip(machine.sensors, tick.readings, strict=True)  # type: ignore[attr-defined]
        if not isinstance(sensor.source, Remembered)
    ]
    moves = tick.moves or (0,) * len(machine.pulsed)  # type: ignore[attr-defined]
    return readings, tick.switches, tick.arrivals, tick.messages, moves  # type: ignore[attr-defined]


def test_a_saved_file_stands_on_its_own(tmp_path: Path) -> None:
    sequence = (HeldInputs((900, 900, 900, 7600), (False,)), HeldInputs((900, 900, 900, 7600), (False,), (2,), (), 20))
    path = tmp_path / "deeper" / "saved.modes"
    path.parent.mkdir()
    path.write_text(file_of(FEED_PUSHER, [("one", sequence)], path))
    machine = read_file(str(path))
    assert [trial.title for trial in machine.trials][-1] == "one"
    assert run_trial(machine, machine.trials[-1]).passed
