"""Rendered photos with known truth through the whole pipeline: the sample site, and other cases where there are any."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from photoaz.angles import difference_deg, wrap_deg
from photoaz.estimate.inputs import site_inputs
from photoaz.estimate.solve import solve_site
from photoaz.register.load import load_controls, load_register, require_sites
from photoaz.register.model import Control
from photoaz.result import SiteResult
from photoaz.sample import sample_dir


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedAntenna:
    """One antenna's azimuth and downtilt against the truth, degrees."""

    case: str
    antenna: str
    status: str
    azimuth_deg: float
    error_deg: float
    u95_deg: float
    downtilt_deg: float
    downtilt_error_deg: float
    downtilt_u95_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedPhoto:
    """One photo's heading against the truth, degrees."""

    photo: str
    heading_deg: float
    error_deg: float
    u95_deg: float


def sample_solution() -> SiteResult:
    """The sample site as the demo solves it: nine photos, its controls, no picks."""
    folder = sample_dir()
    return _solved(folder, load_controls(folder / "controls.csv"))


def _solved(folder: Path, controls: Sequence[Control]) -> SiteResult:
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    site = require_sites(load_register(folder / "register.csv"))[0]
    photos = [folder / p["file"] for p in truth["photos"]]
    return solve_site(site_inputs(site, photos, controls=controls, controls_dir=folder)).result()


def against_truth(solution: SiteResult, folder: Path) -> tuple[tuple[RenderedAntenna, ...], tuple[RenderedPhoto, ...]]:
    """A solution beside the truth of its case, truth.json in a folder; what has no estimate is left out."""
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    found = {a.antenna_id: a for a in solution.antennas}
    antennas = []
    for t in truth["antennas"]:
        a = found.get(t["antenna_id"])
        if a is None or a.azimuth_true_deg is None or a.u95_deg is None:
            continue
        tilt, tilt_u95 = a.downtilt_deg or 0.0, a.downtilt_u95_deg or 0.0
        antennas.append(
            RenderedAntenna(
                case=folder.name,
                antenna=a.antenna_id,
                status=a.status,
                azimuth_deg=a.azimuth_true_deg,
                error_deg=float(difference_deg(a.azimuth_true_deg, t["azimuth_deg"])),
                u95_deg=a.u95_deg,
                downtilt_deg=tilt,
                downtilt_error_deg=tilt - float(t["downtilt_deg"]),
                downtilt_u95_deg=tilt_u95,
            )
        )
    headings = {p["file"]: float(p["heading_deg"]) for p in truth["photos"]}
    photos = [
        RenderedPhoto(
            photo=Path(p.photo).name,
            heading_deg=p.heading_true_deg,
            error_deg=float(wrap_deg(p.heading_true_deg - headings[Path(p.photo).name])),
            u95_deg=p.heading_u95_deg,
        )
        for p in solution.photos
        if p.heading_true_deg is not None and p.heading_u95_deg is not None
    ]
    return tuple(antennas), tuple(photos)


def practice_antennas(cases: Path, progress: Callable[[str], None] | None = None) -> tuple[RenderedAntenna, ...]:
    """All antennas of a folder of cases, each a folder with truth.json, register.csv and photos; metadata alone."""
    out: list[RenderedAntenna] = []
    for folder in sorted(p for p in cases.iterdir() if (p / "truth.json").is_file()):
        if progress is not None:
            progress(f"{folder.name}")
        out += against_truth(_solved(folder, ()), folder)[0]
    return tuple(out)
