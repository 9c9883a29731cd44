"""The house: no module or function too long to be read at once, and no circle of imports."""

from __future__ import annotations

import ast
import functools
import graphlib
from pathlib import Path

import camlog

ROOT = Path(camlog.__file__).parent
MODULES = {
    ".".join(("camlog", *path.relative_to(ROOT).with_suffix("").parts)).removesuffix(".__init__"): path
    for path in sorted(ROOT.rglob("*.py"))
}
MOST_LINES, MOST_FUNCTION_LINES = 300, 60
FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef)


@functools.cache
def tree_of(name: str) -> ast.Module:
    return ast.parse(MODULES[name].read_text(encoding="utf-8"))


@functools.cache
def imports_of(name: str) -> set[str]:
    """The modules of camlog that a module imports, at its top or in a function; not those for types only."""
    found = set()
    tree = tree_of(name)
    for_types = {
        inner
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    for node in ast.walk(tree):
        if node in for_types:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            inner = {f"{node.module}.{alias.name}" for alias in node.names}
            modules = inner & MODULES.keys()
            found |= modules
            if inner - modules:
                found.add(node.module)
    return (found & MODULES.keys()) - {name}


def room(name: str) -> str:
    """The package a module stands in, or the module itself where it stands in none: `camlog.analysis`."""
    return ".".join(name.split(".")[:2])


def test_no_circle_of_modules():
    graphlib.TopologicalSorter({name: imports_of(name) for name in MODULES}).prepare()


def test_no_circle_of_packages():
    rooms: dict[str, set[str]] = {}
    for name in MODULES:
        rooms.setdefault(room(name), set()).update({room(other) for other in imports_of(name)} - {room(name), "camlog"})
    graphlib.TopologicalSorter(rooms).prepare()


def test_no_module_is_too_long():
    long = {name: n for name, p in MODULES.items() if (n := len(p.read_text("utf-8").splitlines())) > MOST_LINES}
    assert not long


def own_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function's body: without its signature, its docstring and the functions inside it."""
    body = node.body[1:] if ast.get_docstring(node) else node.body
    if not body:
        return 0
    inside = [n for n in ast.walk(node) if isinstance(n, FUNCTIONS) and n is not node]
    outer = [n for n in inside if not any(n in ast.walk(other) for other in inside if other is not n)]
    return node.end_lineno - body[0].lineno + 1 - sum(n.end_lineno - n.lineno + 1 for n in outer)


def test_no_function_is_too_long():
    long = {}
    for name in MODULES:
        for node in ast.walk(tree_of(name)):
            if isinstance(node, FUNCTIONS) and (lines := own_lines(node)) > MOST_FUNCTION_LINES:
                long[f"{name}.{node.name}"] = lines
    assert not long
