"""Kinds of fault are told by type and number, never by words: a path, a name or a translation may hold any word."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import farmwatch

FARMWATCH = Path(farmwatch.__file__).parent
WORDS = {"args", "strerror", "msg", "message", "reason", "verify_message"}
# Chooses words for a person, not a kind of fault: names of the library's tokens would tell nothing.
SEEN = ["config/fields.py"]
LOOKS = {"startswith", "endswith", "find", "index", "count", "search", "match", "fullmatch", "findall", "partition"}


def looks(source: str) -> Iterator[int]:
    """Lines of handlers that look for something in what a fault says."""
    for handler in ast.walk(ast.parse(source)):
        if isinstance(handler, ast.ExceptHandler) and handler.name:
            yield from _looks_in(handler, handler.name)


def _looks_in(handler: ast.ExceptHandler, name: str) -> Iterator[int]:
    said: set[str] = set()
    for node in ast.walk(handler):
        if isinstance(node, ast.Assign) and _is_said(node.value, name, said):
            said |= {target.id for target in node.targets if isinstance(target, ast.Name)}
        looked: list[ast.expr] = []
        if isinstance(node, ast.Compare):
            looked = [node.left, *node.comparators]
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in LOOKS:
            looked = [node.func.value, *node.args]
        if any(_is_said(part, name, said) for part in looked):
            yield node.lineno


def _is_said(node: ast.AST, name: str, said: set[str]) -> bool:
    """Whether the text of the fault `name` is part of it, by itself or by a name in `said`."""
    return any(_is_text(part, name) or (isinstance(part, ast.Name) and part.id in said) for part in ast.walk(node))


def _is_text(node: ast.AST, name: str) -> bool:
    match node:
        case ast.Call(func=ast.Name(id="str" | "repr"), args=[ast.Name(id=given)]):
            return given == name
        case ast.Attribute(value=ast.Name(id=given), attr=what):
            return given == name and what in WORDS
        case ast.FormattedValue(value=ast.Name(id=given)):
            return given == name
    return False


@pytest.mark.parametrize(
    "line",
    [
        'if "lock" in str(fault): raise',
        'if fault.strerror == "No space left on device": raise',
        'words = str(fault)\n    if words.startswith("lock"): raise',
        're.search("lock", f"{fault}")',
        'if "lock" in fault.args[0]: raise',
    ],
)
def test_such_a_look_is_found(line: str) -> None:
    assert list(looks(f"try: pass\nexcept OSError as fault:\n    {line}\n"))


def test_no_handler_looks_for_words_in_what_a_fault_says() -> None:
    found = [
        f"{path.relative_to(FARMWATCH)}"
        for path in sorted(FARMWATCH.rglob("*.py"))
        for _ in looks(path.read_text(encoding="utf-8"))
    ]
    assert found == SEEN
