"""A run that check found, and a trial that failed, on the bench at their ends; the page of the report says how."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from html import unescape
from pathlib import Path

import pytest
from click.testing import CliRunner
from websockets.sync.client import connect

from statecraft.bench.live import Live
from statecraft.cli.check import command as check
from statecraft.proof.judgement import judge, title_of, to_try
from statecraft.proof.runs.replay import replay
from tests.bench.rig import served
from tests.samples import FAULTY, SAMPLES, machine_in

PUSHER = (SAMPLES / "feed_pusher.modes").read_text()


@pytest.mark.slow
@pytest.mark.parametrize("path", FAULTY, ids=lambda path: path.stem)
def test_a_run_opens_in_the_modes_that_it_ends_in(path: Path) -> None:
    machine = machine_in(path)
    judged = judge(machine)
    found, otherwise = to_try(judged)
    runs = {title_of(each): each.run for each in judged.findings if each.run is not None}
    runs |= {title_of(each.promise): each.run for each in judged.report.verdicts if each.run is not None}
    assert {trial.title for trial in found} == runs.keys()
    for trial in found:
        live = Live.of_trial(machine, trial)
        run = runs[trial.title]
        if trial.title not in dict(otherwise) and run is not None and run.tail is None:
            assert live.view.modes == replay(machine, run).modes, trial.title


def test_words_that_find_nothing(tmp_path: Path) -> None:
    path = tmp_path / "pusher.modes"
    path.write_text(PUSHER)
    done = CliRunner().invoke(check, [str(path), "--bench"])
    assert "nothing to open on the bench" in done.output
    assert CliRunner().invoke(check, [str(path), "--only", "x"]).exit_code != 0
    assert CliRunner().invoke(check, [str(path), "--bench", "--json"]).exit_code != 0


def stand(address: str) -> dict[str, object]:
    at = address.split("/")[2]
    with connect(f"ws://{at}/socket", origin=f"http://{at}") as socket:  # type: ignore[arg-type]
        return dict(json.loads(socket.recv(20)))


@pytest.mark.slow
def test_a_failed_trial_and_a_run_are_opened_by_the_reports_commands(tmp_path: Path) -> None:
    path = tmp_path / "push er.modes"
    text = PUSHER.replace("expect        jammed within 5 s", "expect        cruise within 1 s")
    path.write_text(re.sub(r"(?m)^.*operator silent +\| parked.*\n", "", text))
    done = subprocess.run(
        [sys.executable, "-m", "statecraft", "report", str(path), "-o", "-", "--no-compile"],
        capture_output=True, text=True, cwd=tmp_path, check=False,
    )  # fmt: skip
    told = re.findall(r"<code>(statecraft (?:check|bench) .*?)</code>", done.stdout)
    lines = [shlex.split(unescape(each)) for each in told]
    verbs = [line[1] for line in lines]
    assert verbs.count("bench") == 1 and verbs.count("check") >= 2
    for verb in ("bench", "check"):
        _, _, name, *words = next(line for line in lines if line[1] == verb)
        with served(verb, tmp_path / name, *words) as process:
            found = stand(process.address)
        assert found["tick"] and words[-1] in {"a wall, then a dead end", *found["begins"]}  # type: ignore[misc]
