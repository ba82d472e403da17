"""Do the tests notice a fault? Small faults put into what guards data, one at a time, and the tests that pass there.

    python -m tests.mutants [--number 60] [--seed 1] [--tree FOLDER] [--only PART]

Of all places in store, collect, and judge's cause and condition where an operator, a number, a condition, a return, a
raise or a call can be changed, `--number` are drawn with a fixed seed. Each is changed in a copy, and the everyday
tests of its package that run through its line are run there. Prints the share that some test noticed, with its standard
error, and each fault that none did, to be read. `--tree`: another edition of the same house.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import importlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Mutant", "main", "mutants"]

PARTS = ("store", "collect", "judge/cause.py", "judge/condition.py")
SECONDS = 600
OPTIONS = [
    "-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", "-o", "addopts=--import-mode=importlib",
    "-m", "not browser and not benchmark and not long",
]  # fmt: skip
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """One fault: the module's source with it, its line in the source without it, and what was changed."""

    module: str
    line: int
    what: str
    source: str


def mutants(module: str, source: str) -> list[Mutant]:
    """All faults of a module."""
    number = len(list(_places(ast.parse(source))))
    found = []
    for i in range(number):
        tree = ast.parse(source)
        node, change = list(_places(tree))[i]
        before = ast.unparse(node)
        change()
        found.append((node.lineno, before, ast.unparse(node), tree))
    return [
        Mutant(module, line, f"{before.splitlines()[0]}  ->  {after.splitlines()[0]}", ast.unparse(tree))
        for line, before, after, tree in found
    ]


def _places(tree: ast.Module) -> Iterator[tuple[ast.stmt | ast.expr, object]]:
    for node in _code(tree):
        if isinstance(node, ast.Compare):
            yield from ((node, _swap(node.ops, i)) for i, op in enumerate(node.ops) if type(op) in SWAPS)
        elif isinstance(node, ast.BoolOp | ast.BinOp | ast.AugAssign) and type(node.op) in SWAPS:
            yield node, _set(node, "op", SWAPS[type(node.op)]())
        elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
            yield node, _set(node, "value", not node.value)
        elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
            yield node, _set(node, "value", node.value + 1)
        elif isinstance(node, ast.If | ast.IfExp | ast.While):
            yield node, _set(node, "test", ast.UnaryOp(ast.Not(), copy.deepcopy(node.test)))
        elif isinstance(node, ast.Return) and node.value is not None and not _is_none(node.value):
            yield node, _set(node, "value", ast.Constant(None))
        elif isinstance(node, ast.Raise):
            yield node, _become_pass(node)
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
            yield node, _set(node, "value", ast.Constant(None))


def _code(node: ast.AST) -> Iterator[ast.AST]:
    """Everything that runs: no annotations, no names for export, nothing for the type checker alone."""
    yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_params"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.If) and ast.unparse(child.test) == "TYPE_CHECKING":
                continue
            if isinstance(child, ast.AST):
                yield from _code(child)


def _is_none(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value is None


def _set(node: ast.AST, name: str, value: object) -> object:
    return lambda: setattr(node, name, value)


def _swap(ops: list[ast.cmpop], i: int) -> object:
    def change() -> None:
        ops[i] = SWAPS[type(ops[i])]()  # type: ignore[assignment]

    return change


def _become_pass(node: ast.Raise) -> object:
    def change() -> None:
        node.__class__ = ast.Pass  # type: ignore[assignment]

    return change


def _all_of(tree: Path, only: str) -> dict[str, list[Path]]:
    """Modules by the folder of tests that mirrors them."""
    found: dict[str, list[Path]] = {}
    for part in PARTS:
        path = tree / "farmwatch" / part
        modules = [path] if path.suffix else sorted(path.rglob("*.py"))
        for module in modules:
            if module.name != "__init__.py" and only in str(module):
                found.setdefault(f"tests/{part.split('/')[0]}", []).append(module)
    return found


def _covering(tree: Path, tests: str) -> dict[str, dict[int, set[str]]]:
    """By module and line, the tests that run through it."""
    data = tree / ".mutants-coverage"
    command = [
        sys.executable,
        "-m",
        "pytest",
        tests,
        *OPTIONS,
        "--cov=farmwatch",
        "--cov-context=test",
        "--cov-report=",
    ]
    command.remove("-x")
    done = subprocess.run(
        command, cwd=tree, env={**os.environ, "PYTHONPATH": str(tree), "COVERAGE_FILE": str(data)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    print(f"{tests}: {done.stdout.strip().splitlines()[-1]}", flush=True)
    from coverage import CoverageData

    read = CoverageData(str(data))
    read.read()
    found: dict[str, dict[int, set[str]]] = {}
    for file in read.measured_files():
        lines = {
            line: {context.partition("|")[0] for context in contexts if context}
            for line, contexts in read.contexts_by_lineno(file).items()
        }
        found[str(Path(file).relative_to(tree))] = lines
    return found


def _of_module(tree: Path, tests: str, stem: str) -> set[str]:
    """The tests for what runs only as a module is loaded: those named after it, or all of its package."""
    return {str(path.relative_to(tree)) for path in (tree / tests).rglob(f"test_{stem}.py")} or {tests}


def _is_noticed(tree: Path, tests: set[str]) -> bool:
    """Whether some test fails in the tree as it is now; one that hangs has noticed it."""
    child = os.fork()
    if child == 0:
        os.chdir(tree)
        os.setsid()
        # The copy's own code and tests, not those that this was started from.
        for name in [name for name in sys.modules if name.partition(".")[0] in ("tests", "farmwatch")]:
            del sys.modules[name]
        sys.path[:] = [str(tree), *(path for path in sys.path if not Path(path, "tests", "mutants.py").exists())]
        os.environ["PYTHONPATH"] = str(tree)
        with open(os.devnull, "w") as nothing:  # noqa: PTH123  # a descriptor for both
            os.dup2(nothing.fileno(), 1)
            os.dup2(nothing.fileno(), 2)
        import pytest

        os._exit(int(pytest.main([*OPTIONS, *sorted(tests)])))
    end = time.monotonic() + SECONDS
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status) != 0
        time.sleep(0.05)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return True


def main() -> None:
    """Draw, try, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--number", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--tree", type=Path, default=Path(__file__).parents[1])
    parser.add_argument("--only", default="", help="modules whose path holds this")
    given = parser.parse_args()
    # Loaded once for all; nothing of farmwatch among them.
    for name in ("duckdb", "numpy", "orjson", "pydantic", "pytest", "requests", "scipy.optimize"):
        importlib.import_module(name)
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder, "tree")
        shutil.copytree(given.tree, tree, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", "reports"))
        noticed = _try_all(tree, given.number, given.seed, given.only)
    share = sum(noticed) / len(noticed)
    error = (share * (1 - share) / len(noticed)) ** 0.5
    print(f"noticed {sum(noticed)} of {len(noticed)}: {share:.2f} ± {error:.2f}")


def _try_all(tree: Path, number: int, seed: int, only: str) -> list[bool]:
    folders = _all_of(tree, only)
    covering = {tests: _covering(tree, tests) for tests in folders}
    every = [
        (tests, mutant)
        for tests, modules in folders.items()
        for module in modules
        for mutant in mutants(str(module.relative_to(tree)), module.read_text(encoding="utf-8"))
    ]
    drawn = random.Random(seed).sample(every, min(number, len(every)))
    print(f"{len(every)} places, {len(drawn)} drawn", flush=True)
    found = []
    for tests, mutant in drawn:
        path = tree / mutant.module
        whole = path.read_text(encoding="utf-8")
        ran = covering[tests].get(mutant.module, {}).get(mutant.line, set())
        path.write_text(mutant.source, encoding="utf-8")
        try:
            found.append(_is_noticed(tree, ran or _of_module(tree, tests, path.stem)))
        finally:
            path.write_text(whole, encoding="utf-8")
        if not found[-1]:
            print(f"  unnoticed by {len(ran)}: {mutant.module}:{mutant.line}: {mutant.what}", flush=True)
    return found


if __name__ == "__main__":
    main()
