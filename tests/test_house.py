"""Data goes one way: no module imports one that stands above it in the house's list, be it inside a function."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

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


def _imports(path: Path) -> Iterator[tuple[int, str]]:
    """The line of each import of ``path``, with the part of the house that it imports from."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        match node:
            case ast.Import(names):
                for name in names:
                    yield from ((node.lineno, part) for part in _part(name.name))
            case ast.ImportFrom(module=str(module), names=names):
                dotted = [f"{module}.{name.name}" for name in names] if module == "statecraft" else [module]
                for each in dotted:
                    yield from ((node.lineno, part) for part in _part(each))


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


def test_every_part_of_the_house_has_its_floor() -> None:
    parts = {path.name.removesuffix(".py") for path in HOUSE.iterdir() if not path.name.startswith("_")}
    assert parts - {"py.typed", "grammar", "templates"} <= FLOOR.keys()


def test_the_map_has_every_package() -> None:
    told = (HOUSE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    for folder in HOUSE.iterdir():
        if folder.is_dir() and (folder / "__init__.py").exists():
            assert f"      {folder.name}/ " in told, folder.name
