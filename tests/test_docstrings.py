"""What is public says what it is; what takes arrays says of what shape or unit."""

from __future__ import annotations

import ast
import itertools
import re
from pathlib import Path

import pytest

import photoaz

PACKAGE = Path(photoaz.__file__).parent
#: handlers, whose words are those of the commands' help and of the page
HANDLERS = {"cli", "desk"}
MODULES = [
    p
    for p in sorted(PACKAGE.rglob("*.py"))
    if "sample_images" not in p.parts and p.relative_to(PACKAGE).parts[0] not in HANDLERS
]
ARRAY = re.compile(r"\b(Array|NDArray|ArrayLike)\b")
#: a shape such as (n, 3), (..., m), (2,) or (height, width); a unit such as [deg]
SHAPE_OR_UNIT = re.compile(r"\((?:\.\.\.|[A-Z][A-Z_]*|[a-z]\d?|\d+|height, width)(?:, ?[^()]*|,)?\)|\[[a-z0-9/^]+\]")
#: a name that ends so carries its unit
UNIT_NAMES = ("_deg", "_rad", "_m", "_px", "_deg2", "_rad2", "_m2", "_px2", "_s")


def public(tree: ast.Module):
    """Functions and classes of a module that others may use; of overloads, the one that has a body."""
    for node in tree.body:
        if not isinstance(node, ast.FunctionDef | ast.ClassDef) or node.name.startswith("_"):
            continue
        if not any(ast.unparse(d).endswith("overload") for d in node.decorator_list):
            yield node


def unsaid_arrays(node: ast.FunctionDef) -> list[str]:
    """Parameters that are arrays, of which neither their names nor the docstring tell a shape or a unit."""
    arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    arrays = [
        a.arg
        for a in arguments
        if a.annotation and ARRAY.search(ast.unparse(a.annotation)) and not a.arg.endswith(UNIT_NAMES)
    ]
    return [] if SHAPE_OR_UNIT.search(ast.get_docstring(node) or "") else arrays


def test_the_check_can_fail():
    f, g, h = public(
        ast.parse('def f(a: Array, b_deg: Array):\n    "Of a."\ndef g(a: Array):\n    "Of (n, 3)."\nclass H: ...')
    )
    assert (unsaid_arrays(f), unsaid_arrays(g)) == (["a"], [])
    assert ast.get_docstring(h) is None


def broken_off(docstring: str) -> list[str]:
    """Ends of paragraphs that stop within a sentence; headings and examples are none."""
    paragraphs = re.split(r"\n\s*\n", docstring)
    return [
        before.split("\n")[-1].strip()
        for before, after in itertools.pairwise(paragraphs)
        if not re.search(r"[.:!?`…][\"')\]]?$", before.strip())
        and not re.search(r"-{3,}|>>>|^ {4,}\S", before)
        and not re.match(r"\s*\w+\n\s*-{3,}", after)
    ]


def test_the_check_sees_a_break():
    assert broken_off("The azimuth; none without an\n\nestimate.") == ["The azimuth; none without an"]
    assert broken_off("The azimuth.\n\nNone without an estimate.") == []


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_no_sentence_breaks_off(path):
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    nodes = [n for n in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(n, documented)]
    texts = [text for n in nodes if (text := ast.get_docstring(n))]
    assert [end for text in texts for end in broken_off(text)] == []


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_docstrings(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree) or not tree.body, "the module has none"
    assert [n.name for n in public(tree) if not ast.get_docstring(n)] == []
    assert {n.name: v for n in public(tree) if isinstance(n, ast.FunctionDef) and (v := unsaid_arrays(n))} == {}
