"""What comes again and again: told once, with when it comes."""

from __future__ import annotations

import pytest

from statecraft.report.repeats import FEWEST, Repeat, Spell, rounds, told_once
from statecraft.report.runs import RunLine


def spells(*starts: int, long: int = 1, said: str = "go") -> list[Spell]:
    return [Spell(start, start + long - 1, said) for start in starts]


def again(*some: Spell, decided: tuple[int, ...] = ()) -> list[tuple[int, Repeat | None]]:
    return [(spell.start, repeat) for spell, repeat in told_once(some, decided)]


def test_what_keeps_time_is_told_with_its_period_whatever_happens_between() -> None:
    assert again(*spells(5, 15, 25, 35), decided=(20,)) == [(5, Repeat(4, 15, 35, 10))]
    assert again(*spells(5, 15, 25, long=4)) == [(5, Repeat(3, 15, 28, 10))]


def test_what_keeps_no_time_is_counted_until_a_row_decides() -> None:
    assert again(*spells(5, 8, 25, 35)) == [(5, Repeat(4, 8, 35, 0))]
    assert again(*spells(5, 8, 25, 35, 37), decided=(35,)) == [(5, Repeat(3, 8, 25, 0)), (35, None), (37, None)]
    assert again(*spells(5, 8, 25, long=2)) == [(5, None), (8, None), (25, None)]  # how long each is, would be lost


def test_what_something_comes_of_and_what_is_said_otherwise_stands_by_itself() -> None:
    taken = [Spell(at, at, "go", alone=True) for at in (5, 15, 25)]
    assert again(*taken) == [(5, None), (15, None), (25, None)]
    assert again(*spells(5, 15), *spells(25, 35, said="stop")) == [(5, None), (15, None), (25, None), (35, None)]


def lines(*told: tuple[int, str]) -> list[RunLine]:
    return [RunLine(tick, text) for tick, text in told]


@pytest.mark.parametrize("times", [2, FEWEST, 9])
def test_a_round_of_several_lines_is_told_once_from_three_times_on(times: int) -> None:
    some = lines((1, "go"), *((10 * n + at, text) for n in range(1, times + 1) for at, text in ((0, "on"), (4, "off"))))
    found = list(rounds([*some, RunLine(10 * times + 9, "end")]))
    assert [line for told, _ in found for line in told][:3] == some[:3]
    if times < FEWEST:
        assert all(repeat is None for _, repeat in found) and len(found) == len(some) + 1
    else:
        assert [repeat for _, repeat in found] == [None, Repeat(times, 20, 10 * times + 4, 10), None]


def test_rounds_that_come_at_any_time_have_no_period_and_keep_their_times_within() -> None:
    some = lines((1, "on"), (3, "off"), (11, "on"), (13, "off"), (14, "on"), (16, "off"))
    assert [repeat for _, repeat in rounds(some)] == [Repeat(3, 11, 16, 0)]
    assert all(repeat is None for _, repeat in rounds([*some[:5], RunLine(17, "off")]))


def test_a_round_begins_where_a_tick_does() -> None:
    some = lines((1, "a"), (1, "b"), (2, "a"), (2, "b"), (3, "a"), (3, "b"), (4, "a"))
    assert [(len(told), repeat) for told, repeat in rounds(some)] == [(2, Repeat(3, 2, 3, 1)), (1, None)]
    amid = lines((1, "z"), (1, "b"), (2, "a"), (2, "b"), (3, "a"), (3, "b"))
    assert all(repeat is None for _, repeat in rounds(amid))


def test_what_spares_most_is_taken() -> None:
    found = list(rounds(lines(*((n, "ab"[n % 2]) for n in range(12)))))
    assert [(len(told), repeat) for told, repeat in found] == [(2, Repeat(6, 2, 11, 2))]
    assert [repeat for _, repeat in rounds(lines(*((n, "a") for n in range(1, 8))))] == [Repeat(7, 2, 7, 1)]
