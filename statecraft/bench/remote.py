"""The operator's remote as one page that needs nothing else: no network, no other file."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

from markupsafe import Markup

from statecraft import __version__
from statecraft.bench.controls import Button, Controls, dial_numbers
from statecraft.fingerprint import short
from statecraft.machine import Dial, Machine, Mode, Part, Row, numbered
from statecraft.resources import folder
from statecraft.templates_engine import render

CAUTIONS = (
    "Machines that move hurt people. This is not a safety-rated controller.",
    "A stop command is not an emergency stop: fit a hardware switch that cuts motor power, and keep it in reach.",
    "The first time: wheels off the ground.",
    "Watch the machine, not this page. Local codes come first.",
)

SCRIPTS = ("page", "frames", "outbox", "holding", "stick", "ways", "operator", "remote")
"""The page's modules, each after those that it imports."""

MOST_WORDS = 12_000
"""Letters of rows' conditions on the page; a table with more is told by line numbers, to keep the page small."""


def page(controls: Controls, role: Literal["drive", "watch"] = "drive") -> str:
    """The remote, or with ``role`` ``watch`` the page that only shows what the machine does."""
    machine = controls.machine
    return render(
        "bench/remote.html.j2",
        title=f"{machine.name}: {'remote' if role == 'drive' else 'watching'}",
        machine=machine,
        controls=controls,
        role=role,
        cautions=CAUTIONS,
        how=_how(controls),
        spots=any(button.command.spot for button in controls.held),
        numbers=dial_numbers,
        shown=lambda dial, steps: round(steps * dial.unit.resolution),
        start=start_of,
        table=short(machine),
        version=__version__,
        file=Path(machine.place.file).name,
        style=Markup((folder("templates") / "bench" / "remote.css").read_text(encoding="utf-8")),
        data=Markup(_safe(json.dumps(_data(controls, role), separators=(",", ":")))),
        script=Markup(script(SCRIPTS)),
    )


def start_of(dial: Dial) -> int:
    """The whole number that a dial starts at, in the symbol of its unit."""
    return round(dial.start * dial.unit.resolution)


def script(names: Sequence[str]) -> str:
    """Modules as one: they stand after each other, so what they import from each other is there already."""
    text = "\n".join(
        (folder("templates") / "bench" / f"{name}.js").read_text(encoding="utf-8").rstrip() for name in names
    )
    return re.sub(r"(?m)^import .*\n|^export (?=\w)", "", text)


def radios() -> list[dict[str, str]]:
    """The serial services of Bluetooth low energy radios that are known; radios.toml says where from."""
    with (Path(__file__).parent / "radios.toml").open("rb") as file:
        return [{key: radio[key] for key in ("service", "write", "notify")} for radio in tomllib.load(file)["radio"]]


def _safe(text: str) -> str:
    """JSON that may stand in a script: nothing in it ends the script."""
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _how(controls: Controls) -> str:
    """What the operator is to know of how it stops, in a sentence or two."""
    said = ["What you hold is sent while you hold it, and ends when you let go, look away, or lock the phone."] * bool(
        controls.held
    )
    silent, machine = controls.silent_ms, controls.machine
    if silent is None:
        said.append("This link never counts as silent: if it is lost, the machine goes on with what it does.")
    elif controls.beat is not None or controls.held:
        time = machine.duration(controls.link.silent or 0)
        said.append(f"If the connection is lost, the machine notices after {time} and does what its table says then.")
    if silent is not None and controls.beat is None:
        said.append("The file has no heartbeat: while nothing is held, the link counts as silent.")
    return " ".join(said)


def _data(controls: Controls, role: str) -> dict[str, Any]:
    machine = controls.machine
    words = sum(len(row.when_text) for part in machine.parts for row in part.rows) <= MOST_WORDS
    return operator_data(controls, role) | {
        "parts": [_part(machine, part, words) for part in machine.parts],
        "counters": [counter.name.replace("_", " ") for counter in machine.counters],
    }


def operator_data(controls: Controls, role: str = "drive") -> dict[str, Any]:
    """What operator.js is told of the machine and its link."""
    machine, link = controls.machine, controls.link
    return {
        "role": role,
        "table": short(machine),
        "tickMs": machine.tick_ms,
        "baud": link.baud,
        "checked": link.checked,
        "reports": link.reports,
        "halts": [_button(button) for button in controls.halts],
        "held": [_button(button) for button in controls.held],
        "once": [_button(button) for button in controls.once],
        "beat": _button(controls.beat) if controls.beat else None,
        "radios": radios(),
    }


def _button(button: Button) -> dict[str, Any]:
    return {"name": button.command.name, "message": button.message.decode(), "every": button.every_ms}


def kind(machine: Machine, part: Part, mode: Mode) -> str:
    """How the pages show a mode: ``stop``, ``moves`` or ""."""
    return "stop" if mode.stop else "moves" if machine.is_moving(part, mode) else ""


def _part(machine: Machine, part: Part, words: bool) -> dict[str, Any]:
    places = numbered(part.modes)
    kinds = [kind(machine, part, mode) for mode in part.modes]
    return {
        "name": part.name.replace("_", " "),
        "modes": [[mode.name.replace("_", " "), kind] for mode, kind in zip(part.modes, kinds, strict=True)],
        "rows": [
            [
                places[row.target] if row.move == "go" else -1,
                row.when_text if words else f"line {row.place.line}",
                *_dials_set(machine, row),
            ]
            for row in part.rows
        ],
    }


def _dials_set(machine: Machine, row: Row) -> list[dict[str, int]]:
    """The whole numbers that a row sets dials to, so that the remote shows where they stand; none, nothing."""
    dials = {dial.name: dial for dial in machine.dials}
    sets = [(dials[change.counter], change.amount) for change in row.changes if change.counter in dials]
    return [{dial.name: round(value * dial.unit.resolution) for dial, value in sets}] if sets else []
