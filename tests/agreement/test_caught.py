"""A template changed in one line, on purpose, is caught by the command, made short, and saved as a trial."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jinja2 import ChoiceLoader, DictLoader

from statecraft.firmware.layout import layout
from statecraft.resources import folder
from statecraft.templates_engine import environment
from tests.cli.conftest import Ran, run  # noqa: F401 - the fixture
from tests.samples import SAMPLES, machine_in
from tests.tools import need

need("g++")
BEHAVIOUR = "firmware/behaviour.cpp.j2"

CHANGES = [
    ("feed_pusher", "    if (clock < limit) {", "    if (clock <= limit) {"),  # a clock runs past its end
    ("feed_pusher", "    return clock > ticks;", "    return clock >= ticks;"),  # a level turns a tick early
    ("feed_pusher", "        now.waiting_count = 0;", "        ;"),  # nobody is dropped
    ("feed_pusher", "    return reverses ? int8_t{0} : want;", "    return want;"),  # no rest before turning round
    ("greenhouse_vent", "    if (target == {{ part.mode }}) {", "    if (false) {"),  # the present mode is re-entered
    ("yard_gate", "    {{ part.in_mode }} = 0;", "    ;"),  # the mode's clock is not set back
    ("yard_gate", "    if (stop) {\n        at = 0;", "    if (false) {\n        at = 0;"),  # it brakes along its ramp
]


@pytest.fixture
def changed(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, str], None]:
    """Change one line of the behaviour's template, for as long as the test lasts."""

    def change(line: str, other: str) -> None:
        engine = environment()
        source = (Path(str(folder("templates"))) / BEHAVIOUR).read_text()
        assert source.count(line) == 1, "the template has no such line any more, or several"
        changed = DictLoader({BEHAVIOUR: source.replace(line, other, 1)})
        loader: Any = ChoiceLoader([changed, engine.loader])  # type: ignore[list-item]
        monkeypatch.setattr(engine, "loader", loader)
        monkeypatch.setattr(engine, "cache", {})

    return change


@pytest.mark.slow
@pytest.mark.parametrize(("sample", "line", "other"), CHANGES, ids=[change[1].strip() for change in CHANGES])
def test_one_changed_line_is_caught(
    run: Callable[..., Ran],  # noqa: F811
    changed: Callable[[str, str], None],
    tmp_path: Path,
    sample: str,
    line: str,
    other: str,
) -> None:
    changed(line, other)
    ran = run("agree", SAMPLES / f"{sample}.modes", "--seed", "1", "--ticks", "20000")
    assert ran.code == 1
    assert "they differ" in ran.out
    assert "←" in ran.out
    saved = tmp_path / f"{sample}-differs.modes"
    assert 'trial "where they differ"' in saved.read_text()
    assert run("try", saved, "--only", "where they differ").code == 0  # the table still does what it did
    kinds = {kind for kind in ("mode", "clock", "level", "shown", "waiting", "row") if f"  {kind}" in ran.out}
    assert kinds <= {item.kind for item in layout(machine_in(SAMPLES / f"{sample}.modes")).fields}


def test_an_unchanged_template_agrees(run: Callable[..., Ran]) -> None:  # noqa: F811
    ran = run("agree", SAMPLES / "greenhouse_vent.modes", "--seed", "1", "--ticks", "20000")
    assert ran.code == 0
    assert ran.out.count("no difference") == 3
    assert "seed 1" in ran.out
    assert "conditions" in ran.out
    assert "branches" in ran.out
    assert "no reason why none can" not in ran.out
