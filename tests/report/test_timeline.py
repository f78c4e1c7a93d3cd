"""Timelines, parsed again: every edge is at its tick, thresholds and faults and verdicts are where they belong."""

from __future__ import annotations

import json
import re
from decimal import Decimal
from functools import cache
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from statecraft.findings import Hold, Run
from statecraft.findings import Stimulus as Given
from statecraft.language import read_text
from statecraft.report.axis import Axis, Scale
from statecraft.report.record import KINDS, LONGEST, Record, of_lines, of_run, of_trace, of_trial
from statecraft.report.timeline import PLOT, _events, _rhythms, clock, limits, timeline, timeline_file

from statecraft.report.timeline import MARGIN, NAMES  # isort: skip
from statecraft.report.text import width
from statecraft.simulation import Simulation, Trace, run_trial, write_jsonl
from tests.random_machines import random_inputs, random_text
from tests.samples import PATHS, machine_in, sample

SVG = "{http://www.w3.org/2000/svg}"


def of_class(root: ElementTree.Element, word: str) -> list[ElementTree.Element]:
    return [element for element in root.iter() if word in element.get("class", "").split()]


def lane(root: ElementTree.Element, name: str) -> ElementTree.Element:
    return next(element for element in of_class(root, "lane") if element.get("data-name") == name)


def drawn(record: Record) -> tuple[ElementTree.Element, Axis]:
    axis = Axis(record.first, max(record.end, record.first + 1), MARGIN + NAMES, PLOT, _events(record))
    return ElementTree.fromstring(timeline_file(record)), axis


@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
def test_bands_begin_and_end_on_the_ticks_of_the_trace(path: Path) -> None:
    machine = machine_in(path)
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


def test_what_nobody_declared_has_no_lane() -> None:
    """`turns on` is remembered by levels that the reader makes."""
    text = read_text(
        "machine m\nboard atmega328p\ntick 10 ms\nswitch lid pin 4, on when low\nlamp light pin 13\nmode dark stop\n"
        'mode lit light on\nrules\n in | when | go to\n dark | lid turns on | lit\n lit | after 1 s | dark\n'
        'trial "one"\n at 0 s lid off\n at 1 s lid on\n expect lit\n'
    )
    root, _ = drawn(of_trial(run_trial(text, text.trials[0])))
    names = {element.get("data-name") for element in of_class(root, "lane")}
    assert "lid" in names and not [name for name in names if name and name.startswith("lid_")]


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
        # a kept trace tells no silences
        assert key[0] == "silent" or again.series[key] == changes, key


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
    assert {key: changes for key, changes in record.series.items() if key[0] != "silent"} == told
    assert record.rows == [(view.tick, part, row) for view in trace for part, row in view.reported]


def test_a_long_and_restless_trace_stays_small() -> None:
    machine = sample("feed_pusher")
    simulation = Simulation(machine)
    quiet = simulation.inputs({"front": 2000, "left": 2000, "right": 2000, "supply": 7600}, {"bumper": False})
    moods = [quiet, simulation.inputs({"front": 300, "left": 900, "supply": 7600}, {"bumper": True}, ["patrol"])]
    trace = Trace(machine, simulation.run(moods[tick % 2] for tick in range(30_000)))
    assert len(timeline_file(of_trace(trace, "restless"))) < 1_500_000


PLANT = """
machine mixing_plant
board   atmega2560
tick    10 ms
link    operator_in_the_cabin serial1, 9600 baud, checked, silent after 500 ms
link    remote_control serial2, 9600 baud, checked, silent after 2 s
command halt "h" from operator_in_the_cabin, urgent
command beat "b" from operator_in_the_cabin
command ping "p" from remote_control
command onward "o" from operator_in_the_cabin
sensor  tank_temperature temperature, pin A2, 10 kohm at 25 C, beta 3950, against 10 kohm
lamp    red pin 20
lamp    amber_warning pin 21
lamp    green pin 22
lamp    blue pin 23
motor   stirrer pwm 5, forward 30, reverse 31, ramp 20 %/s, pause 500 ms before reversing
level   hot when tank_temperature > 60 C, clears when tank_temperature < 55 C
level   warm when tank_temperature > 50 C, clears when tank_temperature < 45 C
level   lukewarm when tank_temperature > 40 C, clears when tank_temperature < 35 C
level   cold when tank_temperature < 10 C, clears when tank_temperature > 15 C
mode    waiting_for_the_operator stop, red on
mode    a_first_stir stirrer 60 %, amber_warning blink 200 ms, green blink 2 s
mode    a_second_stir stirrer -40 %, blue blink 400 ms, green on
mode    rest stop, red blink 1 s, amber_warning on
failsafes
in | when | go to
any | halt | waiting_for_the_operator
a_first_stir, a_second_stir | operator_in_the_cabin silent | rest
rules
in | when | go to
waiting_for_the_operator | onward | a_first_stir
a_first_stir | after 4 s | a_second_stir
a_second_stir | after 3 s | a_first_stir
rest | onward | a_first_stir
trial "a day at the plant with a title that goes on and on, to see whether it wraps or runs out of the picture"
at 0 s tank_temperature 20 C
every 100 ms beat
every 2.5 s ping
at 1 s onward
at 9 s tank_temperature 44 C
at 20 s tank_temperature 62 C
at 30 s halt
expect waiting_for_the_operator
at 30 s onward
at 12 min halt
expect waiting_for_the_operator
at 12.5 min onward
expect a_first_stir within 1 s
at 12.7 min halt
expect waiting_for_the_operator
trial "a moment"
at 0 s tank_temperature 20 C
every 100 ms beat
at 1 s onward
at 1.9 s halt
expect waiting_for_the_operator
trial "nobody is there"
at 0 s tank_temperature 20 C
at 100 ms beat
at 1 s onward
at 1.3 s beat
expect rest within 4 s
"""


@cache
def record_of(name: str, number: int) -> Record:
    """What one trial of a sample, or of the plant, came to."""
    machine = read_text(PLANT, file="plant.modes") if name == "plant" else sample(name)
    return of_trial(run_trial(machine, machine.trials[number]))


@cache
def picture(name: str, number: int) -> tuple[ElementTree.Element, Axis]:
    return drawn(record_of(name, number))


SIZES = {"heading": 22, "lane-name": 11, "band-name": 11, "note": 11, "rhythm-text": 8.5, "on-text": 9, "blink-text": 9}


def boxes(root: ElementTree.Element) -> list[tuple[str, float, float, float, float]]:
    """Each text with its left, right, top and bottom, px."""
    found = []
    for element in root.iter(f"{SVG}text"):
        cls = element.get("class", "").split()[0]
        size = SIZES.get(cls, 9.5)
        rows = [row.text or "" for row in element.iter(f"{SVG}tspan")] or [element.text or ""]
        wide = max(width(row, size, cls in ("lane-name", "band-name")) for row in rows) / 1.03
        x, y = float(element.get("x", "")), float(element.get("y", ""))
        left = {"end": x - wide, "middle": x - wide / 2}.get(element.get("text-anchor", ""), x)
        found.append((rows[0], left, left + wide, y - 0.7 * size, y + 1.25 * size * (len(rows) - 1)))
    return found


EVERY = [
    *(
        (path.stem, number)
        for path in PATHS
        for number in range(len(machine_in(path).trials))
    ),
    *(("plant", number) for number in range(3)),
]


@pytest.mark.parametrize(("name", "number"), EVERY)
def test_no_two_labels_run_into_each_other_and_none_leaves_the_picture(name: str, number: int) -> None:
    root, _ = picture(name, number)
    told = boxes(root)
    for one, two in combinations(told, 2):
        apart = one[1] >= two[2] or two[1] >= one[2] or one[3] >= two[4] or two[3] >= one[4]
        assert apart, f"{one[0]!r} and {two[0]!r}"
    wide = float(root.get("width", ""))
    assert all(left >= 0 and right <= wide for _, left, right, _, _ in told)


@pytest.mark.parametrize(("name", "number"), EVERY)
def test_one_axis_has_one_unit(name: str, number: int) -> None:
    root, _ = picture(name, number)
    times = of_class(root, "time")
    unit = next(text.text or "" for text in times if (text.text or "").startswith("time, "))[6:]
    form = {"s": r"\d+(\.\d+)?", "min:s": r"\d+:\d\d(\.\d+)?", "h:min:s": r"\d+:\d\d:\d\d(\.\d+)?"}[unit]
    for text in times:
        said = (text.text or "").removesuffix(" cut out")
        assert said == f"time, {unit}" or said == "from here for ever" or re.fullmatch(form, said), said


@given(st.integers(0, 10**8), st.sampled_from([10, 20, 50]))
def test_times_of_a_scale_are_exact(tick: int, tick_ms: int) -> None:
    for end in (1, 1_000_000, 10**9):
        *more, seconds = Scale(tick_ms, end)(tick).split(":")
        assert all(len(each) == 2 for each in more[1:]) and (not more or len(seconds.split(".")[0]) == 2)
        minutes = sum(int(each) * 60**place for place, each in enumerate(reversed(more)))
        assert Decimal(minutes * 60_000) + Decimal(seconds) * 1000 == tick * tick_ms


def strokes(element: ElementTree.Element) -> list[float]:
    return [float(x) for x in re.findall(r"M([\d.]+)", of_class(element, "heard")[0].get("d", ""))]


def test_strokes_stand_where_commands_came_and_what_is_too_dense_is_a_band_with_its_period() -> None:
    root, axis = picture("plant", 1)
    (beats,) = of_class(lane(root, "beat"), "rhythm")
    assert strokes(beats) == pytest.approx(
        [axis.x(tick) for tick in range(10, 191, 10) if tick <= 10 or tick >= 100], abs=0.06
    )
    dense, _ = picture("plant", 0)
    for name, period in (("beat", "every 100 ms"), ("ping", "every 2.5 s")):
        (beats,) = of_class(lane(dense, name), "rhythm")
        assert not of_class(beats, "heard"), "no strokes of another period"
        assert of_class(beats, "rhythm-band") and of_class(beats, "rhythm-text")[0].text == period


def test_a_blink_is_drawn_as_it_was_or_as_a_band_with_its_period() -> None:
    root, axis = picture("plant", 1)
    (blinks,) = of_class(lane(root, "green"), "blinking")
    body = of_class(blinks, "on-body")[0].get("d", "")
    shown = [(float(a), float(a) + float(b)) for a, b in re.findall(r"M([\d.]+) [\d.]+h([\d.]+)", body)]
    first, end = int(blinks.get("data-first", "")), int(blinks.get("data-end", ""))
    for tick in range(first, end):
        middle = (axis.x(tick) + axis.x(tick + 1)) / 2
        # On for the first half of its period, counted from tick 0.
        assert any(a < middle < b for a, b in shown) == (tick % 200 < 100), tick
    dense, _ = picture("plant", 0)
    for each in of_class(lane(dense, "amber_warning"), "blinking"):
        assert of_class(each, "blink-body") and not of_class(each, "on-body")
        assert "blink 200 ms" in (each.findtext(f"{SVG}title") or "")


def test_silence_has_a_lane_of_its_own_for_each_link() -> None:
    machine = read_text(PLANT, file="plant.modes")
    result = run_trial(machine, machine.trials[2])
    root, _ = drawn(of_trial(result))
    heard = result.trace.column("heard", "beat")
    # by hand: silent until the first, and from half a second after the last; the halt that is never sent does not count
    since, silent = 10_000, []
    for tick, now in enumerate(heard):
        since = 0 if now or result.trace.column("heard", "onward")[tick] else since + 1
        silent.append(since >= 50)
    told = [False] * len(heard)
    for bar in of_class(lane(root, "operator_in_the_cabin silent"), "on"):
        first, end = int(bar.get("data-first", "")), int(bar.get("data-end", ""))
        told[first:end] = [True] * (end - first)
    assert told == silent and any(silent) and not all(silent)
    assert lane(root, "remote_control silent") is not None


def test_a_motors_percentage_stands_beside_its_line() -> None:
    machine = sample("feed_pusher")
    root, _ = drawn(of_trial(run_trial(machine, machine.trials[0])))
    strip = lane(root, "port_drive")
    ys = {float(y) for y in re.findall(r"[MV] ?(?:[\d.]+ )?([\d.]+)", of_class(strip, "driven")[0].get("d", ""))}
    (text,) = of_class(strip, "lane-note")
    assert text.text == "60 %" and min(ys) - 8 < float(text.get("y", "")) < min(ys), "just above it, not through it"


def test_what_turns_on_again_and_again_is_a_band() -> None:
    root, _ = picture("plant", 0)
    (band,) = of_class(lane(root, "remote_control silent"), "flurry")
    assert "silent" in (band.findtext(f"{SVG}title") or "") and of_class(band, "rhythm-text")
