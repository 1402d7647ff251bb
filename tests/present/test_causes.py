"""Likely causes, guard bands and the combined azimuth in the document and the table."""

from __future__ import annotations

import io
import json
from datetime import date

import numpy as np
import pytest
from rich.console import Console

from photoaz.judgement.judge import judge_site
from photoaz.present.table import print_site
from photoaz.quantities import K95
from photoaz.register.model import Antenna, Reading, Site
from photoaz.result import AntennaResult, AzimuthCovariance, ById, SiteResult

DAY = date(2025, 7, 2)
SIGMA_DEG = 0.6


@pytest.fixture
def reversed_site():
    """Three sectors, B1 read the wrong way round; C1 is undecided."""
    names, azimuths = ("A1", "B1", "C1"), (20.0, 142.0, 264.9)
    entered, designs = (20.3, 321.8, 264.9), (20.0, 142.0, 260.0)
    site = Site(
        site_id="S1",
        lat_deg=33.0,
        lon_deg=-118.0,
        antennas=tuple(
            Antenna(
                antenna_id=n,
                rad_center_m=30.0,
                design_azimuth_deg=d,
                sector=n[0],
                position=1,
                reading=Reading(azimuth_deg=r, north="true", u95_deg=1.0, date=DAY),
            )
            for n, d, r in zip(names, designs, entered, strict=True)
        ),
    )
    solution = SiteResult(
        site_id="S1",
        lat_deg=33.0,
        lon_deg=-118.0,
        antennas=ById(
            AntennaResult(antenna_id=n, status="estimated", azimuth_true_deg=x, u95_deg=K95 * SIGMA_DEG)
            for n, x in zip(names, azimuths, strict=True)
        ),
        azimuth_covariance=AzimuthCovariance(
            antenna_ids=names, deg2=tuple(tuple(row) for row in (SIGMA_DEG**2 * np.eye(3)).tolist())
        ),
    )
    return judge_site(site, solution, dict.fromkeys(names, DAY))


def document(result):
    return json.loads(json.dumps(result.document(), allow_nan=False))


def test_document(reversed_site):
    got, records = document(reversed_site), reversed_site.antennas
    antennas = {a["antenna_id"]: a for a in got["antennas"]}
    b1 = antennas["B1"]
    assert b1["reading"]["likely_cause"] == "reversed_180"
    assert [c["cause"] for c in b1["reading"]["causes"]] == ["reversed_180"]
    assert b1["reading"]["causes"][0]["antennas"] == ["B1"]
    assert b1["reading"]["causes"][0]["probability"] > 0.9
    assert b1["reading"]["cause_odds"] > 9.0
    assert b1["reading"]["no_fault"] < 0.01
    assert b1["reading"]["zeta"] == pytest.approx(records["B1"].reading.zeta, abs=1e-6)
    assert b1["reading"]["shared_u95_deg"] == 0.0
    assert b1["combined"] is None
    assert got["causes"]["causes"] == [
        {"cause": "reversed_180", "probability": b1["reading"]["causes"][0]["probability"], "antennas": ["B1"]}
    ]
    assert "B1" in got["causes"]["sentence"]
    a1 = antennas["A1"]
    assert a1["reading"]["likely_cause"] is None
    assert (a1["reading"]["causes"], a1["reading"]["not_told_apart"]) == ([], [])
    design = records["A1"].design
    assert a1["design"]["acceptance_deg"] == round(design.acceptance_deg, 3)
    assert a1["design"]["guard_band_deg"] == round(5.0 - design.acceptance_deg, 3)  # JCGM 106:2012, 8.3
    assert a1["design"]["rejection_deg"] == round(design.rejection_deg, 3)
    assert a1["design"]["p_out_photos_alone"] == float(f"{design.p_out_photos_alone:.4g}")
    assert a1["design"]["risk"] == 0.05
    combined = records["A1"].combined
    assert a1["combined"] == {
        "azimuth_true_deg": round(combined.azimuth_true_deg, 3),
        "u95_deg": round(combined.u95_deg, 3),
        "weight_estimate": float(f"{combined.weight_estimate:.4g}"),
        "p_out_of_tolerance": float(f"{combined.p_out_of_tolerance:.4g}"),
        "decision": "accept",
    }


@pytest.mark.parametrize("width", [60, 80, 200])
def test_table_names_the_cause_and_what_would_be_accepted(reversed_site, width):
    console = Console(file=io.StringIO(), width=width)
    print_site(reversed_site, console)
    said = " ".join(console.file.getvalue().split())
    assert "Likely cause: read the wrong way round (180°) (B1; odds" in said
    design = next(a.design for a in reversed_site.antennas if a.design.decision == "undecided")
    limits = f"accepted up to {design.acceptance_deg:.1f}° and rejected beyond {design.rejection_deg:.1f}°"
    assert f"At a risk of 5 % a deviation is {limits}." in said
