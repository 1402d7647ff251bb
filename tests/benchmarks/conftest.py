"""What the benchmarks measure against, from the folder that PHOTOAZ_PRACTICE names; without it they are skipped.

It must hold:

- `practice/cases/NAME/`: a rendered site each: register.csv, truth.json (antennas, photos, poses and panels as
  rendered) and the photos that truth.json names. PHOTOAZ_CASES, a regular expression, chooses among the names.
- `exif_samples/`: photos of many cameras, in any folders.
- `plane_yaw/`: the photos that test_plane_yaw.py names.

Figures are printed: run with -s or -rP.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def practice() -> Path:
    """The folder that PHOTOAZ_PRACTICE names."""
    named = os.environ.get("PHOTOAZ_PRACTICE")
    if not named:
        pytest.skip("PHOTOAZ_PRACTICE names no folder")
    return Path(named)


@pytest.fixture(scope="session")
def cases(practice: Path) -> list[Path]:
    """Folders of the rendered sites that are asked for."""
    folder = practice / "practice" / "cases"
    if not folder.is_dir():
        pytest.skip(f"no practice cases in {folder}")
    wanted = os.environ.get("PHOTOAZ_CASES", "")
    return [p for p in sorted(folder.iterdir()) if (p / "truth.json").is_file() and re.search(wanted, p.name)]
