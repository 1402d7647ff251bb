"""Imports run one way, down the list of layers; nothing below knows anything above it."""

from __future__ import annotations

import ast
import importlib.util
import itertools
from pathlib import Path

import pytest

# As DEVELOPERS.md draws them, from the top
LAYERS = (
    "__main__",
    "cli",
    "api",
    "desk",
    "present",
    # holds what all below states against drawn truth, and hands the work out as audits do; nothing needs it but the cli
    "accuracy",
    "audit",
    "planning",
    "estimate",
    "judgement",
    "network",
    "naming",
    "surroundings",
    "vision",
    "photo",
    "register",
    "geodesy",
    "angles",
)
#: Known to every layer, and knowing none; the root holds the version
LEAVES = ("addresses", "errors", "memory", "priors", "quantities", "result", "sample", "wording", "")
LEAVES_NEED = ("addresses", "errors", "priors", "quantities", "")

PACKAGE = Path(importlib.util.find_spec("photoaz").origin).parent
MODULES = sorted(p for p in PACKAGE.rglob("*.py") if "sample_images" not in p.relative_to(PACKAGE).parts)


def layer_of(dotted: str) -> str:
    """'photoaz.photo.camera' lies in 'photo'; 'photoaz' itself in ''."""
    return next(iter(dotted.split(".")[1:2]), "")


def name_of(path: Path) -> str:
    parts = ("photoaz", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(source: str, name: str) -> set[str]:
    """Modules of photoaz that a module imports anywhere in it: within functions and under TYPE_CHECKING too."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                base = importlib.util.resolve_name("." * node.level + base, name)
            # `from photoaz import cli` names a layer only in the list of names
            found |= {f"photoaz.{alias.name}" for alias in node.names} if base == "photoaz" else {base}
    return {f for f in found if f.partition(".")[0] == "photoaz"}


def climbs(name: str, source: str) -> list[str]:
    """What a module imports although it lies above it."""
    own = layer_of(name)
    if name == "photoaz":
        return []  # the public face, which imports when it is asked
    bad = []
    for target in imports(source, name):
        layer = layer_of(target)
        if layer in LEAVES or layer == "__version__":
            allowed = own in LAYERS or own == layer or layer in LEAVES_NEED or layer == "__version__"
        elif own in LEAVES:
            allowed = False
        else:
            allowed = LAYERS.index(layer) >= LAYERS.index(own)
        if not allowed:
            bad.append(target)
    return bad


def test_modules_are_found():
    assert {"photoaz.cli", "photoaz.angles", "photoaz.photo.camera"} <= {name_of(p) for p in MODULES}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_layer_is_known(path):
    assert layer_of(name_of(path)) in (*LAYERS, *LEAVES)


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_imports_run_downwards(path):
    assert climbs(name_of(path), path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("upper", "lower"), [(a, b) for a, b in itertools.pairwise(LAYERS)], ids=lambda layer: str(layer)
)
def test_the_check_sees_a_climb(upper, lower):
    for source in (
        f"import photoaz.{upper}.thing",
        f"from photoaz.{upper} import thing",
        f"from photoaz import {upper}",
        f"def f():\n    from photoaz.{upper} import thing",
    ):
        assert climbs(f"photoaz.{lower}.module", source), source
        assert not climbs(f"photoaz.{upper}.module", source.replace(upper, lower)), source


def test_a_leaf_knows_no_layer():
    assert climbs("photoaz.result", "from photoaz.angles import wrap_deg") == ["photoaz.angles"]
    assert climbs("photoaz.result", "from photoaz.errors import Fault") == []


@pytest.mark.parametrize("name", ["estimate", "one", "site"])
def test_one_site_needs_no_archive(name):
    """The store's database library alone takes longer to load than a photo to decode."""
    source = (PACKAGE / "cli" / f"{name}.py").read_text(encoding="utf-8")
    assert not any(layer_of(target) == "audit" for target in imports(source, f"photoaz.cli.{name}"))
