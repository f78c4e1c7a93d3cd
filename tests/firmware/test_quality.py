"""The generated C++ as a careful reader and several compilers see it."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import networkx as nx
import pytest

from statecraft.boards import load, load_file
from statecraft.fingerprint import short
from statecraft.firmware import emit
from statecraft.firmware.desk import Desk
from statecraft.firmware.toolchain import Built
from statecraft.language import read_text
from statecraft.machine import Machine
from tests.firmware.agreement import check
from tests.firmware.rig import built
from tests.firmware.stimuli import Stimuli
from tests.samples import PATHS, machine_in
from tests.tools import need

HERE = Path(__file__).parent
FILES = [*PATHS, HERE / "machines" / "orchard.modes"]
STRICT = ["-std=c++11", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-pedantic", "-Werror", "-Os", "-c"]


THE_SWITCH = re.compile(r"decide|set_outputs")
"""What may be long: the table."""


def run(command: list[str], folder: Path) -> str:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.fixture(scope="module")
def sketches(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The sketch folder of every sample and of the machine with every construct."""
    folders = []
    for file in FILES:
        machine = machine_in(file)
        folder = tmp_path_factory.mktemp(machine.name)
        for name, text in emit(machine, load(machine.board)).items():
            (folder / name).write_text(text)
        folders.append(folder)
    return folders


@pytest.mark.parametrize("compiler", ["g++", "clang++", "avr-g++"])
def test_behaviour_compiles_without_a_word(sketches: list[Path], compiler: str) -> None:
    need(compiler)
    chip = ["-mmcu=atmega328p"] if compiler == "avr-g++" else []
    for folder in sketches:
        assert run([compiler, *STRICT, *chip, "behaviour.cpp", "-o", "behaviour.o"], folder) == ""


def test_cppcheck_finds_nothing(sketches: list[Path]) -> None:
    need("cppcheck")
    checks = ["--enable=warning,style,performance,portability", "--error-exitcode=1", "--inline-suppr", "--quiet"]
    for folder in sketches:
        run(["cppcheck", *checks, "--std=c++11", "--language=c++", "behaviour.cpp"], folder)


@pytest.mark.slow
def test_clang_tidy_finds_nothing(sketches: list[Path]) -> None:
    need("clang-tidy")
    checks = (
        "-*,bugprone-*,cert-*,clang-analyzer-*,readability-*,misc-no-recursion,"
        # Of these, what the sketch does otherwise on purpose: short names for short scopes; a decision per row in one
        # switch; numbers of the user's own and row numbers, which stand in the comment above; neighbours of one type.
        "-readability-identifier-length,-readability-function-cognitive-complexity,-readability-magic-numbers,"
        "-bugprone-easily-swappable-parameters,-readability-uppercase-literal-suffix,-bugprone-reserved-identifier,"
        # The C names of stdint.h and string.h are what every core has.
        "-readability-static-definition-in-anonymous-namespace"
    )
    for folder in sketches:
        run(["clang-tidy", "--quiet", f"--checks={checks}", "--warnings-as-errors=*", "behaviour.cpp", "--",
             "-std=c++11"], folder)  # fmt: skip


def test_no_function_is_long_but_the_one_that_has_the_switch(sketches: list[Path]) -> None:
    for folder in sketches:
        for file in folder.glob("*.cpp"):
            for name, length, body in functions(file.read_text()):
                assert length <= 60 or THE_SWITCH.match(name), (file, name, length)
                assert not re.search(r"\b(malloc|new|delete|goto|delay)\b", body), (file, name)


def functions(text: str) -> list[tuple[str, int, str]]:
    """(name, lines, body) of every function in the way the templates lay them out."""
    found = []
    for match in re.finditer(r"^(?:\w[\w:<>&* ,]*?)\b(\w+)\([^)]*\)\n\{\n(.*?)^\}$", text, re.M | re.S):
        code = [line for line in match[2].splitlines() if line.strip() and not line.strip().startswith("//")]
        found.append((match[1], len(code), match[2]))
    return found


def test_every_row_stands_once_under_its_own_source_line(feed_pusher: Machine) -> None:
    text = emit(feed_pusher, load("atmega2560"))["behaviour.cpp"]
    rows = re.findall(r"// Row (\d+), line (\d+): (.*)", text)
    assert [int(row) for row, _, _ in rows] == list(range(19))
    lines = feed_pusher.source[feed_pusher.place.file].splitlines()
    for _, line, said in rows:
        assert said.split() == lines[int(line) - 1].split()


def test_headers_say_what_made_it_from_what_and_the_cautions(feed_pusher: Machine) -> None:
    for name, text in emit(feed_pusher, load("atmega2560")).items():
        head = text[:900]
        assert "Made by statecraft" in head, name
        assert f"from feed_pusher.modes; its table's fingerprint is {short(feed_pusher)}" in head, name
        assert "not a safety-rated controller" in head, name
        assert "switch that cuts motor power" in head.replace("\n// ", " "), name


# ----------------------------------------------------------------------------------------------- what the compiler made


@pytest.fixture(scope="module")
def programs(tmp_path_factory: pytest.TempPathFactory, chip_tools: None) -> dict[str, Built]:
    """Every sample, and the machine with every construct, compiled for its chip."""
    machines = [machine_in(file) for file in FILES]
    return {machine.name: built(machine, tmp_path_factory.mktemp(machine.name)) for machine in machines}


@pytest.mark.slow
def test_nothing_is_initialised_before_main_but_the_cores_own(
    programs: dict[str, Built], sketches: list[Path]
) -> None:
    need("avr-g++")
    for folder in sketches:
        run(["avr-g++", *STRICT, "-mmcu=atmega2560", "behaviour.cpp", "-o", "chip.o"], folder)
        assert not re.search(r"\.(ctors|init_array)", run(["avr-objdump", "-h", "chip.o"], folder))
    for name, made in programs.items():
        symbols = run(["avr-nm", "-C", str(made.elf)], made.elf.parent)
        starters = re.findall(r"global constructors keyed to (.*)", symbols)
        # The core keys its serial ports' constructors to their first symbol: an interrupt's or the port's own.
        assert all(re.match(r"__vector_\d+|Serial\d?|_usart|PluggableUSB", starter) for starter in starters), name
        assert "guard variable" not in symbols, name


def test_the_compiler_has_nothing_to_say_of_any_sketch(programs: dict[str, Built]) -> None:
    assert {name: made.warnings for name, made in programs.items()} == dict.fromkeys(programs, "")


def test_there_is_no_heap(programs: dict[str, Built]) -> None:
    for name, made in programs.items():
        symbols = run(["avr-nm", "-C", str(made.elf)], made.elf.parent)
        heap = r" (malloc|free|realloc|calloc|operator new.*|operator delete.*|__brkval)$"
        assert not re.search(heap, symbols, re.M), name


def test_nothing_calls_itself_by_whatever_way(programs: dict[str, Built]) -> None:
    for name, made in programs.items():
        calls = nx.DiGraph()
        here = ""
        for line in run(["avr-objdump", "-d", "--no-show-raw-insn", str(made.elf)], made.elf.parent).splitlines():
            if match := re.match(r"[0-9a-f]+ <(.+)>:$", line):
                here = match[1]
            elif match := re.search(r"\t(?:r?call|r?jmp)\t.*<([^+>]+)>$", line):
                jump_home = "jmp" in line and match[1] in (here, "__vectors")  # a loop; a start anew
                if not jump_home:
                    calls.add_edge(here, match[1])
        assert calls.number_of_edges() > 40
        assert list(nx.simple_cycles(calls)) == [], name


def test_the_small_chip_keeps_half_of_both_memories(programs: dict[str, Built]) -> None:
    board = load("atmega328p")
    for name in ("greenhouse_vent", "sump_pump"):
        assert programs[name].flash <= board.sketch_max_bytes / 2
        assert programs[name].ram <= board.ram_bytes / 2


def test_the_feed_pusher_is_small(feed_pusher_built: Built) -> None:
    assert feed_pusher_built.flash <= 10_000
    assert feed_pusher_built.ram <= 1000
    assert feed_pusher_built.behaviour_flash <= 2048
    assert feed_pusher_built.behaviour_ram <= 80
    assert feed_pusher_built.warnings == ""


def test_the_same_machine_gives_the_same_sketch(feed_pusher: Machine) -> None:
    assert emit(feed_pusher, load("atmega2560")) == emit(feed_pusher, load("atmega2560"))


GENERIC = """
generic      = true
description  = "a bench board"
supply_mv    = 3300
reference_mv = 3300
adc_bits     = 12

[[serial]]
name   = "serial1"
object = "Serial1"
rx     = "0"
tx     = "1"

[[serial]]
name   = "serial2"
object = "Serial2"
rx     = "16"
tx     = "17"

[pins]
"""


def test_a_sketch_for_a_board_of_ones_own_compiles_against_any_core(orchard: Machine, tmp_path: Path) -> None:
    need("g++")
    pins = "\n".join(
        f'"{number}" = {{ can = ["digital", "pwm", "interrupt"] }}' for number in range(50)
    )
    pins += "\n" + "\n".join(f'"A{number}" = {{ can = ["digital", "analog"] }}' for number in range(4))
    (tmp_path / "bench.toml").write_text(GENERIC + pins)
    board = load_file(tmp_path / "bench.toml")
    source = orchard.source[orchard.place.file]
    without_servos = re.sub(r"(?m)^servo .*\n", "", source).replace(", fingers tilt", "")
    without_servos = without_servos.replace("fingers 80 deg, nozzle tilt", "")
    machine = read_text(without_servos, file="orchard.modes")
    for name, text in emit(machine, board).items():
        (tmp_path / name).write_text(text)
    for file in [*tmp_path.glob("*.cpp"), tmp_path / "orchard.ino"]:
        command = ["g++", "-x", "c++", "-include", "Arduino.h", "-I", str(HERE / "standin"), "-I", str(tmp_path)]
        run([*command, "-std=c++11", "-Wall", "-Wextra", "-Werror", "-c", str(file), "-o", "out.o"], tmp_path)


AWKWARD = """
# names that C++, the core or the templates have taken already \\
machine int
board   atmega2560
tick    10 ms
link     operator serial1, 9600 baud, plain, silent after 500 ms, reports
link     double   serial2, 9600 baud, checked
command  none     "n" from operator       # ends in a backslash \\
command  begin    "b" from operator, urgent   # a trigraph ??/
command  waiting  "w?" from double
command  switch_  button, pin 4, on when low, settle 20 ms
dial     float    "f" from operator, 0 % .. 100 %, starts 5 %
dial     value    "v" from double, -20 C .. 20 C, starts 0 C
sensor   min      range, trigger 22, echo 23, 2 cm .. 400 cm
sensor   abs      voltage, pin A1, 0 V .. 15 V
sensor   pins     temperature, pin A2, 10 kohm at 25 C, beta 3950, against 10 kohm
sensor   readings current, pin A3, 0.5 V is 0 A, 2.5 V is 20 A
sensor   word     pulses, pin 2, 0 Hz .. 90 Hz
sensor   this     by hand, 0 deg .. 90 deg
sensor   now      this, taken in case after 100 ms, patience 1 s
switch   bit      pin 24, on when high, settle 20 ms
switch   loop     by hand
motor    shown    pwm 5, forward 30, reverse 31, ramp 100 %/s
motor    steer    pwm 6, direction 32, pause 100 ms before reversing
lamp     sample   pin 33
relay    rest     pin 34
servo    port     pin 35, 0 deg .. 90 deg, rest stays
buzzer   tone     pin 36, 1 kHz
output   drive    by hand, 0 % .. 100 %, rest 0 %
constant ticks_1_s = 2 s
constant cm_30     = 10 cm
constant held_back = 30 cm
level    out       when min < held_back clears when min > 42 cm, on if in doubt
level    heard     when abs < 6 V for 1 s clears when abs > 7 V
counter  clock     0 .. 300
mode     default   stop
mode     case      shown float, steer -float, port 5 deg
mode     union     shown -50 %, tone blink 1 s, drive float
mode     target    sample on, rest on
group    state     case, union
failsafes
  in      | when                                      | go to
  any     | begin or heard                            | default
  state   | operator silent or bit                    | default
rules
  in      | when                                      | go to  | do
  default | none and not out and min > 30 cm          | case   | clock + 1
  case    | after 1 s or waiting                      | union  |
  case    | after ticks_1_s and now > 5 deg and word > 3 Hz | target |
  union   | switch_ or value > 3 C or readings > 5 A  | target | clock + 200
  target  | loop or pins > 30 C or min > cm_30        | default |
"""


def test_no_name_of_a_machine_is_in_the_way(tmp_path: Path, chip_tools: None) -> None:
    machine = read_text(AWKWARD, file="int.modes")
    made = built(machine, tmp_path)
    assert made.warnings == ""
    check(machine, list(Stimuli(machine, 1).ticks(2000)), Desk(machine, flags=("-Werror",)))
