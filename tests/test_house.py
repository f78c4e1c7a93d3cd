"""Data goes one way: no module imports one that stands above it in the house's list, be it inside a function. What a
row means is read in the lowered tick, and in no other place.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

import statecraft

ORDER = (
    ("machine", "resources", "folding", "templates_engine", "findings", "errors", "files", "caches", "fingerprint"),
    ("language",),
    ("boards",),
    ("semantics",),
    ("simulation",),
    ("firmware",),
    ("proof",),
    ("chip",),
    ("agreement",),
    ("world",),
    ("bench",),
    ("report",),
    ("api",),
    ("cli",),
)
"""The floors of the house, the ground floor first. A module may import from its own floor and from those before it."""

FLOOR = {name: number for number, floor in enumerate(ORDER) for name in floor}
HOUSE = Path(statecraft.__file__).parent


IMPORT = re.compile(r"^[ \t]*((?:from|import) [^\n(]*statecraft[^\n(]*(?:\([^)]*\))?)", re.M)
"""An import of the house, be it inside a function: to parse these alone takes a tenth of the time."""


def _statements(path: Path) -> Iterator[tuple[int, ast.stmt]]:
    """The imports of the house in ``path``, with their lines."""
    text = path.read_text(encoding="utf-8")
    for found in IMPORT.finditer(text):
        with suppress(SyntaxError):  # it is prose that begins like one
            (node,) = ast.parse(found[1]).body
            yield text.count("\n", 0, found.start(1)) + 1, node


def _imports(path: Path) -> Iterator[tuple[int, str]]:
    """The line of each import of ``path``, with the part of the house that it imports from."""
    for line, node in _statements(path):
        match node:
            case ast.Import(names):
                for name in names:
                    yield from ((line, part) for part in _part(name.name))
            case ast.ImportFrom(module=str(module), names=names):
                dotted = [f"{module}.{name.name}" for name in names] if module == "statecraft" else [module]
                for each in dotted:
                    yield from ((line, part) for part in _part(each))


def _part(module: str) -> Iterator[str]:
    first, _, rest = module.partition(".")
    part = rest.partition(".")[0]
    if first == "statecraft" and part in FLOOR:
        yield part


def test_no_module_reaches_back_up() -> None:
    wrong = []
    for path in sorted(HOUSE.rglob("*.py")):
        inside = path.relative_to(HOUSE)
        part = inside.parts[0].removesuffix(".py")
        if part not in FLOOR:
            continue  # the face of the whole: __init__ and __main__
        wrong += [f"{inside}:{line} imports {other}" for line, other in _imports(path) if FLOOR[other] > FLOOR[part]]
    assert not wrong, "\n".join(wrong)


PROOF = ("engine", "runs", "checks")
"""The floors of the proof's inside."""


def test_no_module_of_the_proof_reaches_back_up() -> None:
    wrong = []
    for floor, name in enumerate(PROOF):
        for path in sorted((HOUSE / "proof" / name).glob("*.py")):
            for line, node in _statements(path):
                module = node.module if isinstance(node, ast.ImportFrom) and node.module else ""
                wrong += [
                    f"{name}/{path.name}:{line} imports {module}"
                    for above in PROOF[floor + 1 :]
                    if f"{module}.".startswith(f"statecraft.proof.{above}.")
                ]
    assert not wrong, "\n".join(wrong)


def test_every_part_of_the_house_has_its_floor() -> None:
    parts = {path.name.removesuffix(".py") for path in HOUSE.iterdir() if not path.name.startswith("_")}
    assert parts - {"py.typed", "grammar", "templates"} <= FLOOR.keys()


def test_the_map_has_every_package() -> None:
    told = (HOUSE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    for folder in HOUSE.iterdir():
        if folder.is_dir() and (folder / "__init__.py").exists():
            assert f"      {folder.name}/ " in told, folder.name


def test_a_class_name_has_one_meaning() -> None:
    homes: dict[str, list[str]] = {}
    for path in sorted(HOUSE.rglob("*.py")):
        for name in re.findall(r"^class ([A-Za-z]\w*)", path.read_text(encoding="utf-8"), re.M):
            homes.setdefault(name, []).append(path.relative_to(HOUSE).as_posix())
    twice = {name: paths for name, paths in homes.items() if len(paths) > 1}
    assert not twice


AS_WRITTEN = {
    "machine.py": "which commands are events at all is known before anything is lowered",
    "agreement/coverage_goals.py": "a goal is one condition of a row's text by itself",
    "proof/checks/bare_threshold.py": "the levels and values that it names are those that the rows name",
    "proof/checks/declared.py": "no such fault is told of a fault that the file names",
    "proof/checks/faint_hope.py": "who names a fault knows of it, even where its mode settles the question",
    "proof/runs/lost_turns.py": "a row asks for a turn in its words; in its guard that is two questions",
    "proof/checks/mode_cycles.py": "how far readings tremble hangs on the values that rows compare them with",
    "proof/checks/out_of_range.py": "a comparison is told in its own words",
    "proof/checks/stale_decision.py": "a time is told that the file names, `after 0 s` too",
    "proof/checks/unreachable.py": "a group is told that the file names",
    "proof/checks/unused.py": "what the file names is used",
    "proof/engine/slicing.py": "a slice is a machine with rows of its own, which are lowered from there",
    "proof/kept_dials.py": "a machine for the proof, with the dials that rows set as counters, lowered from there",
    "proof/mends.py": "a mend is written into the rows",
    "proof/row_use.py": "a row that asks what two others do is lowered from there",
    "proof/runs/undone_halt.py": "a failsafe that asks for a halt names it, even where the rest of it never holds",
    "simulation/unmet_expectations.py": "the conditions of a row are told in its own words, one by one",
}
"""Who reads what a row's condition says in the file, and why; for what it means everyone reads its guards."""

_OBSERVERS = {"promise", "promises", "expected", "expectation", "about", "broken", "self"}
"""Whose ``when`` is an observer's condition, which is handed on whole."""


def _conditions_read(path: Path) -> Iterator[int]:
    """The lines on which ``path`` reads the condition of a row."""
    text = path.read_text(encoding="utf-8")
    for node in ast.walk(ast.parse(text)) if ".when" in text else ():
        if isinstance(node, ast.Attribute) and node.attr == "when":
            of = node.value.value if isinstance(node.value, ast.Subscript) else node.value
            name = of.id if isinstance(of, ast.Name) else of.attr if isinstance(of, ast.Attribute) else ""
            if name not in _OBSERVERS:
                yield node.lineno


def test_what_a_row_means_is_read_in_the_lowered_tick_alone() -> None:
    wrong, writing = [], set()
    for path in sorted(HOUSE.rglob("*.py")):
        inside = path.relative_to(HOUSE).as_posix()
        if inside.startswith(("language/", "semantics/")):
            continue
        lines = list(_conditions_read(path))
        if lines and inside in AS_WRITTEN:
            writing.add(inside)
        else:
            wrong += [f"{inside}:{line} reads a row's condition for itself" for line in lines]
    assert not wrong, "\n".join(wrong)
    assert writing == AS_WRITTEN.keys(), AS_WRITTEN.keys() - writing


def test_an_import_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "imports.py"
    text = "import statecraft.cli as c\nfrom statecraft import api, machine\nfrom time import (\n    time,\n)\n\n\n"
    text += "def late():\n    from statecraft.proof.prove import (\n        prove,\n    )\n"
    text += "    import statecraft.bench\n"
    path.write_text(text, encoding="utf-8")
    assert list(_imports(path)) == [(1, "cli"), (2, "api"), (2, "machine"), (9, "proof"), (12, "bench")]


def test_reading_a_condition_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "reads.py"
    text = "a = row.when\nb = part.rows[0].when\nc = promise.when\nd = verdict.promise.when\n"
    path.write_text(text, encoding="utf-8")
    assert list(_conditions_read(path)) == [1, 2]


@pytest.mark.xdist_group("what belongs together")
def test_what_belongs_together_is_run_by_one_process(request: pytest.FixtureRequest) -> None:
    """xdist finds a test's group in its id; where it does not, every process searches, builds and opens for itself."""
    if getattr(request.config.option, "loadgroup", False):
        assert request.node.nodeid.endswith("@what belongs together")
