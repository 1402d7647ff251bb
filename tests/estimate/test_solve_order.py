"""Through pictures: the order in which photos are given, and antennas stand in the register, does not matter."""

from __future__ import annotations

from dataclasses import replace

import pytest

from photoaz.estimate.inputs import LocalPhoto, Tools, site_inputs
from photoaz.estimate.solve import solve_site
from photoaz.photo.metadata import read_record
from photoaz.photo.pixels import Darkroom
from photoaz.register.load import load_register
from photoaz.sample import sample_dir

#: of an azimuth and of its U95, as a part of that: sums are taken in another order, and nothing else may change
SAME = 1e-6


def test_order_of_photos_and_antennas_does_not_matter() -> None:
    (site,) = load_register(sample_dir() / "register.csv").sites
    paths = [sample_dir() / f"qlb014_{k}.jpg" for k in (2, 8)]
    photos = [LocalPhoto(name=p.name, path=p, record=read_record(p)) for p in paths]
    first = solve_site(site_inputs(site, photos), Tools(room=Darkroom())).result()
    turned_round = replace(site, antennas=site.antennas[::-1])
    second = solve_site(site_inputs(turned_round, photos[::-1]), Tools(room=Darkroom())).result()
    others = {a.antenna_id: a for a in second.antennas}
    assert any(a.azimuth_true_deg is not None for a in first.antennas)
    for a in first.antennas:
        b = others[a.antenna_id]
        assert b.status == a.status
        if a.azimuth_true_deg is not None:
            assert b.azimuth_true_deg == pytest.approx(a.azimuth_true_deg, abs=SAME * a.u95_deg)
            assert b.u95_deg == pytest.approx(a.u95_deg, rel=SAME)
