"""What is said of a site as a whole in the document, the table and the pages: common angle, and what to bring next."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from rich.console import Console

from photoaz.judgement.common_mode import common_mode_of_site
from photoaz.present.overlay import draw_overlay
from photoaz.present.table import print_site
from photoaz.result import AzimuthCovariance, ById, EvidenceOption, NextEvidence

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
        sentence=f"the camera compass limits this; {BRING.bring} would bring U95 from {now_deg:.1f}° to 1.6°",
    )


@pytest.fixture
def whole(judged):
    """A1 and A2 have readings and estimates; C1 an estimate alone."""
    antennas = ById(
        replace(a, next_evidence=evidence(a.u95_deg)) if a.u95_deg is not None else a for a in judged.antennas
    )
    covariance = np.full((3, 3), 1.5) + np.diag([2.0, 2.0, 0.1])
    result = replace(
        judged,
        antennas=antennas,
        azimuth_covariance=AzimuthCovariance(
            antenna_ids=("HNT-204-A1", "HNT-204-A2", "HNT-204-C1"),
            deg2=tuple(tuple(float(v) for v in row) for row in covariance),
        ),
        next_evidence=evidence(8.1),
    )
    return replace(result, common_mode=common_mode_of_site(result))


def document(result):
    return json.loads(json.dumps(result.document(), allow_nan=False))


def text(result) -> str:
    out = io.StringIO()
    print_site(result, Console(file=out, width=300))
    return out.getvalue()


def test_document_bears_the_common_mode(whole):
    got, want = document(whole)["common_mode"], whole.common_mode
    assert got["n"] == 2
    assert got["angle_deg"] == round(want.angle_deg, 3)
    assert got["u95_deg"] == round(want.u95_deg, 3)
    assert got["chi2"] == pytest.approx(want.chi2, rel=1e-3)
    assert got["p"] == pytest.approx(want.p, rel=1e-3)
    assert got["consistent"] is want.consistent
    assert got["separable"] is False
    assert got["left_out"] == []
    assert got["sentence"] == want.sentence


def test_document_bears_what_to_bring_and_the_joint_covariance(whole):
    got = document(whole)
    assert got["next_evidence"]["sentence"].endswith("would bring U95 from 8.1° to 1.6°")
    assert got["next_evidence"]["u95_now_deg"] == 8.1
    assert got["next_evidence"]["u95_then_deg"] == 1.623
    assert got["next_evidence"]["options"] == [
        {
            "kind": "landmark",
            "bring": BRING.bring,
            "photo": "photos/north_gate.jpg",
            "needs_trip": False,
            "u95_then_deg": 1.623,
            "distance_m": None,
            "bearing_deg": None,
        }
    ]
    assert got["antennas"][0]["next_evidence"]["u95_now_deg"] == 4.03
    assert got["antennas"][2]["next_evidence"] is None
    assert got["azimuth_covariance"]["antenna_ids"] == ["HNT-204-A1", "HNT-204-A2", "HNT-204-C1"]
    assert got["azimuth_covariance"]["deg2"][0] == [3.5, 1.5, 1.5]


def test_document_of_a_site_without_them_has_null(judged):
    got = document(judged)
    assert got["common_mode"] is None
    assert got["next_evidence"] is None
    assert got["azimuth_covariance"] is None
    assert got["antennas"][0]["reading"]["departure_deg"] is None


def test_table_says_both_in_a_line_each(whole):
    lines = text(whole).splitlines()
    assert f"Readings: {whole.common_mode.sentence}" in [line.rstrip() for line in lines]
    assert f"Next: {whole.next_evidence.sentence}." in [line.rstrip() for line in lines]


def test_table_of_a_site_without_them_says_nothing(judged):
    assert "Next:" not in text(judged)
    assert "Readings:" not in text(judged)


def test_page_bears_both(whole):
    """Each is drawn: more of the page is not white than without it, the rest as it was."""
    picture, photo = Image.new("RGB", (640, 480), (120, 120, 120)), whole.photos[0]
    told = ById(replace(a, next_evidence=a.next_evidence and evidence(4.0)) for a in whole.antennas)
    untold = ById(replace(a, next_evidence=None) for a in whole.antennas)
    plain = replace(whole, antennas=untold, next_evidence=None, common_mode=None)

    def ink(result):
        page = Image.open(io.BytesIO(draw_overlay(picture, result, photo)))
        return int((np.asarray(page.convert("L")) < 250).sum())

    nothing, each = ink(plain), ink(replace(plain, antennas=told))
    assert each > nothing + 2000  # some lines of letters
    assert ink(replace(plain, antennas=told, next_evidence=whole.next_evidence)) > each + 500
    assert ink(replace(plain, common_mode=whole.common_mode)) > nothing + 2000
