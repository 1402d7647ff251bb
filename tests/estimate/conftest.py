"""The sample site and its truth, to be solved."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from photoaz.angles import wrap_deg
from photoaz.estimate.inputs import Tools, site_inputs
from photoaz.estimate.solve import solve_site
from photoaz.register.load import load_controls, load_picks, load_register, require_sites
from photoaz.register.model import Control, Pick, Site
from photoaz.result import AntennaResult, SiteResult
from photoaz.sample import sample_dir, sample_photos


@dataclass(frozen=True, slots=True)
class Sample:
    folder: Path
    site: Site
    controls: tuple[Control, ...]
    picks: tuple[Pick, ...]
    photos: tuple[Path, ...]
    antennas: Mapping[str, Mapping[str, Any]]
    cameras: Mapping[str, Mapping[str, Any]]
    remembering: Callable[[], AbstractContextManager[None]]

    def photo(self, number: int) -> Path:
        return self.folder / f"qlb014_{number}.jpg"

    def off(self, a: AntennaResult) -> float:
        """By how many of its U95 an azimuth misses the truth."""
        return abs(float(wrap_deg(a.azimuth_true_deg - self.antennas[a.antenna_id]["azimuth_deg"]))) / a.u95_deg

    def solve(self, photos: Sequence[Path], *, controls: bool = True, **more: Any) -> SiteResult:
        tools = Tools(**{k: more.pop(k) for k in ("memory", "progress") if k in more})
        ids = more.pop("antenna_ids", None)
        given = site_inputs(
            self.site,
            photos,
            controls=self.controls if controls else (),
            controls_dir=self.folder,
            picks=more.pop("picks", self.picks),
            picks_dir=self.folder,
            antenna_ids=None if ids is None else frozenset(ids),
            **more,
        )
        with self.remembering():
            return solve_site(given, tools).result()


@pytest.fixture(scope="session")
def sample(remembering) -> Sample:
    folder = sample_dir()
    (site,) = require_sites(load_register(folder / "register.csv"))
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    return Sample(
        folder,
        site,
        load_controls(folder / "controls.csv"),
        load_picks(folder / "picks_by_hand.csv"),
        sample_photos(folder),
        {a["antenna_id"]: a for a in truth["antennas"]},
        {p["file"]: p for p in truth["photos"]},
        remembering,
    )


def has_azimuth(a: AntennaResult) -> bool:
    return a.status in ("estimated", "ambiguous") and a.azimuth_true_deg is not None and a.u95_deg is not None
