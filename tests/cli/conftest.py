"""Commands run in a folder of their own, with a register, two photos and a stand-in for solving."""

from __future__ import annotations

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

import photoaz.sample
from photoaz.cli import main
from photoaz.result import AntennaResult, BudgetShare, ById, EvidenceView, PhotoResult, SiteResult
from photoaz.sample import sample_files

REGISTER = """site_id,antenna_id,site_lat_deg,site_lon_deg,rad_center_m,design_azimuth_deg,reading_azimuth_deg
HNT-204,A1,46.6,-66.4,30,120,118
HNT-204,B1,46.6,-66.4,30,240,
"""


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    runner = CliRunner()

    def call(*args):
        return runner.invoke(main, [str(a) for a in args], prog_name="photoaz")

    return call


@pytest.fixture
def field(tmp_path):
    """A register and two photos in the current folder."""
    (tmp_path / "register.csv").write_text(REGISTER, encoding="utf-8")
    for name in ("north.jpg", "south.jpg"):
        Image.fromarray(np.full((300, 400, 3), 90, np.uint8)).save(tmp_path / name)
    return tmp_path


@pytest.fixture
def smaller_sample(monkeypatch, small_photos):
    """The sample site's files with photos of a sixteenth of the pixels, for tests that solve none of them."""
    files = [small_photos / f.name if f.suffix == ".jpg" else f for f in sorted(sample_files())]
    monkeypatch.setattr(photoaz.sample, "sample_files", lambda: iter(files))


@pytest.fixture
def solver(monkeypatch, solver_stands_in):
    """Stands in for the pipeline: remembers what it was called with; photos named in `rejects` are not used."""
    calls = []
    rejects = set()

    def solve(given, tools):
        calls.append(given)
        tools.progress("north.jpg: reading")
        named = [(p.path.name, p.name) for p in given.photos]
        used = [name for file, name in named if file not in rejects]
        views = tuple(
            EvidenceView(
                photo=name,
                view="face",
                corners_px=((50.0, 50.0), (90.0, 50.0), (90.0, 200.0), (50.0, 200.0)),
                outline_px=((49.0, 49.0), (91.0, 49.0), (91.0, 201.0), (49.0, 201.0)),
                inner_px=(),
                width_px=40.0,
                yaw_deg=3.0,
                quality=0.9,
                from_pick=True,
            )
            for name in used
        )
        found = AntennaResult(
            antenna_id="A1",
            status="estimated",
            azimuth_true_deg=124.6,
            u95_deg=4.0,
            evidence=views,
            budget=(BudgetShare(source="camera compass", share=1.0, u95_deg=4.0),),
        )
        return SiteResult(
            site_id=given.site.site_id,
            lat_deg=given.site.lat_deg,
            lon_deg=given.site.lon_deg,
            declination_deg=-16.2,
            declination_u95_deg=0.7,
            photos=ById(
                PhotoResult(photo=name, status="used", heading_true_deg=301.0, heading_u95_deg=4.0)
                if file not in rejects
                else PhotoResult(photo=name, status="rejected", reason="no focal length")
                for file, name in named
            ),
            antennas=ById(
                (
                    found if used else AntennaResult(antenna_id="A1", status="not_found"),
                    AntennaResult(antenna_id="B1", status="not_visible"),
                )
            ),
        )

    solver_stands_in(monkeypatch, solve)
    solve.calls, solve.rejects = calls, rejects
    return solve
