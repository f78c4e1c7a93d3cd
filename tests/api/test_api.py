"""The library as people use it: what is asked comes out as the command has it, and mistakes are errors of one class."""

from __future__ import annotations

import doctest
import importlib
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import statecraft
from statecraft import StatecraftError, UnknownName, WrongValue
from statecraft.language.values import steps, ticks
from statecraft.machine import Unit

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "samples"

SEVERAL = """machine two_doors
board atmega328p
tick 10 ms
link operator serial0, 9600 baud, plain, silent after 500 ms
command halt "h", urgent
command go "g"
dial pace "v", 20 % .. 80 %, starts 40 %
sensor heading by hand, 0 deg .. 359.9 deg
sensor tally by hand, 0 .. 9
switch gate pin 4, on when low
lamp left pin 5
lamp right pin 6
part port
  mode dark stop
  mode lit left on
  rules
    in | when | go to
    dark | go | lit
    any | halt | dark
part star
  mode off stop
  mode on right on
  rules
    in | when | go to
    off | gate | on
    on | not gate and pace > 40 % | off
"""


@pytest.fixture
def feed_pusher() -> statecraft.Model:
    return statecraft.read(SAMPLES / "feed_pusher.modes")


@pytest.fixture
def doors() -> statecraft.Model:
    return statecraft.read_text(SEVERAL, "two_doors.modes")


@pytest.mark.slow
def test_the_page_about_python_runs_from_top_to_bottom(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(SAMPLES, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    page = str(tmp_path / "PYTHON.md")
    ran = doctest.testfile(page, module_relative=False, encoding="utf-8", raise_on_error=True)
    assert ran.attempted > 30 and not ran.failed


def test_every_stable_name_is_there_and_named_once() -> None:
    assert all(getattr(statecraft, name) for name in statecraft.__all__)
    assert set(statecraft.__all__) == {name for names in statecraft._HOME.values() for name in names}
    assert set(statecraft.__all__) <= set(dir(statecraft))
    with pytest.raises(AttributeError, match="no attribute 'reed'"):
        _ = statecraft.reed  # type: ignore[attr-defined]


def test_the_command_starts_without_the_library() -> None:
    code = (
        "import sys\nfrom statecraft.cli import main\nsys.argv = ['statecraft', '--help']\n"
        "try: main()\nexcept SystemExit: pass\n"
        "print(sorted(name for name in sys.modules if name.split('.')[0] in ('statecraft', 'lark', 'rich', 'jinja2')))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert ran.stdout.splitlines()[-1] == str(["statecraft", "statecraft.cli", "statecraft.errors"])


def test_a_rehearsal_goes_as_the_trial_of_the_same_words_goes(feed_pusher: statecraft.Model) -> None:
    (trial,) = feed_pusher.trials()
    sim = feed_pusher.simulate(supply="7.6 V", front="200 cm", left="90 cm", right=(90, "cm"))
    sim.every("100 ms", "beat")
    sim._every["beat"] = (0, 10)  # the trial's begins on tick 0, where it is lost
    sim.run("990 ms")
    sim.hear("patrol")
    sim.run("2 s")
    sim.set(front="24 cm", left="22 cm", right="17 cm")
    sim.run((10 * (len(trial.trace) - len(sim)), "ms"))
    kinds = frozenset({"mode", "level", "counter", "setting", "taken"})
    mine, theirs = (
        [(each.tick, each.column.kind, each.column.name, each.value) for each in trace.changes(kinds)]
        for trace in (sim.trace, trial.trace)
    )
    assert mine == theirs


def test_what_is_given_is_seen(doors: statecraft.Model) -> None:
    sim = doors.simulate(heading="90.5 deg", tally=7)
    seen = [sim[name] for name in ("heading", "tally", "pace", "gate", "left")]
    assert seen == ["90.5 deg", "7", "40 %", False, "off"]
    assert sim.modes == {"port": "dark", "star": "off"} and sim["port"] == "dark" and sim.now == "0 s"
    sim.hear("go")
    sim.set(pace=(60, "%"), gate="on", heading=None)
    sim.run("10 ms")
    assert sim.modes == {"port": "lit", "star": "on"}
    assert (sim["heading"], sim["pace"], sim["gate"], sim["left"]) == ("in fault", "60 %", True, "on")
    sim.set(gate=False, tally="fault")
    sim.run("1 s")
    assert sim["star"] == "off" and sim["tally"] == "in fault" and sim.now == "1.01 s" and len(sim) == 102
    assert sim.story() == [
        ("0 s", "port: dark"),
        ("0 s", "star: off"),
        ("10 ms", "port: lit"),
        ("10 ms", "star: on"),
        ("20 ms", "star: off"),
    ]
    with pytest.raises(UnknownName, match=r"several parts.*modes\[…\] of port, star"):
        _ = sim.mode


def test_conditions_that_ask_for_longer_than_the_file_does(doors: statecraft.Model) -> None:
    sim = doors.simulate()
    sim.run("3 s")
    assert sim.holds("operator silent") and sim.holds("port in dark and not gate") and not sim.holds("go within 5 s")
    assert sim.holds("go absent 2 s")
    sim.hear("go")
    assert sim.until("port in lit", "10 ms").now == "3.01 s"
    sim.run("1 s")
    assert sim.holds("go absent 1 s") and not sim.holds("go absent 1010 ms")
    sim.every("200 ms", "go")
    sim.run("1 s")
    assert not sim.holds("go absent 200 ms")
    sim.no_more("go")
    assert sim.until("go absent 700 ms", "1 s").view.clocks["absent go"] >= 70


@pytest.mark.parametrize(
    ("given", "error", "told"),
    [
        ({"headin": "3 deg"}, UnknownName, "no sensor, switch or dial 'headin'; did you mean heading?"),
        ({"zzzzzz": 3}, UnknownName, "there are: heading, tally, gate, pace"),
        ({"go": True}, UnknownName, r'go is a command: hear\("go"\) lets it come'),
        ({"heading": 90}, WrongValue, r'heading: 90 lacks its unit; it is an angle: write it in deg: "35 deg"'),
        ({"heading": "90"}, WrongValue, "heading: 90 lacks its unit"),
        ({"heading": "90 cm"}, WrongValue, "90 cm is a length; for heading it must be an angle. Write it in deg."),
        ({"heading": "90 dge"}, WrongValue, '"dge" is not a unit. Did you mean deg?'),
        ({"heading": "400 deg"}, WrongValue, "heading cannot be 400 deg: it goes from 0 deg to 359.9 deg"),
        ({"heading": "-1 deg"}, WrongValue, "it goes from 0 deg to 359.9 deg"),
        ({"heading": "0.05 deg"}, WrongValue, "0.05 deg is finer than heading can tell.*Write 0 deg or 0.1 deg"),
        ({"heading": True}, WrongValue, 'heading is a sensor: give it a reading, or "fault"'),
        ({"heading": "east"}, WrongValue, "heading: 'east' is not a number with a unit"),
        ({"heading": (float("nan"), "deg")}, WrongValue, "not a number with a unit"),
        ({"heading": [1, "deg"]}, WrongValue, "not a number with a unit"),
        ({"tally": "7 cm"}, WrongValue, "7 cm is a length; for tally it must be a plain number"),
        ({"tally": 10}, WrongValue, "tally cannot be 10: it goes from 0 to 9"),
        ({"tally": 1.5}, WrongValue, "finer than tally can tell"),
        ({"gate": 1}, WrongValue, 'gate is a switch: give it True or "on", False or "off"; 1 is neither'),
        ({"gate": "open"}, WrongValue, "'open' is neither"),
        ({"pace": "50 %"}, WrongValue, "pace is a dial: on tick 0 nothing is heard"),
    ],
)
def test_wrong_inputs_are_refused(
    doors: statecraft.Model, given: dict, error: type[StatecraftError], told: str
) -> None:
    with pytest.raises(error, match=told):
        doors.simulate(**given)
    if "on tick 0" not in told:
        sim = doors.simulate(tally=3)
        with pytest.raises(error, match=told):
            sim.set(**{"gate": True, **given})
        sim.run("10 ms")
        assert sim["gate"] is False and sim["tally"] == "3"  # nothing of it was set


def test_wrong_times_names_and_conditions_are_refused(doors: statecraft.Model, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    sim = doors.simulate()
    for asked, told in (
        (lambda: sim.run(5), "the time to run: 5 lacks its unit; it is a duration: write it in ms, s, min or h"),
        (lambda: sim.run("5 ms"), "5 ms is not a whole number of ticks of 10 ms. Write 10 ms"),
        (lambda: sim.run("0 s"), "too short"),
        (lambda: sim.run("-1 s"), "never negative"),
        (lambda: sim.run("25 h"), "longer than a day"),
        (lambda: sim.hear("halp"), "no command 'halp'; did you mean halt?"),
        (lambda: sim.every("1 s", "halp"), "did you mean halt?"),
        (lambda: sim.every("1 cm", "halt"), "must be a duration"),
        (lambda: sim.no_more("halt"), "does not come again and again"),
        (lambda: sim["hedding"], "did you mean heading?"),
        (lambda: sim.holds("port in lid"), 'Did you mean "lit"?'),
        (lambda: sim.holds(")"), "does not fit here"),
        (lambda: sim.until("port in lit", "1 s"), "not come true within 1 s: at 1 s port is in dark, star is in off"),
        (lambda: doors.trials("wall"), "no trial has 'wall' in its title; the file's trials: none"),
        (lambda: doors.check(0), "a proof needs time"),
        (lambda: doors.agree("moon"), "'moon' is neither"),  # type: ignore[arg-type]
        (lambda: statecraft.read("nowhere.modes"), 'no file "nowhere.modes"'),
        (lambda: statecraft.read_text("machine x"), "board"),
        (lambda: doors.draw().save("x.gif"), r"use \.svg, \.png, \.pdf"),
        (lambda: sim.save("x.txt"), r"a trace's file ends in \.csv, \.vcd, \.jsonl"),
        (lambda: doors.draw().save(tmp_path / "file" / "all.svg"), "cannot be written"),
    ):
        with pytest.raises(StatecraftError, match=told):
            asked()


def test_every_error_of_the_package_is_of_the_one_class() -> None:
    caught_there = {"Lost", "OutOfTime", "TooManyDials", "Undecidable", "Undecided", "Untraced"}
    for file in (ROOT / "statecraft").rglob("*.py"):
        for name, base in re.findall(r"^class (\w+)\((Exception|\w*Error)\)", file.read_text(), re.MULTILINE):
            if base != "StatecraftError" and name[0] != "_" and name not in caught_there | {"StatecraftError"}:
                module = importlib.import_module(".".join(file.relative_to(ROOT).with_suffix("").parts))
                assert issubclass(getattr(module, name), StatecraftError), f"{file}: {name}"


def test_a_finding_is_played_to_what_it_says() -> None:
    m = statecraft.read(SAMPLES / "faulty" / "fault_ignored.modes")
    check = m.check()
    assert not check.passed(strict=True)
    found = next(each for each in check.findings if each.run is not None)
    assert found.run is not None
    played = found.play()
    assert len(played) == found.run.ticks
    assert {(mode.part, mode.mode) for mode in found.run.modes} == set(played.modes.items())
    assert found.story() and str(found).startswith(f"{found.severity}: {found.code}, line {found.line}: ")
    assert found.message.split()[0] in found._repr_html_() and "srcdoc" in found._repr_html_()
    assert found.code.split()[0] in found.explain().lower()
    assert str(check).endswith(f"{m.name}: {check.outcome}")


def test_a_finding_that_no_run_can_show_says_so() -> None:
    check = statecraft.read(SAMPLES / "faulty" / "unused.modes").check()
    (found,) = [each for each in check.findings if each.code == "unused"]
    assert found.story() == []
    with pytest.raises(StatecraftError, match="no run"):
        found.play()


def test_a_check_that_had_no_time_is_not_true(feed_pusher: statecraft.Model) -> None:
    check = feed_pusher.check(seconds=1e-6)
    assert check.unproved and not check
    assert "not proved" in str(check)


def test_pictures_show_themselves(feed_pusher: statecraft.Model, tmp_path: Path) -> None:
    (trial,) = feed_pusher.trials()
    sim = feed_pusher.simulate().run("1 s")
    for shown in (feed_pusher, feed_pusher.draw(), feed_pusher.table(), trial, sim, trial.timeline()):
        html = shown._repr_html_()
        assert html.startswith("<iframe ") and html.endswith("</iframe>") and "<script" not in html
    saved = trial.timeline().save(tmp_path / "wall.svg")
    assert saved.read_text().startswith("<?xml")
    sim.save(tmp_path / "sim.csv")
    assert len((tmp_path / "sim.csv").read_text().splitlines()) == len(sim) + 1
    assert feed_pusher.table().csv(rows=True).count("\n") > 15
    assert "cruise" in feed_pusher.table().text() and "cruise" in str(feed_pusher.table())
    assert feed_pusher.tidy() == feed_pusher.text


@given(st.decimals(-1000, 1000, places=2), st.sampled_from([("cm", 10), ("mm", 1), ("m", 1000)]))
def test_lengths_are_exact_or_refused(number, unit) -> None:
    """Against whole numbers: hundredths of the unit, in hundredths of a step."""
    symbol, millimetres = unit
    hundredths = int(number * 100) * millimetres
    if hundredths % 100:
        with pytest.raises(WrongValue, match="finer"):
            steps((number, symbol), Unit.LENGTH, "it")
    else:
        assert steps((number, symbol), Unit.LENGTH, "it") == hundredths // 100
        assert steps(f"{number} {symbol}", Unit.LENGTH, "it") == hundredths // 100


@given(st.integers(0, 10_000), st.sampled_from([1, 2, 10, 50]))
def test_durations_are_whole_ticks_or_refused(ms: int, tick_ms: int) -> None:
    if ms % tick_ms:
        with pytest.raises(WrongValue, match="whole number of ticks"):
            ticks(f"{ms} ms", tick_ms, "it")
    else:
        assert ticks((ms, "ms"), tick_ms, "it") == ms // tick_ms


@given(st.text())
def test_any_text_is_a_value_or_an_error_of_ours(text: str) -> None:
    try:
        assert isinstance(steps(text, Unit.VOLTAGE, "it"), int)
    except WrongValue as error:
        assert str(error)


@pytest.mark.slow
def test_make_from_python_is_what_the_command_makes(feed_pusher: statecraft.Model, tmp_path: Path) -> None:
    made = feed_pusher.make(tmp_path)
    assert made.passed and made.sketch is not None and (made.home / "trials.txt").read_text().count("✓") == 4
    assert [step.name for step in made.steps if step.name][:4] == ["read", "check", "try", "emit"]
    assert (made.home / feed_pusher.name / "behaviour.cpp").exists()
    assert feed_pusher.emit(tmp_path / "again").files == made.sketch.files
    assert feed_pusher.wiring()[0].pin


@pytest.mark.slow
def test_agree_from_python(feed_pusher: statecraft.Model) -> None:
    agreement = feed_pusher.agree(ticks=500)
    assert agreement.agrees and agreement.difference is None
    assert [stage.what for stage in agreement.stages] == ["trials", "vectors", "random"]
    assert agreement.shown is not None and agreement.shown.rows == agreement.shown.rows_of
