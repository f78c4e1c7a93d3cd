"""Timelines, parsed again: every edge is at its tick, thresholds and faults and verdicts are where they belong."""

from __future__ import annotations

import json
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.findings import Hold, Run
from statecraft.findings import Stimulus as Given
from statecraft.language import read_file, read_text
from statecraft.machine import Machine
from statecraft.report.axis import Axis
from statecraft.report.record import KINDS, LONGEST, Record, of_lines, of_run, of_trace, of_trial
from statecraft.report.timeline import PLOT, _events, _rhythms, clock, limits, timeline, timeline_file

from statecraft.report.timeline import MARGIN, NAMES  # isort: skip
from statecraft.simulation import Simulation, Trace, run_trial, write_jsonl
from tests.random_machines import random_inputs, random_text

SVG = "{http://www.w3.org/2000/svg}"
SAMPLES = Path(__file__).parents[2] / "samples"


def sample(name: str) -> Machine:
    return read_file(str(SAMPLES / f"{name}.modes"))


def of_class(root: ElementTree.Element, word: str) -> list[ElementTree.Element]:
    return [element for element in root.iter() if word in element.get("class", "").split()]


def lane(root: ElementTree.Element, name: str) -> ElementTree.Element:
    return next(element for element in of_class(root, "lane") if element.get("data-name") == name)


def drawn(record: Record) -> tuple[ElementTree.Element, Axis]:
    axis = Axis(record.first, max(record.end, record.first + 1), MARGIN + NAMES, PLOT, _events(record))
    return ElementTree.fromstring(timeline_file(record)), axis


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.modes")), ids=lambda path: path.stem)
def test_bands_begin_and_end_on_the_ticks_of_the_trace(path: Path) -> None:
    machine = read_file(str(path))
    for trial in machine.trials:
        result = run_trial(machine, trial)
        root, axis = drawn(of_trial(result))
        for part in machine.parts:
            strip = lane(root, part.name if len(machine.parts) > 1 else "mode")
            modes = result.trace.column("mode", part.name)
            told: list[object] = [None] * len(modes)
            for band in of_class(strip, "band"):
                first, end = int(band.get("data-first", "")), int(band.get("data-end", ""))
                told[first:end] = [band.get("data-mode")] * (end - first)
                body = of_class(band, "band-body")[0]
                assert float(body.get("x", "")) == pytest.approx(axis.x(first), abs=0.06)
                wide = max(axis.x(end) - axis.x(first), 0.8)
                assert float(body.get("width", "")) == pytest.approx(wide, abs=0.06)
                assert bool(of_class(band, "plinth")) == part.mode[str(band.get("data-mode"))].stop
            assert told == modes
        verdicts = of_class(root, "verdict")
        assert [("met" in v.get("class", "")) for v in verdicts] == [outcome.passed for outcome in result.outcomes]
        assert [int(v.get("data-tick", "")) for v in verdicts] == [outcome.decided for outcome in result.outcomes]


def test_a_sensor_is_drawn_between_both_thresholds_of_its_level() -> None:
    machine = sample("feed_pusher")
    marks, bands = limits(machine, machine.sensor("supply"))
    assert {(mark.cls, mark.at) for mark in marks} == {("set", 6600), ("clear", 7200)}
    assert bands == [(6600, 7200)]
    root, _ = drawn(of_trial(run_trial(machine, machine.trials[0])))
    strip = lane(root, "supply")
    ys = {}
    for cls in ("set", "clear"):
        path = next(each for each in of_class(strip, cls) if each.tag == f"{SVG}path").get("d", "")
        ys[cls] = float(re.match(r"M[\d.]+ ([\d.]+)H", path)[1])  # type: ignore[index]
    reading = of_class(strip, "reading")[0].get("d", "")
    at = float(re.match(r"M[\d.]+ ([\d.]+)", reading)[1])  # type: ignore[index]
    # 7.6 V stands above 7.2 V, which stands above 6.6 V, in proportion.
    assert at < ys["clear"] < ys["set"]
    assert (ys["set"] - ys["clear"]) / (ys["clear"] - at) == pytest.approx(600 / 400, rel=0.02)
    texts = " ".join("".join(text.itertext()) for text in of_class(strip, "limit-text"))
    assert "flat < 6.6 V" in texts and "clears > 7.2 V" in texts


def test_a_fault_is_hatched_and_breaks_the_line() -> None:
    machine = sample("greenhouse_vent")
    root, axis = drawn(of_trial(run_trial(machine, machine.trials[2])))
    strip = lane(root, "air")
    gap = of_class(strip, "fault")[0]
    first = int(gap.get("data-first", ""))
    assert clock(machine, first) == "15 s"
    assert of_class(gap, "fault-hatch")[0].get("d")
    ends = [float(x) for x in re.findall(r"H([\d.]+)", of_class(strip, "reading")[0].get("d", ""))]
    assert max(ends) == pytest.approx(axis.x(first), abs=0.06)


def test_commands_are_marked_on_the_tick_that_takes_them() -> None:
    machine = sample("feed_pusher")
    result = run_trial(machine, machine.trials[0])
    root, _ = drawn(of_trial(result))
    marks = [int(mark.get("data-tick", "")) for mark in of_class(lane(root, "patrol"), "taken")]
    assert marks == [tick for tick, value in enumerate(result.trace.column("taken", "patrol")) if value]
    beats = of_class(lane(root, "beat"), "rhythm")
    assert len(beats) == 1 and "every 100 ms" in (beats[0].findtext(f"{SVG}title") or "")


@given(st.lists(st.integers(0, 500), unique=True).map(sorted))
def test_rhythms_leave_no_mark_out(marks: list[int]) -> None:
    told: list[int] = []
    for first, last, every in _rhythms(marks):
        told += [first] if every is None else range(first, last + 1, every)
    assert told == marks


@settings(max_examples=20)
@given(st.integers(0, 10**6), st.integers(1, 2))
def test_any_trace_is_drawn_and_a_kept_one_comes_back_the_same(seed: int, size: int) -> None:
    import tempfile

    machine = read_text(random_text(seed, size), file="random.modes")
    simulation = Simulation(machine)
    trace = Trace(machine, simulation.run(random_inputs(machine, seed, 200)))
    record = of_trace(trace, "random")
    ElementTree.fromstring(timeline_file(record))
    with tempfile.TemporaryDirectory() as folder:
        write_jsonl(trace, Path(folder) / "t.jsonl")
        again = of_lines(machine, (Path(folder) / "t.jsonl").read_text().splitlines(), "random")
    assert (again.first, again.end, again.rows) == (record.first, record.end, record.rows)
    for key, changes in record.series.items():
        assert again.series[key] == changes, key


def test_a_log_that_tells_modes_alone_is_drawn_as_far_as_it_goes() -> None:
    machine = sample("feed_pusher")
    lines = [
        json.dumps({"tick": tick, "modes": {"feed_pusher": mode}}) for tick, mode in ((3, "parked"), (9, "cruise"))
    ]
    record = of_lines(machine, lines, "log")
    assert record.series == {("mode", "feed_pusher"): [(3, "parked"), (9, "cruise")]}
    root, _ = drawn(record)
    assert [each.get("data-name") for each in of_class(root, "lane")] == ["mode"]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("no json", "line 1 is no tick"),
        ("{}", "line 1 is no tick"),
        ('{"tick": 1, "modes": {"feed_pusher": "fly"}}', "no mode 'fly'"),
    ],
)
def test_a_line_that_is_no_tick_of_this_machine_is_told(line: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        of_lines(sample("feed_pusher"), [line], "log")


def test_a_run_of_a_finding_is_replayed_with_its_tail() -> None:
    machine = sample("feed_pusher")
    readings = tuple((sensor.name, 2000 if sensor.name != "supply" else 7600) for sensor in machine.sensors)
    still = Given(readings, (("bumper", False),), (), None, ("beat",), ())
    go = Given(readings, (("bumper", False),), (), "patrol", (), ())
    record = of_run(machine, Run((Hold(still, 3), Hold(go, 1), Hold(still, 10)), tail=2), "a run")
    assert record is not None
    assert record.series["mode", "feed_pusher"] == [(0, "parked"), (3, "cruise")]
    assert (record.repeats, record.end) == (4, 24)
    root, _ = drawn(record)
    assert "repeats for ever from 40 ms" in "".join(of_class(root, "again")[0].itertext()).replace("0.04 s", "40 ms")
    assert of_run(machine, Run((Hold(still, LONGEST + 1),)), "too long") is None


def test_a_drawing_in_a_page_uses_the_pages_colours_and_its_own_ids() -> None:
    machine = sample("sump_pump")
    record = of_trial(run_trial(machine, machine.trials[0]))
    roots = [timeline(record, name, inline=True) for name in ("one", "two")]
    ids = [element.get("id") for root in roots for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids)) == 4
    assert "waiting from 0 s" in (roots[0].findtext("desc") or "")


@pytest.mark.parametrize(
    ("ms", "text"),
    [(0, "0 s"), (10, "0.01 s"), (3010, "3.01 s"), (60_000, "1 min"), (125_500, "2 min 5.5 s"), (3_600_000, "1 h")],
)
def test_times_are_exact(ms: int, text: str) -> None:
    assert clock(sample("feed_pusher"), ms // 10) == text


@settings(max_examples=15)
@given(st.integers(0, 10**6), st.integers(1, 3))
def test_a_record_has_every_change_of_its_trace(seed: int, size: int) -> None:
    machine = read_text(random_text(seed, size), file="random.modes")
    trace = Trace(machine, Simulation(machine).run(random_inputs(machine, seed, 150)))
    record = of_trace(trace, "random")
    told: dict[tuple[str, str], list[tuple[int, object]]] = {}
    for tick, column, value in trace.changes(KINDS):
        told.setdefault((column.kind, column.name), []).append((tick, value))
    assert record.series == told
    assert record.rows == [(view.tick, part, row) for view in trace for part, row in view.reported]


def test_a_long_and_restless_trace_stays_small() -> None:
    machine = sample("feed_pusher")
    simulation = Simulation(machine)
    quiet = simulation.inputs({"front": 2000, "left": 2000, "right": 2000, "supply": 7600}, {"bumper": False})
    moods = [quiet, simulation.inputs({"front": 300, "left": 900, "supply": 7600}, {"bumper": True}, ["patrol"])]
    trace = Trace(machine, simulation.run(moods[tick % 2] for tick in range(30_000)))
    assert len(timeline_file(of_trace(trace, "restless"))) < 1_500_000
