"""Traces: columns, changes, and the files, read back by readers that are not their writer."""

from __future__ import annotations

import csv
import json
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from vcd.reader import TokenKind, tokenize

from statecraft.machine import After, Blink, ByHand, Not, Sensor, Servo, Taken, Unit
from statecraft.simulation import Simulation, Trace, write_csv, write_jsonl, write_vcd
from tests.random_machines import random_inputs
from tests.simulation.build import (
    command,
    dial,
    lamp,
    level,
    link,
    machine,
    mode,
    motor,
    part,
    reads,
    row,
    switch,
)

TICKS = 2000


def sample() -> Trace:
    """Many lively ticks of a machine with something of everything."""
    modes = [
        mode("rest", True, eye=Blink(10)),
        mode("ahead", drive=60, eye=1, arm=455),
        mode("back", drive=-60),
    ]
    rows = [
        row("rest ahead", Taken("go"), "ahead", ("n", "step", 1)),
        row("ahead", reads("front", "<", 300), "back"),
        row("back", After(9, "moving"), "rest", ("n", "set", 0)),
        row("ahead back", Taken("halt"), "rest"),
    ]
    m = machine(
        part("cart", modes, rows, {"moving": ("ahead back", {})}, [("n", 0, 3, 0)]),
        tick_ms=20,
        links=[link(silent=9)],
        commands=[command("go"), command("halt", urgent=True)],
        dials=[dial("pace", 20, 80, 40)],
        sensors=[
            Sensor("front", Unit.LENGTH, ByHand(), 20, 4000, None, 5),
            Sensor("cold", Unit.TEMPERATURE, ByHand(), -400, 100, None, 5),
        ],
        switches=[switch("lid")],
        outputs=[motor("drive", ramp=500), lamp("eye"), Servo("arm", "45", 0, 900, None)],
        levels=[level("near", reads("front", "<", 300), Not(reads("front", "<", 300)))],
    )
    return Trace(m, Simulation(m).run(random_inputs(m, 2, TICKS)))


def test_a_column_is_its_values_tick_by_tick() -> None:
    trace = sample()
    assert len(trace) == TICKS
    for tick, view in enumerate(trace):
        assert view.tick == tick
        assert trace[tick].as_dict() == view.as_dict()
    for column in trace.columns:
        values = [column.get(state) for state in trace.states]
        assert trace.column(column.kind, column.name) == values
    assert trace.column("mode", "cart") == [view.modes["cart"] for view in trace]
    assert trace.column("row", "cart") == [dict(view.rows).get("cart") for view in trace]
    assert trace.column("reported", "cart") == [bool(view.reported) for view in trace]
    assert trace.column("taken", "halt") == [view.taken == "halt" for view in trace]
    assert trace.column("heard", "go") == ["go" in view.heard for view in trace]
    assert trace.column("waiting") == [view.waiting for view in trace]
    assert trace.column("dropped") == [view.dropped for view in trace]
    assert trace.column("ignored") == [view.ignored for view in trace]
    for kind, read in (
        ("sensor", "sensors"),
        ("switch", "switches"),
        ("dial", "dials"),
        ("level", "levels"),
        ("counter", "counters"),
        ("setting", "settings"),
        ("shown", "shown"),
        ("clock", "clocks"),
    ):
        names = getattr(trace[0], read)
        for name in names:
            assert trace.column(kind, name) == [getattr(view, read)[name] for view in trace]
    with pytest.raises(KeyError):
        trace.column("mode", "nobody")


def test_the_sample_shows_something_of_everything() -> None:
    trace = sample()
    assert set(trace.column("mode", "cart")) == {"rest", "ahead", "back"}
    for column in trace.columns:
        if column.kind not in ("waiting", "dropped"):
            assert len(set(trace.column(column.kind, column.name))) > 1, column.title
    assert {True, False} == set(trace.column("shown", "eye"))
    assert None in trace.column("sensor", "front")


def test_changes_played_back_are_the_trace() -> None:
    trace = sample()
    current: dict[Any, Any] = {}
    changes = list(trace.changes())
    assert [change.tick for change in changes] == sorted(change.tick for change in changes)
    place = 0
    for tick, state in enumerate(trace.states):
        while place < len(changes) and changes[place].tick == tick:
            change = changes[place]
            key = (change.column.kind, change.column.name)
            assert key not in current or current[key] != change.value
            current[key] = change.value
            place += 1
        assert current == {(c.kind, c.name): c.get(state) for c in trace.columns}
    assert place == len(changes)
    modes = list(trace.changes(frozenset({"mode"})))
    assert [(c.tick, c.value) for c in modes] == [(c.tick, c.value) for c in changes if c.column.kind == "mode"]


def test_csv_tells_every_column_in_its_unit(tmp_path: Path) -> None:
    trace = sample()
    write_csv(trace, tmp_path / "t.csv")
    with (tmp_path / "t.csv").open(newline="", encoding="utf-8") as file:
        lines = list(csv.DictReader(file))
    assert len(lines) == len(trace)
    for tick, (line, view) in enumerate(zip(lines, trace, strict=True)):
        assert (line["tick"], line["time [ms]"]) == (str(tick), str(20 * tick))
        assert line["mode cart"] == view.modes["cart"]
        front, cold = view.sensors["front"], view.sensors["cold"]
        assert line["sensor front [cm]"] == "fault" if front is None else float(line["sensor front [cm]"]) * 10 == front
        assert line["sensor cold [C]"] == "fault" if cold is None else float(line["sensor cold [C]"]) * 10 == cold
        assert line["switch lid"] == str(int(view.switches["lid"]))
        assert line["row cart"] == (str(view.rows[0][1]) if view.rows else "")
        assert line["waiting"] == " ".join(view.waiting)
        assert line["setting eye"] == {0: "off", 1: "on", 10: "blink 200 ms"}[int(view.settings["eye"] or 0)]
        arm = view.shown["arm"]
        assert line["shown arm [deg]"] == ("" if arm is None else "45.5")
        assert int(line["shown drive [%]"]) == view.shown["drive"]


def test_jsonl_tells_all_that_a_view_does(tmp_path: Path) -> None:
    trace = sample()
    write_jsonl(trace, tmp_path / "t.jsonl")
    lines = [json.loads(line) for line in (tmp_path / "t.jsonl").read_text(encoding="utf-8").splitlines()]
    assert len(lines) == len(trace)
    for line, view in zip(lines, trace, strict=True):
        told = view.as_dict()
        told |= {"rows": [list(row) for row in told["rows"]], "reported": [list(row) for row in told["reported"]]}
        assert line == told


def number(bits: str, size: int) -> int | None:
    """A vector's digits: extended on the left with 0, or with x or z; whole numbers of 32 bits are signed."""
    if set(bits) & set("xz"):
        assert set(bits) <= set("xz")
        return None
    value = int(bits, 2)
    return value - (1 << 32) if size == 32 and value >> 31 else value


def read_vcd(path: Path) -> tuple[int, dict[str, tuple[int, dict[int, int | None]]]]:
    """A small reader of value change dumps: the last time, and of each variable its size and changes by time."""
    text = path.read_text(encoding="utf-8")
    head, _, body = text.partition("$enddefinitions $end")
    assert re.search(r"\$timescale\s+1 ms\s+\$end", head)
    scopes: list[str] = []
    variables: dict[str, tuple[str, int]] = {}
    for words in re.findall(r"\$(scope \w+ \w+|upscope|var \w+ \d+ \S+ \w+)[^$]*\$end", head):
        keyword, *rest = words.split()
        if keyword == "scope":
            scopes.append(rest[1])
        elif keyword == "upscope":
            scopes.pop()
        else:
            assert rest[0] in ("wire", "reg", "integer"), "IEEE 1364 has no words"
            variables[rest[2]] = (".".join([*scopes[1:], rest[3]]), int(rest[1]))
    assert not scopes
    now = 0
    found: dict[str, tuple[int, dict[int, int | None]]] = {name: (size, {}) for name, size in variables.values()}
    for token in re.sub(r"\$(dumpvars|end)\b", "", body).split("\n"):
        if not token.strip():
            continue
        if token[0] == "#":
            now = int(token[1:])
        elif token[0] in "bB":
            digits, code = token[1:].split()
            name, size = variables[code]
            found[name][1][now] = number(digits, size)
        else:
            name, size = variables[token[1:]]
            assert size == 1
            found[name][1][now] = number(token[0], 1)
    return now, found


def test_a_value_change_dump_tells_every_change_on_its_tick(tmp_path: Path) -> None:
    trace = sample()
    write_vcd(trace, tmp_path / "t.vcd")
    end, found = read_vcd(tmp_path / "t.vcd")
    assert end == TICKS * 20
    modes = ["rest", "ahead", "back"]
    expected: dict[str, list[Any]] = {"mode.cart": [modes.index(str(m)) for m in trace.column("mode", "cart")]}
    for name in modes:
        expected[f"mode.in_cart.{name}"] = [int(m == name) for m in trace.column("mode", "cart")]
    for column in trace.columns:
        if column.kind not in ("mode", "waiting"):
            name = re.sub(r"\W", "_", column.name or column.kind)
            values = trace.column(column.kind, column.name)
            expected[f"{column.kind}.{name}"] = [None if v is None else int(v) for v in values]  # type: ignore[arg-type]
    assert set(found) == set(expected)
    for name, values in expected.items():
        changes = found[name][1]
        current: int | None = None
        for tick, value in enumerate(values):
            current = changes.get(tick * 20, current)
            assert current == value, (name, tick)
        assert all(time % 20 == 0 for time in changes)
        told = list(changes.values())
        assert all(a != b for a, b in pairwise(told))


def test_a_dump_says_what_its_numbers_mean_and_its_writers_own_reader_takes_it(tmp_path: Path) -> None:
    write_vcd(sample(), tmp_path / "t.vcd")
    with (tmp_path / "t.vcd").open("rb") as file:
        tokens = list(tokenize(file))
    comment = next(token.comment for token in tokens if token.kind is TokenKind.COMMENT)
    assert "mode cart: 0 rest, 1 ahead, 2 back" in comment
    assert "sensor front: steps of 0.1 cm" in comment
    assert sum(token.kind is TokenKind.VAR for token in tokens) == 26


def test_clock_keys_that_a_dump_cannot_tell_apart_get_numbers(tmp_path: Path) -> None:
    groups: Any = {"a": ("run", {}), "b_a": ("run", {})}
    rows = [row("run", After(3, "b_a"), "rest")]
    other = part("p_b", [mode("rest", True), mode("run")], [row("run", After(4, "a"), "rest")], {"a": ("run", {})})
    m = machine(part("p", [mode("rest", True), mode("run")], rows, groups), other)
    write_vcd(Trace(m, Simulation(m).run(random_inputs(m, 0, 3))), tmp_path / "t.vcd")
    _, found = read_vcd(tmp_path / "t.vcd")
    assert {name for name in found if name.startswith("clock.")} == {"clock.group_p_b_a", "clock.group_p_b_a_2"}


WRITERS = [write_csv, write_jsonl, write_vcd]


@pytest.mark.parametrize("write", WRITERS)
def test_a_file_is_written_whole_or_not_at_all(write: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "trace"
    path.write_text("as it was", encoding="utf-8")
    trace = sample()
    trace.states.insert(1200, ())  # the writing breaks down in the middle
    with pytest.raises(IndexError):
        write(trace, path)
    assert path.read_text(encoding="utf-8") == "as it was"
    assert list(tmp_path.iterdir()) == [path]
    del trace.states[1200]
    write(trace, path)
    assert path.read_text(encoding="utf-8") != "as it was"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("write", WRITERS)
def test_a_folder_that_is_not_there_is_made_and_one_that_cannot_be_is_an_os_error(write: Any, tmp_path: Path) -> None:
    write(sample(), tmp_path / "new" / "trace")
    assert (tmp_path / "new" / "trace").exists()
    with pytest.raises(OSError):
        write(sample(), tmp_path / "new" / "trace" / "below a file")


@pytest.mark.parametrize("write", WRITERS)
def test_a_trace_without_a_tick_can_be_written(write: Any, tmp_path: Path) -> None:
    write(Trace(sample().machine), tmp_path / "trace")
    assert (tmp_path / "trace").exists()


def test_a_file_is_as_open_as_any_other(tmp_path: Path) -> None:
    (tmp_path / "other").touch()
    write_csv(sample(), tmp_path / "trace")
    assert (tmp_path / "trace").stat().st_mode == (tmp_path / "other").stat().st_mode
