"""An adjustment that does not converge gives no figure: what is reported says why."""

from __future__ import annotations

from typing import Any

from photoaz.estimate.inputs import site_inputs
from photoaz.estimate.solve import solve_site
from photoaz.network.adjust import Adjusted, adjust
from photoaz.register.load import load_picks, load_register, require_sites
from photoaz.sample import sample_dir


def test_no_azimuth_is_told_and_the_photo_says_why(monkeypatch):
    def one_step(*args: Any, **kwargs: Any) -> Adjusted:
        return adjust(*args, **kwargs, max_iterations=1)

    monkeypatch.setattr("photoaz.network.solution.adjust", one_step)
    folder = sample_dir()
    (site,) = require_sites(load_register(folder / "register.csv"))
    photos = [folder / "qlb014_8.jpg"]
    picks = [p for p in load_picks(folder / "picks_by_hand.csv") if p.photo == "qlb014_8.jpg"]
    assert picks
    result = solve_site(site_inputs(site, photos, picks=picks, picks_dir=folder)).result()
    assert all(a.azimuth_true_deg is None for a in result.antennas)
    assert {a.status for a in result.antennas} <= {"not_found", "not_visible"}
    (photo,) = result.photos
    assert photo.status == "rejected"
    assert "adjustment failed: it did not come to rest in 1 steps" in str(photo.reason)
