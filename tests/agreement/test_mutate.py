"""Mutants are what they say, and the generated inputs find them. The whole campaign is in tests/benchmarks."""

from __future__ import annotations

import pytest

from statecraft.agreement.agree import trials
from statecraft.agreement.vectors import vectors
from statecraft.firmware.behaviour import behaviour_files
from tests.agreement.mutate import campaign, mutants
from tests.benchmarks.mutation import why
from tests.samples import sample
from tests.tools import need


def test_every_kind_of_damage_is_done() -> None:
    source = behaviour_files(sample("feed_pusher"), "// for the test")["behaviour.cpp"]
    found = list(mutants(source))
    assert len({mutant.text for mutant in found}) == len(found) > 300
    assert all(mutant.text != source for mutant in found)
    what = [mutant.what for mutant in found]
    for kind in ("< becomes <=", "== becomes !=", "&& becomes ||", "! is lost", "is left out", "row dropped"):
        assert kind in what
    assert any(text.startswith("leads to Mode::") for text in what)
    assert "rows swapped" in what
    assert any(m.what == "is left out" and m.was == "now.clock.in_mode = 0;" for m in found)
    assert any(m.was.startswith("constexpr") and m.what.endswith(("49", "51")) for m in found)  # ticks_500_ms
    swapped = next(mutant for mutant in found if mutant.what == "rows swapped")
    assert sorted(swapped.text.split()) == sorted(source.split())


@pytest.mark.slow
def test_generated_inputs_find_nearly_all_of_a_sample() -> None:
    need("g++")
    machine = sample("greenhouse_vent")
    searched = vectors(machine)
    result = campaign(machine, [*trials(machine), *searched.sequences], every=6, seed=1)
    survived = result.survived or []
    left = [mutant for mutant in survived if not why(machine, mutant, searched.impossible, {})]
    assert result.found > 30
    assert result.found / (result.found + len(left)) >= 0.97


def test_inputs_that_do_nothing_find_little() -> None:
    """The score is the inputs', not the tool's."""
    need("g++")
    machine = sample("greenhouse_vent")
    still = trials(machine)[0][:1]
    assert campaign(machine, [still], every=12).score < 0.6
