"""Where cameras stood: positions that are none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from photoaz.angles import wrap_deg
from photoaz.audit.photos import KeptPhoto
from photoaz.audit.placing import _settled, site_index
from photoaz.estimate.inputs import LocalPhoto, site_inputs
from photoaz.estimate.solve import solve_site
from photoaz.naming.places import match_places, places_of
from photoaz.naming.site_names import SiteNames
from photoaz.photo.metadata import read_record
from photoaz.photo.record import GeoPosition
from photoaz.register.load import load_picks, load_register, require_sites
from photoaz.register.model import Control
from photoaz.result import SiteResult
from photoaz.sample import sample_dir

FOLDER = sample_dir()
(SITE,) = require_sites(load_register(FOLDER / "register.csv"))
#: sigma 1 m: a stamp may well come with a good dilution
STAMP = GeoPosition(lat_deg=SITE.lat_deg, lon_deg=SITE.lon_deg, sigma_m=1.0, source="stamped")


def photo(number: int, **changed: Any) -> LocalPhoto:
    record = read_record(FOLDER / f"qlb014_{number}.jpg")
    return LocalPhoto(name=record.path.name, path=record.path, record=replace(record, **changed))


def solved(photos: Sequence[LocalPhoto], controls: Sequence[Control] = ()) -> SiteResult:
    picks = load_picks(FOLDER / "picks_by_hand.csv")
    return solve_site(site_inputs(SITE, photos, controls=controls, picks=picks, picks_dir=FOLDER)).result()


def test_a_photo_stamped_with_the_sites_coordinates_is_used_without_its_position() -> None:
    """It once was a division by zero that lost the whole site; all it can still tell is what no position tells."""
    got = solved([photo(5), photo(4, position=STAMP)])
    without = solved([photo(5), photo(4, position=None)])
    flags = {p.photo: p.flags for p in got.photos}
    assert [p.status for p in got.photos] == ["used", "used"]
    assert any("that of the site in the register" in f for f in flags["qlb014_4.jpg"])
    assert not any("in the register" in f for f in flags["qlb014_5.jpg"])
    told = [a.azimuth_true_deg for a in got.antennas]
    want = [a.azimuth_true_deg for a in without.antennas]
    assert told == want


def test_a_stamped_photo_without_a_heading_is_rejected_and_says_so() -> None:
    got = solved([photo(8, position=STAMP, heading=None)])
    (told,) = got.photos
    assert told.status == "rejected"
    assert any("a stamp" in f for f in told.flags)


def test_an_audit_says_so_of_the_file() -> None:
    """Rounded coordinates are the register's as well; a camera six metres off may have stood there."""
    index, kept = site_index([SITE]), KeptPhoto(name="x.jpg", stamp="", version="")
    for off_deg, codes in ((0.0, ["position_stamped"]), (1e-5, ["position_stamped"]), (5.4e-5, [])):
        record = photo(4, position=replace(STAMP, lat_deg=STAMP.lat_deg + off_deg)).record
        (match,) = match_places(index, places_of([record]))
        placed = _settled(kept, match, (), SiteNames(index.site_ids), index, None)
        assert placed.site_id == SITE.site_id
        assert [f.code for f in placed.flags] == codes


def test_a_standpoint_control_at_the_axis_is_no_standpoint() -> None:
    at_axis = Control(photo="qlb014_8.jpg", kind="standpoint", lat_deg=SITE.lat_deg, lon_deg=SITE.lon_deg, u95=5.0)
    (told,) = solved([photo(8)], [at_axis]).photos
    (alone,) = solved([photo(8)]).photos
    assert told.status == "used"
    assert any("standpoint control 0.0 m from" in f for f in told.flags)
    assert float(wrap_deg(np.subtract(told.heading_true_deg, alone.heading_true_deg))) == 0.0
