"""What is said of a site as a whole in the document, the table and the pages: common angle, and what to bring next."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from PIL import Image
from rich.console import Console

from photoaz.judgement.common import common_mode_of_site
from photoaz.present.overlay import Shown, draw_overlay
from photoaz.present.table import print_site
from photoaz.result import EvidenceOption, NextEvidence, estimates_document

WHEN = datetime(2026, 5, 3, 12, 0, tzinfo=UTC)

BRING = EvidenceOption(
    kind="landmark",
    bring="one landmark 300 m away or further in north_gate.jpg",
    photo="photos/north_gate.jpg",
    needs_trip=False,
    u95_then_deg=1.62341,
)


def evidence(now_deg: float) -> NextEvidence:
    return NextEvidence(
        limit="camera compass",
        bring=BRING.bring,
        kind=BRING.kind,
        photo=BRING.photo,
        needs_trip=BRING.needs_trip,
        u95_now_deg=now_deg,
        u95_then_deg=BRING.u95_then_deg,
        options=(BRING,),
        sentence=f"the camera compass limits this; {BRING.bring} would bring U95 from {now_deg:.1f} to 1.6 deg",
    )


@pytest.fixture
def whole(solution):
    """A1 and A2 have readings and estimates; C1 an estimate alone."""
    antennas = tuple(
        replace(a, next_evidence=evidence(a.u95_deg)) if a.u95_deg is not None else a for a in solution.antennas
    )
    covariance = np.full((3, 3), 1.5) + np.diag([2.0, 2.0, 0.1])
    return replace(
        solution,
        antennas=antennas,
        azimuth_ids=("HNT-204-A1", "HNT-204-A2", "HNT-204-C1"),
        azimuth_covariance_deg2=tuple(tuple(float(v) for v in row) for row in covariance),
        next_evidence=evidence(8.1),
    )


def document(site, solution, judgements):
    made = estimates_document([(site, solution, judgements)], WHEN)
    return json.loads(json.dumps(made, allow_nan=False))["sites"][0]


def text(solution, judgements) -> str:
    out = io.StringIO()
    print_site(solution, judgements, Console(file=out, width=300))
    return out.getvalue()


def test_document_bears_the_common_mode(site, whole, judgements):
    got, want = document(site, whole, judgements)["common_mode"], common_mode_of_site(whole, judgements)
    assert got["n"] == 2
    assert got["angle_deg"] == round(want.angle_deg, 3)
    assert got["u95_deg"] == round(want.u95_deg, 3)
    assert got["chi2"] == pytest.approx(want.chi2, rel=1e-3)
    assert got["p"] == pytest.approx(want.p, rel=1e-3)
    assert got["consistent"] is want.consistent
    assert got["separable"] is False
    assert got["left_out"] == []
    assert got["sentence"] == want.sentence


def test_document_bears_departures_where_there_are_enough(site, whole, judgements):
    antennas = document(site, whole, judgements)["antennas"]
    assert antennas[0]["reading"]["departure_deg"] is None
    for a in ("HNT-204-C1", "HNT-204-B1"):
        judgements[a] = replace(judgements[a], reading=replace(judgements["HNT-204-A1"].reading, azimuth_true_deg=1.0))
    common = common_mode_of_site(whole, judgements)
    readings = {a["antenna_id"]: a["reading"] for a in document(site, whole, judgements)["antennas"]}
    assert [d.antenna_id for d in common.departures] == ["HNT-204-A1", "HNT-204-A2", "HNT-204-C1"]
    for d in common.departures:
        assert readings[d.antenna_id]["departure_deg"] == round(d.departure_deg, 3)
        assert readings[d.antenna_id]["departure_u95_deg"] == round(d.u95_deg, 3)
    assert readings["HNT-204-B1"]["departure_deg"] is None  # it has a reading, but no estimate


def test_document_bears_what_to_bring_and_the_joint_covariance(site, whole, judgements):
    got = document(site, whole, judgements)
    assert got["next_evidence"]["sentence"].endswith("would bring U95 from 8.1 to 1.6 deg")
    assert got["next_evidence"]["u95_now_deg"] == 8.1
    assert got["next_evidence"]["u95_then_deg"] == 1.623
    assert got["next_evidence"]["options"] == [
        {
            "kind": "landmark",
            "bring": BRING.bring,
            "photo": "photos/north_gate.jpg",
            "needs_trip": False,
            "u95_then_deg": 1.623,
        }
    ]
    assert got["antennas"][0]["next_evidence"]["u95_now_deg"] == 4.03
    assert got["antennas"][2]["next_evidence"] is None
    assert got["azimuth_covariance"]["antenna_ids"] == list(whole.azimuth_ids)
    assert got["azimuth_covariance"]["deg2"][0] == [3.5, 1.5, 1.5]


def test_document_of_a_site_without_them_has_null(site, solution, judgements):
    got = document(site, solution, judgements)
    assert got["common_mode"] is None
    assert got["next_evidence"] is None
    assert got["azimuth_covariance"] is None
    assert got["antennas"][0]["reading"]["departure_deg"] is None


def test_table_says_both_in_a_line_each(whole, judgements):
    lines = text(whole, judgements).splitlines()
    common = common_mode_of_site(whole, judgements)
    assert f"Readings: {common.sentence}" in [line.rstrip() for line in lines]
    assert f"Next: {whole.next_evidence.sentence}." in [line.rstrip() for line in lines]


def test_table_of_a_site_without_them_says_nothing(solution, judgements):
    assert "Next:" not in text(solution, judgements)
    assert "Readings:" not in text(solution, judgements)


def test_page_bears_both(whole, judgements):
    """Each is drawn: more of the page is not white than without it, the rest as it was."""
    picture = np.full((480, 640, 3), 120, np.uint8)
    photo = whole.photos[0]
    plain = [
        Shown(solution=replace(a, next_evidence=None), view=a.evidence[0], judgement=judgements[a.antenna_id])
        for a in whole.antennas
        if a.evidence
    ]
    told = [replace(s, solution=replace(s.solution, next_evidence=evidence(4.0))) for s in plain]

    def ink(shown, **more):
        page = Image.open(io.BytesIO(draw_overlay(picture, photo, shown, site_id="HNT-204", **more)))
        return int((np.asarray(page.convert("L")) < 250).sum())

    nothing, each = ink(plain), ink(told)
    assert each > nothing + 2000  # some lines of letters
    assert ink(told, next_evidence=whole.next_evidence) > each + 500
    assert ink(plain, common=common_mode_of_site(whole, judgements)) > nothing + 2000
