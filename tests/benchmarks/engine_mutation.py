"""Mutants of the engine itself: are the tests good enough to notice a mistake in what proves?

    python -m tests.benchmarks.engine_mutation [SEED [COUNT [FIRST]]]

COUNT mutants (200) of ``statecraft/proof/`` and ``statecraft/semantics/`` are drawn by SEED (1), each one small change
of the kinds of R. A. DeMillo, R. J. Lipton and F. G. Sayward, "Hints on Test Data Selection", 1978 (from memory):
another comparison, another operator, a condition turned round, a number one more, a statement left out. Each is given
at most 20 s of tests that run the changed line, its own module's first. What runs which line is measured once, by
coverage, and kept in the folder of temporary files for as long as the checkout's commit is the same. They are tried
from number FIRST (1) on.

A mutant counts as found when a test fails, or when the tests come to no end in thrice the time that is allowed.
Coverage is not among the project's packages for tests: ``pip install 'coverage>=7,<8'`` first.
"""

from __future__ import annotations

import ast
import copy
import json
import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
MUTATED = ("statecraft/proof", "statecraft/semantics")
TESTED = ("tests/proof", "tests/semantics", "tests/simulation", "tests/outside/test_spin.py")
JUDGES = (
    "test_against_brute",
    "test_slices",
    "test_transition_relation",
    "test_faulty",
    "test_planted",
    "test_literal",
)
"""Tests that hold whole verdicts against something independent; they come right after a module's own."""

ALLOWED = 20.0
"""Seconds of tests a mutant is given, as these took without coverage."""

SLOWED = 2.5
"""About how many times longer a test takes while coverage looks on: measured on tests/proof/engine."""

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.FloorDiv, ast.FloorDiv: ast.Mult, ast.Mod: ast.FloorDiv,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
TWINS = {"min": "max", "max": "min", "any": "all", "all": "any"}


# -- which test runs which line: this module as a plugin of pytest -------------------------------------------


class Lines:
    """Notes the lines that each test runs, and the processor time that it takes."""

    def __init__(self, kept: Path) -> None:
        """Write what was noted to ``kept`` as JSON: seconds a test, and tests a line."""
        import coverage

        self.kept = kept
        self.watch: Any = coverage.Coverage(data_file=None, source=[str(ROOT / folder) for folder in MUTATED])
        self.seconds: dict[str, float] = {}

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        """A context of its own for each test."""
        self.watch.start()
        self.watch.switch_context(item.nodeid)
        began = time.process_time()
        yield
        self.seconds[item.nodeid] = time.process_time() - began
        self.watch.stop()

    def pytest_sessionfinish(self) -> None:
        """Keep what was noted."""
        data = self.watch.get_data()
        lines = {
            str(Path(file).relative_to(ROOT)): {
                line: [test for test in tests if test] for line, tests in data.contexts_by_lineno(file).items()
            }
            for file in data.measured_files()
        }
        self.kept.write_text(json.dumps({"seconds": self.seconds, "lines": lines}), encoding="utf-8")


def pytest_configure(config: pytest.Config) -> None:
    """Pytest calls it where this module is a plugin of a run."""
    if kept := os.environ.get("LINES_RUN"):
        config.pluginmanager.register(Lines(Path(kept)))


def lines_run() -> tuple[dict[str, float], dict[str, dict[str, list[str]]]]:
    """Processor seconds of each test; of each file and line, the tests that run it."""
    commit = subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True)
    kept = Path(tempfile.gettempdir()) / f"lines-run-{commit.stdout.strip()}.json"
    if not kept.exists():
        print("which test runs which line: once for this commit, some ten minutes", flush=True)
        plugin = ["-p", "tests.benchmarks.engine_mutation", "-p", "no:cacheprovider"]
        subprocess.run(
            [sys.executable, "-m", "pytest", "-q", *plugin, *TESTED],
            cwd=ROOT, env={**os.environ, "LINES_RUN": str(kept), "STATECRAFT_ALL_TOOLS": "1"},
            stdout=subprocess.DEVNULL, check=False,
        )  # fmt: skip
    told = json.loads(kept.read_text(encoding="utf-8"))
    return {test: seconds / SLOWED for test, seconds in told["seconds"].items()}, told["lines"]


# -- the mutants ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Mutant:
    """One change: ``text`` is the whole file with it; ``change`` tells it to a person."""

    file: str
    line: int
    change: str
    text: str


def changes(node: ast.AST) -> Iterator[ast.AST]:
    """What may stand in the place of ``node``: one small change each."""
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in COMPARISONS:
        yield ast.Compare(node.left, [COMPARISONS[type(node.ops[0])]()], node.comparators)
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield node.operand
    elif isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in OPERATORS:
        if isinstance(node, ast.BinOp) and all(names_a_type(side) for side in (node.left, node.right)):
            return
        other = copy.copy(node)
        other.op = OPERATORS[type(node.op)]()
        yield other
    elif isinstance(node, ast.Constant) and type(node.value) is int:
        yield ast.Constant(node.value + 1)
    elif isinstance(node, ast.Constant) and type(node.value) is bool:
        yield ast.Constant(not node.value)
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in TWINS:
        yield ast.Call(ast.Name(TWINS[node.func.id], ast.Load()), node.args, node.keywords)
    elif isinstance(node, ast.If | ast.IfExp | ast.While):
        other = copy.copy(node)
        other.test = ast.UnaryOp(ast.Not(), node.test)
        yield other
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield ast.Pass()
    elif isinstance(node, ast.Continue):
        yield ast.Break()


def names_a_type(node: ast.AST) -> bool:
    """Whether ``node`` may be a side of a union of types, which is no operation that a test could tell from another."""
    if isinstance(node, ast.BinOp):
        return names_a_type(node.left) and names_a_type(node.right)
    named = node.value if isinstance(node, ast.Subscript) else node
    word = named.attr if isinstance(named, ast.Attribute) else named.id if isinstance(named, ast.Name) else ""
    return (
        word[:1].isupper()
        or word in ("int", "str", "bool", "tuple", "list", "dict", "float")
        or ast.unparse(node) == "None"
    )


def sites(tree: ast.Module) -> Iterator[tuple[ast.AST, str, int | None]]:
    """Every node that is carried out, as who holds it, in which field, at which place of a list."""
    todo: list[ast.AST] = [tree]
    while todo:
        holder = todo.pop()
        for field, value in ast.iter_fields(holder):
            if field in ("annotation", "returns", "decorator_list", "type_comment"):
                continue
            for place, node in enumerate(value) if isinstance(value, list) else ((None, value),):
                if not isinstance(node, ast.AST) or isinstance(node, ast.Raise | ast.Assert | ast.JoinedStr):
                    continue
                if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
                    continue
                todo.append(node)
                yield holder, field, place


def drawn(seed: int, count: int) -> list[Mutant]:
    """``count`` mutants, each site as likely as any other."""
    found = []
    for folder in MUTATED:
        for path in sorted((ROOT / folder).rglob("*.py")):
            source = path.read_text(encoding="utf-8")
            held = list(sites(ast.parse(source)))
            for number, (holder, field, place) in enumerate(held):
                node = getattr(holder, field) if place is None else getattr(holder, field)[place]
                found += [(path, number, which) for which, _ in enumerate(changes(node))]
    mutants = []
    for path, number, which in random.Random(seed).sample(found, count):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        holder, field, place = list(sites(tree))[number]
        node = getattr(holder, field) if place is None else getattr(holder, field)[place]
        other = list(changes(node))[which]
        told = f"{short(node)}  ->  {short(other)}"
        if place is None:
            setattr(holder, field, other)
        else:
            getattr(holder, field)[place] = other
        text = ast.unparse(ast.fix_missing_locations(tree))
        mutants.append(Mutant(str(path.relative_to(ROOT)), getattr(node, "lineno", 0), told, text))
    return mutants


def short(node: ast.AST) -> str:
    """The first line of a node's code, of 70 characters at most."""
    return ast.unparse(ast.fix_missing_locations(copy.deepcopy(node))).splitlines()[0][:70]


# -- the campaign --------------------------------------------------------------------------------------------


def chosen(mutant: Mutant, seconds: dict[str, float], tests: list[str]) -> list[str]:
    """The tests that run the line: its module's own, then the judges, then the quick ones; ALLOWED seconds of them."""
    own = f"test_{Path(mutant.file).stem}.py"

    def place(test: str) -> tuple[int, float]:
        file = test.split("::")[0]
        rank = 0 if file.endswith(own) else 1 if Path(file).stem in JUDGES else 2
        return rank, seconds[test]

    taken, left = [], ALLOWED
    for test in sorted(tests, key=place):
        if seconds[test] <= left:
            left -= seconds[test]
            taken.append(test)
    return taken


def fails(tests: list[str], folder: Path) -> bool:
    """Whether one of the tests fails in the checkout ``folder``, or they come to no end."""

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_CPU, (int(3 * ALLOWED) + 10, int(3 * ALLOWED) + 12))
        resource.setrlimit(resource.RLIMIT_AS, (6_000_000_000, 6_000_000_000))

    tried = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider", *tests],
        cwd=folder, env={**os.environ, "STATECRAFT_ALL_TOOLS": "1", "STATECRAFT_CACHE": "off"},
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, preexec_fn=limited, check=False,
    )  # fmt: skip
    return tried.returncode != 0


def main() -> int:
    """Print a line for each mutant that is not found, and at the end how many are."""
    seed, count, first = [*map(int, sys.argv[1:4]), *(1, 200, 1)[len(sys.argv[1:4]) :]]
    seconds, lines = lines_run()
    missed = 0
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "checkout"
        shutil.copytree(ROOT, folder, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache"))
        for number, mutant in list(enumerate(drawn(seed, count), 1))[first - 1 :]:
            of_file = lines.get(mutant.file, {})
            runs = of_file.get(str(mutant.line)) or sorted({test for tests in of_file.values() for test in tests})
            tests = chosen(mutant, seconds, runs)  # what is carried out on import belongs to no test: any of the module
            original = (folder / mutant.file).read_text(encoding="utf-8")
            (folder / mutant.file).write_text(mutant.text, encoding="utf-8")
            found = bool(tests) and fails(tests, folder)
            (folder / mutant.file).write_text(original, encoding="utf-8")
            missed += not found
            if not found:
                why = f"{len(tests)} tests" if tests else "no test runs this module"
                print(f"{number}: {mutant.file}:{mutant.line}: {mutant.change} ({why})", flush=True)
    tried = count - first + 1
    print(f"{tried} mutants, {tried - missed} found: {100 * (tried - missed) / tried:.1f} %")
    return 0


if __name__ == "__main__":
    sys.exit(main())
