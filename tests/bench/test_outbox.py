"""What waits to go out: a halt first, the newest of each name, nothing old; at the line's pace."""

from __future__ import annotations

import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from statecraft.bench import outbox
from statecraft.bench.outbox import Outbox


def test_a_halt_goes_first_and_drops_the_rest() -> None:
    box = Outbox()
    box.put("ahead", b"a")
    box.put("beat", b"b")
    box.put("halt", b"H", urgent=True)
    assert box.take() == b"H" and len(box) == 0 and box.dropped == 2


def test_the_newest_of_a_name_waits_in_the_place_of_the_first() -> None:
    box = Outbox()
    for name, data in (("pace", b"1"), ("ahead", b"a"), ("pace", b"2")):
        box.put(name, data)
    assert [box.take(), box.take()] == [b"2", b"a"]


def test_what_is_old_is_thrown_away(monkeypatch: pytest.MonkeyPatch) -> None:
    box, now = Outbox(), 100.0
    monkeypatch.setattr(outbox.time, "monotonic", lambda: now)
    box.put("ahead", b"a")
    now += outbox.FRESH_S + 0.05
    box.put("beat", b"b")
    assert box.take() == b"b" and box.dropped == 1


def test_a_halt_does_not_wait_for_the_line() -> None:
    box = Outbox()
    box.put("ahead", b"a")
    threading.Timer(0.05, lambda: box.put("halt", b"H", urgent=True)).start()
    began = time.monotonic()
    assert box.take(line_free=began + 60) == b"H"
    assert time.monotonic() - began < 50


def test_a_closed_box_lets_go() -> None:
    box = Outbox()
    threading.Timer(0.05, box.close).start()
    assert box.take() is None


@given(st.lists(st.tuples(st.sampled_from("abcdef"), st.booleans()), max_size=300))
def test_little_waits_whatever_comes(said: list[tuple[str, bool]]) -> None:
    box = Outbox()
    for name, urgent in said:
        box.put(name, name.encode(), urgent=urgent)
    assert len(box) <= 6 + outbox.MOST_HALTS
    after = [name for name, urgent in said[max((i for i, (_, u) in enumerate(said) if u), default=-1) + 1 :]]
    halts = min(outbox.MOST_HALTS, sum(urgent for _, urgent in said))
    taken = [box.take() for _ in range(len(box))]
    assert taken[halts:] == [name.encode() for name in dict.fromkeys(after)]
