"""The modules of the project's own renderer, which live beside the sample photos that it makes."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import Any

_FOLDER = Path(__file__).resolve().parents[3] / "sample_images" / "render"


def _module(name: str) -> Any:
    if not _FOLDER.is_dir():
        raise ImportError(f"training needs a checkout of the project: {_FOLDER} holds the renderer and is not there")
    if str(_FOLDER) not in sys.path:
        sys.path.insert(0, str(_FOLDER))
    return importlib.import_module(name)


geometry = _module("geometry")
mesh = _module("mesh")
