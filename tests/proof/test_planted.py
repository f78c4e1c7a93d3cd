"""What a person forgets, planted into samples and into machines made at random in the shape of the trade: a time after
which something gives up, the gap of a level, a mode of a group, a driving mode of a failsafe. It is told in one
finding, which names the mode or the level and what mends it.
"""

from __future__ import annotations

import re

import pytest

from statecraft.findings import Finding
from statecraft.language import read_text
from statecraft.proof import mends
from statecraft.proof.judgement import judge
from tests.proof.trade_machines import trade_text
from tests.samples import SAMPLES

SECONDS = 120.0

pytestmark = pytest.mark.slow


@pytest.fixture(autouse=True)
def time_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    """Mends are tried however busy the computer is."""
    monkeypatch.setattr(mends, "LEAST_SECONDS", SECONDS)


def sample(name: str) -> str:
    return (SAMPLES / f"{name}.modes").read_text()


def told(text: str) -> list[Finding]:
    judged = judge(read_text(text), SECONDS)
    assert judged.decided
    return list(judged.findings)


def of_itself(finding: Finding, text: str) -> tuple[object, ...]:
    """What a finding says, whatever line it stands on."""
    line = text.splitlines()[finding.place.line - 1].split("#")[0].split()
    return finding.code, finding.modes, finding.subject, *(line if finding.row else [])


def new(text: str, planted: str) -> Finding:
    """The one finding more that ``planted`` has."""
    assert text != planted
    before = {of_itself(each, text) for each in told(text)}
    (finding,) = [each for each in told(planted) if of_itself(each, planted) not in before]
    return finding


def without_line(text: str, start: str) -> str:
    """``text`` without its one line whose words begin with ``start``."""
    lines = text.splitlines(keepends=True)
    (gone,) = [line for line in lines if " ".join(line.split()).startswith(start)]
    return "".join(line for line in lines if line is not gone)


def sub(pattern: str, put: str, text: str) -> str:
    made, count = re.subn(pattern, put, text, flags=re.MULTILINE)
    assert count == 1, pattern
    return made


# ---------------------------------------------------------------------------------------------------- a missing timeout


@pytest.mark.parametrize(
    ("name", "row", "code", "mode"),
    [
        ("yard_gate", "opening | after 25 s", "endless", "opening"),
        ("yard_gate", "backing | after 2 s", "endless", "backing"),
        ("greenhouse_vent", "travelling | after 40 s", "endless", "opening"),
        ("crate_washer", "coasting | after 4 s", "stuck", "coasting"),
    ],
)
def test_a_missing_timeout(name: str, row: str, code: str, mode: str) -> None:
    text = sample(name)
    finding = new(text, without_line(text, row))
    assert finding.code == code and mode in {each.mode for each in finding.modes} and mode in finding.message
    assert "after" in finding.hint or "Add a row that leaves" in finding.hint


@pytest.mark.parametrize("seed", [1, 2, 4])
def test_a_missing_timeout_of_the_trade(seed: int) -> None:
    text = trade_text(seed, parts=1, flaw=None)
    finding = new(text, without_line(text, "cart_step0 | after"))
    assert finding.code == "unreachable" and finding.severity == "error"
    assert finding.message.startswith("No run ever enters cart_step1") and finding.hint.startswith(
        "Add a row that leads"
    )


# ------------------------------------------------------------------------------------------------ a level without a gap


@pytest.mark.parametrize(
    ("name", "level", "about"),
    [
        ("feed_pusher", "level blocked when front < 35 cm clears when front >= 35 cm, on if in doubt", "creeping"),
        ("sump_pump", "level dry when pull < 1.5 A clears when pull >= 1.5 A", "dry"),
        ("greenhouse_vent", "level warm when air > 24 C clears when air <= 24 C", "warm"),
    ],
)
def test_a_level_without_a_gap(name: str, level: str, about: str) -> None:
    text = sample(name)
    finding = new(text, sub(rf"^level +{level.split()[1]} .*$", level, text))
    assert finding.code == "bare threshold"
    assert about == finding.subject or about in {mode.mode for mode in finding.modes}
    assert level.split()[1] in finding.message and re.search("trembl", finding.message)
    assert finding.hint.startswith(f"Let {level.split()[1]} clear further off, such as 'clears when")


@pytest.mark.parametrize("seed", [28, 37, 40])
def test_a_level_without_a_gap_of_the_trade(seed: int) -> None:
    text = trade_text(seed, parts=1, flaw=None)
    finding = new(text, sub(r"^level near_front when front < (\d+) cm.*$", GAPLESS, text))
    assert finding.code == "bare threshold" and "near_front" in finding.message


GAPLESS = r"level near_front when front < \1 cm clears when front >= \1 cm, on if in doubt"


# --------------------------------------------------------------------------------------------- a mode outside its group


@pytest.mark.parametrize(
    ("name", "line", "without", "mode", "group"),
    [
        (
            "feed_pusher",
            r"cruise, weigh, swing_left, swing_right",
            "cruise, weigh, swing_right",
            "swing_left",
            "patrolling",
        ),
        (
            "feed_pusher",
            r"cruise, weigh, swing_left, swing_right",
            "weigh, swing_left, swing_right",
            "cruise",
            "patrolling",
        ),
        ("greenhouse_vent", r"opening, shutting(?=[;\n ])", "shutting", "opening", "travelling"),
        ("yard_gate", r"outward, shutting", "outward", "shutting", "sliding"),
    ],
)
def test_a_mode_outside_its_group(name: str, line: str, without: str, mode: str, group: str) -> None:
    text = sample(name)
    finding = new(text, sub(rf"^(\s*group +{group} +){line}", rf"\1{without}", text))
    assert finding.severity == "error" and finding.modes[0].mode == mode
    assert f"ut {mode} into {group}" in finding.hint and "(Tried:" in finding.hint


@pytest.mark.parametrize(("seed", "mode"), [(17, "cart_held0"), (23, "cart_step3"), (34, "cart_step0")])
def test_a_mode_outside_its_group_of_the_trade(seed: int, mode: str) -> None:
    text = trade_text(seed, parts=1, flaw=None)
    (modes,) = re.findall(r"^group cart_driving (.*)$", text, re.MULTILINE)
    rest = ", ".join(each for each in modes.split(", ") if each != mode)
    finding = new(text, text.replace(f"group cart_driving {modes}", f"group cart_driving {rest}"))
    assert [each.mode for each in finding.modes] == [mode] and mode in finding.message
    assert finding.hint == f"Put {mode} into cart_driving. (Tried: that mends it, and nothing new is found.)"


# ------------------------------------------------------------------------------------- a failsafe that misses one mode


@pytest.mark.parametrize(
    ("name", "cell", "rest", "mode"),
    [
        ("feed_pusher", "driving", "creeping, retreating, cruise, weigh, swing_right", "swing_left"),
        ("nursery_trolley", "moving", "driven, strolling, choosing, veer_left, edging", "veer_right"),
        ("nursery_trolley", "moving", "driven, choosing, veer_left, veer_right, edging", "strolling"),
    ],
)
def test_a_failsafe_that_misses_one_mode(name: str, cell: str, rest: str, mode: str) -> None:
    text = sample(name)
    finding = new(text, sub(rf"^(\s*){cell}( +\| +\w+ silent)", rf"\1{rest}\2", text))
    assert finding.code == "runaway" and [each.mode for each in finding.modes] == [mode]
    assert finding.message.startswith(f"In {mode} the machine drives on when nobody has been heard for")
    assert re.match(rf"Let the failsafe on line \d+ apply in {mode}, too\. \(Tried:", finding.hint)


def _all_but_last_step(text: str) -> tuple[str, str]:
    machine = read_text(text)
    steps = [mode.name for mode in machine.parts[0].modes if "step" in mode.name and machine.drives(mode)]
    return re.sub(
        r"^any \| operator silent", f"any but {steps[-1]} | operator silent", text, flags=re.MULTILINE
    ), steps[-1]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_failsafe_that_misses_one_mode_of_the_trade(seed: int) -> None:
    text = trade_text(seed, parts=1, flaw=None)
    planted, mode = _all_but_last_step(text)
    finding = new(text, planted)
    assert finding.code == "runaway" and [each.mode for each in finding.modes] == [mode]
    assert re.match(rf"Let the failsafe on line \d+ apply in {mode}, too\. \(Tried:", finding.hint)
