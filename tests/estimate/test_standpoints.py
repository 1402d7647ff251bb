"""Where cameras stood: positions that are none, ground that slopes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from photoaz.angles import wrap_deg
from photoaz.audit.photos import KeptPhoto
from photoaz.audit.placing import _settled
from photoaz.estimate.inputs import LocalPhoto, site_inputs
from photoaz.estimate.report import _sloping
from photoaz.estimate.solve import solve_site
from photoaz.estimate.statements import known_photo_of, open_photo
from photoaz.geodesy.frames import EnuFrame
from photoaz.naming.model import camera_height
from photoaz.naming.places import match_places, places_of, site_index
from photoaz.naming.site_names import SiteNames
from photoaz.photo.metadata import read_record
from photoaz.photo.record import GeoPosition, Measured
from photoaz.register.load import load_picks, load_register, require_sites
from photoaz.register.model import Control
from photoaz.result import SiteResult
from photoaz.sample import sample_dir

#: what is found and fitted in the sample's photos is another test's matter: seen once, it is remembered
pytestmark = pytest.mark.usefixtures("seen_before")
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


def test_a_camera_is_held_over_ground_that_slopes() -> None:
    """A tenth of the way up or down, one sigma; what GNSS says counts by its own sigma, unless it cannot be."""
    value, sigma = camera_height(100.0)
    assert (value, sigma) == (1.5, float(np.hypot(1.5, 10.0)))
    told, better = camera_height(100.0, (21.5, 15.0))
    share = sigma**2 / (sigma**2 + 15.0**2)
    assert told == 1.5 + share * 20.0
    assert better == float(np.sqrt(share) * 15.0)
    assert camera_height(100.0, (400.0, 15.0)) == (value, sigma)


def test_an_altitude_counts_against_the_sites_ground_alone() -> None:
    given = photo(8, altitude_m=Measured(value=219.0, sigma=15.0, source="stated"))
    opened = open_photo(given, (), (), None)
    frame = EnuFrame(lat_deg=SITE.lat_deg, lon_deg=SITE.lon_deg, height_m=0.0)
    assert known_photo_of("x", opened, frame, None, None).altitude is None
    assert known_photo_of("x", opened, frame, None, 212.0).altitude == (7.0, 15.0)


def test_a_slope_that_the_pixels_ask_for_is_said() -> None:
    assert (
        _sloping(1.5 - 18.0, 3.0**2) == "the ground slopes: by the pixels it lies 18 ± 6 m below the tower's base here"
    )
    assert "above" in str(_sloping(1.5 + 9.0, 2.0**2))
    assert _sloping(1.5 - 18.0, 12.0**2) is None
    assert _sloping(1.5 + 2.0, 0.5**2) is None


def test_an_audit_says_so_of_the_file() -> None:
    """Rounded coordinates are the register's as well; a camera six metres off may have stood there."""
    index, kept = site_index([SITE]), KeptPhoto(name="x.jpg", stamp="", version="")
    for off_deg, codes in ((0.0, ["position_stamped"]), (1e-5, ["position_stamped"]), (5.4e-5, [])):
        record = photo(4, position=replace(STAMP, lat_deg=STAMP.lat_deg + off_deg)).record
        (match,) = match_places(index, places_of([record]))
        placed = _settled(kept, match, (), SiteNames(index.site_ids), index, None, {})
        assert placed.site_id == SITE.site_id
        assert [f.code for f in placed.flags] == codes


def test_a_standpoint_control_at_the_axis_is_no_standpoint() -> None:
    at_axis = Control(photo="qlb014_8.jpg", kind="standpoint", lat_deg=SITE.lat_deg, lon_deg=SITE.lon_deg, u95=5.0)
    (told,) = solved([photo(8)], [at_axis]).photos
    (alone,) = solved([photo(8)]).photos
    assert told.status == "used"
    assert any("standpoint control 0.0 m from" in f for f in told.flags)
    assert float(wrap_deg(np.subtract(told.heading_true_deg, alone.heading_true_deg))) == 0.0
