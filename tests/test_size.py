"""Modules stay under 400 lines and functions under 50, docstrings not counted."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PRODUCT = Path(__file__).resolve().parents[1] / "verify"
MODULE_LINES = 400
FUNCTION_LINES = 50
FILES = sorted(PRODUCT.rglob("*.py"))
SCRIPTS = sorted(PRODUCT.rglob("*.js"))


def body_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    first = node.body[0]
    has_docstring = ast.get_docstring(node) is not None
    documented = (first.end_lineno or first.lineno) - first.lineno + 1 if has_docstring else 0
    return (node.end_lineno or node.lineno) - node.lineno + 1 - documented


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PRODUCT)))
def test_modules_and_functions_stay_small(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) < MODULE_LINES
    functions = (
        node
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    )
    assert [f.name for f in functions if body_lines(f) >= FUNCTION_LINES] == []


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda p: p.name)
def test_scripts_stay_small(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) < MODULE_LINES
