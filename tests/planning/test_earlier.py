"""What earlier documents tell."""

from __future__ import annotations

import json

import numpy as np
import pytest

from photoaz.errors import InputError
from photoaz.planning.earlier import earlier_of_estimates, sites_to_visit
from photoaz.result import Revisit, RevisitItem, SiteResult


def document(**site):
    return json.dumps(
        {"schema": "photoaz/estimates/1", "sites": [{"site_id": "HNT-204", "lat_deg": 46.6, "lon_deg": -66.4, **site}]}
    )


ANTENNAS = [
    {"antenna_id": "A1", "status": "estimated", "azimuth_true_deg": 1.5, "u95_deg": 3.92},
    {"antenna_id": "B1", "status": "not_found", "azimuth_true_deg": None, "u95_deg": None},
    {"antenna_id": "C1", "status": "estimated", "azimuth_true_deg": 240.0, "u95_deg": 1.96},
]


def test_azimuths_with_their_covariance(tmp_path, site) -> None:
    path = tmp_path / "estimates.json"
    path.write_text(
        document(antennas=ANTENNAS, azimuth_covariance={"antenna_ids": ["C1", "A1"], "deg2": [[1.0, 0.5], [0.5, 4.0]]})
    )
    told = earlier_of_estimates(path, site)
    assert told.names == ("C1", "A1")
    np.testing.assert_allclose(np.degrees(told.azimuth_rad), [240.0, 1.5])
    np.testing.assert_allclose(np.degrees(np.degrees(told.covariance_rad2)), [[1, 0.5], [0.5, 4]], atol=1e-5)
    assert np.degrees(told.u95_rad("A1")) == pytest.approx(3.92, rel=1e-4)
    assert told.u95_rad("B1") is None


def test_azimuths_alone(tmp_path, site) -> None:
    path = tmp_path / "estimates.json"
    path.write_text(document(antennas=ANTENNAS))
    told = earlier_of_estimates(path, site)
    assert set(told.names) == {"A1", "C1"}
    assert np.degrees(told.u95_rad("C1")) == pytest.approx(1.96, rel=1e-4)
    path.write_text(document(antennas=ANTENNAS[1:2]))
    assert earlier_of_estimates(path, site) is None


@pytest.mark.parametrize(
    "text",
    [
        "{",
        "[]",
        '{"schema": "other/1", "sites": []}',
        document(antennas=[{"antenna_id": "A1", "status": "estimated", "azimuth_true_deg": "x", "u95_deg": 1}]),
    ],
)
def test_what_is_no_estimates_json(tmp_path, site, text) -> None:
    path = tmp_path / "estimates.json"
    path.write_text(text)
    with pytest.raises(InputError, match=r"estimates\.json"):
        earlier_of_estimates(path, site)


def test_who_must_be_visited(tmp_path, site) -> None:
    csv = tmp_path / "revisit.csv"
    csv.write_text(
        "rank,site_id,antenna_id,action,instruction\n1,HNT-204,A1,photo,x\n2,HNT-204,B1,leave,x\n3,HNT-204,C1,read_again,x\n"
    )
    (visit,) = sites_to_visit(csv, {"HNT-204": site})
    assert (visit.site_id, visit.lat_deg, visit.lon_deg) == ("HNT-204", 46.6, -66.4)
    assert [(t.action, t.antenna_id, t.instruction, t.lat_deg) for t in visit.tasks] == [
        ("photo", "A1", "x", None),
        ("read_again", "C1", "x", None),
    ]
    with pytest.raises(InputError, match="line 2, column site_id"):
        sites_to_visit(csv, {})
    csv.write_text("site_id,antenna_id,action,lat_deg\nHNT-204,A1,photo,north\n")
    with pytest.raises(InputError, match="line 2, column lat_deg"):
        sites_to_visit(csv, {"HNT-204": site})
    made = tmp_path / "estimates.json"
    items = tuple(
        RevisitItem(
            antenna_id=name,
            action=action,
            instruction="x",
            reasons=(),
            expected_loss_now=1.0,
            expected_loss_after=0.0,
            cost=0.5,
            loss_avoided=0.5,
            figures="x",
        )
        for name, action in (("A1", "climb"), ("B1", "desk"))
    )
    revisit = Revisit(sentence="x", antennas=items)
    made.write_text(SiteResult(site_id="HNT-204", lat_deg=46.6, lon_deg=-66.4, revisit=revisit).to_json())
    (visit,) = sites_to_visit(made, {"HNT-204": site})
    assert [(t.action, t.antenna_id) for t in visit.tasks] == [("climb", "A1")]
