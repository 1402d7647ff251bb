"""The JSON document against the shape that scripts outside the project rely on."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from photoaz import __version__
from photoaz.result import ById, SiteResult, estimates_document

WHEN = datetime(2026, 5, 3, 12, 0, 5, tzinfo=UTC)


class Or:
    """One of several shapes; None is null."""

    def __init__(self, *shapes):
        self.shapes = shapes


class Within:
    """A number in [low, high], or [low, high) where `open_above`."""

    def __init__(self, low, high, open_above=False):
        self.low, self.high, self.open_above = low, high, open_above


NUMBER = Within(-math.inf, math.inf)
AZIMUTH = Within(0, 360, open_above=True)
ANGLE = Within(-180, 180)
U95 = Within(0, math.inf)
SHARE = Within(0, 1)

# The published interface, estimates.json, schema photoaz/estimates/1: these fields with these names and values; added
# to them: what was found in the photos (window_px, panels, missing, name_probability).
# (Null where not known is said there for all figures.)
CAUSES = (
    "declination_omitted",
    "declination_sign",
    "grid_for_true",
    "reversed_180",
    "sectors_swapped",
    "digits_transposed",
    "common_offset",
    "antenna_turned",
    "reading_wrong",
)
PHOTO = {
    "photo": str,
    "status": Or("used", "rejected"),
    "reason": Or(None, str),
    "heading_true_deg": Or(None, AZIMUTH),
    "heading_u95_deg": Or(None, U95),
    "pitch_deg": Or(None, ANGLE),
    "roll_deg": Or(None, ANGLE),
    "flags": [str],
    "window_px": Or(None, (NUMBER,) * 4),
    "panels": [
        {
            "corners_px": ((NUMBER, NUMBER),) * 8,
            "probability": SHARE,
            "front": bool,
            "antenna_id": Or(None, str),
            "name_probability": Or(None, SHARE),
            "reasons": [str],
        }
    ],
}
EVIDENCE = {
    "photo": str,
    "view": Or("face", "oblique", "profile", "rear"),
    "corners_px": ((NUMBER, NUMBER),) * 4,
    "width_px": U95,
    "name_probability": Or(None, SHARE),
}
MISSING = {
    "photo": str,
    "status": Or("not_found", "not_visible"),
    "reason": str,
    "pixel": Or(None, (NUMBER, NUMBER)),
    "radius_px": Or(None, U95),
    "size_px": Or(None, (U95, U95)),
}
READING = {
    "azimuth_true_deg": AZIMUTH,
    "u95_deg": U95,
    "difference_deg": Or(None, ANGLE),
    "en": Or(None, U95),
    "agrees": Or(None, bool),
    "likely_cause": Or(None, *CAUSES),
}
DOWNTILT_READING = {
    "downtilt_deg": ANGLE,
    "difference_deg": Or(None, ANGLE),
    "en": Or(None, U95),
    "agrees": Or(None, bool),
}
DESIGN = {
    "azimuth_true_deg": Or(None, AZIMUTH),
    "deviation_deg": Or(None, ANGLE),
    "tolerance_deg": U95,
    "p_out_of_tolerance": Or(None, SHARE),
    "decision": Or("accept", "reject", "undecided"),
}
ANTENNA = {
    "antenna_id": str,
    "status": Or("estimated", "ambiguous", "not_found", "not_visible"),
    "azimuth_true_deg": Or(None, AZIMUTH),
    "u95_deg": Or(None, U95),
    "downtilt_deg": Or(None, ANGLE),
    "downtilt_u95_deg": Or(None, U95),
    "roll_deg": Or(None, ANGLE),
    "alternatives": [{"azimuth_true_deg": AZIMUTH, "u95_deg": U95, "probability": SHARE}],
    "evidence": [EVIDENCE],
    "missing": [MISSING],
    "budget": [{"source": str, "share": SHARE, "u95_deg": U95}],
    "downtilt_reading": Or(None, DOWNTILT_READING),
    "reading": Or(None, READING),
    "design": DESIGN,
    "revisit": bool,
    "reasons": [str],
    "impact_db": {"boresight": Or(None, NUMBER), "edge": Or(None, NUMBER)},
}
DOCUMENT = {
    "schema": "photoaz/estimates/1",
    "version": str,
    "created": str,
    "sites": [{"site_id": str, "declination_deg": Or(None, ANGLE), "photos": [PHOTO], "antennas": [ANTENNA]}],
}


def wrongs(value, shape, where="$"):
    """Where a JSON value does not have a shape. Fields beyond those of the shape are allowed."""
    if isinstance(shape, Or):
        tried = [wrongs(value, one, where) for one in shape.shapes]
        return [] if any(not t for t in tried) else [f"{where}: {value!r} fits none of the shapes"]
    if isinstance(shape, Within):
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            return [f"{where}: {value!r} is no number"]
        inside = shape.low <= value < shape.high if shape.open_above else shape.low <= value <= shape.high
        return [] if inside else [f"{where}: {value} out of range"]
    if isinstance(shape, dict):
        if not isinstance(value, dict):
            return [f"{where}: {value!r} is no object"]
        missing = [f"{where}.{key}: missing" for key in shape if key not in value]
        return missing + [w for key in shape if key in value for w in wrongs(value[key], shape[key], f"{where}.{key}")]
    if isinstance(shape, list | tuple):
        if not isinstance(value, list) or (isinstance(shape, tuple) and len(value) != len(shape)):
            return [f"{where}: {value!r} is no such list"]
        shapes = shape if isinstance(shape, tuple) else shape * len(value)
        return [w for i, (v, s) in enumerate(zip(value, shapes, strict=True)) for w in wrongs(v, s, f"{where}[{i}]")]
    if isinstance(shape, type):
        return [] if isinstance(value, shape) else [f"{where}: {value!r} is no {shape.__name__}"]
    return [] if value == shape and isinstance(value, type(shape)) else [f"{where}: {value!r} is not {shape!r}"]


def as_read(result):
    """The document after a round trip, as a script reads it; NaN and infinities would not get through."""
    return json.loads(json.dumps(estimates_document([result], WHEN), allow_nan=False))


def by_id(document):
    return {a["antenna_id"]: a for a in document["sites"][0]["antennas"]}


def test_shape(judged):
    assert wrongs(as_read(judged), DOCUMENT) == []


def test_shape_without_judgements(solution):
    assert wrongs(as_read(solution), DOCUMENT) == []


def test_shape_of_a_site_of_which_nothing_is_known(solution):
    bare = replace(solution, declination_deg=None, declination_u95_deg=None, photos=ById(), antennas=ById())
    assert wrongs(as_read(bare), DOCUMENT) == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("schema",), "photoaz/estimates/2"),
        (("created",), None),
        (("sites", 0, "declination_deg"), "-16.2"),
        (("sites", 0, "photos", 0, "status"), "fine"),
        (("sites", 0, "photos", 0, "heading_true_deg"), 360.0),
        (("sites", 0, "antennas", 0, "revisit"), 1),
        (("sites", 0, "antennas", 0, "u95_deg"), True),
        (("sites", 0, "antennas", 0, "evidence", 0, "corners_px"), [[1, 2], [3, 4], [5, 6]]),
        (("sites", 0, "antennas", 0, "reading", "likely_cause"), "wind"),
    ],
)
def test_the_checker_sees_faults(judged, path, value):
    document = as_read(judged)
    inner = document
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    assert len(wrongs(document, DOCUMENT)) == 1
    del inner[path[-1]]
    assert len(wrongs(document, DOCUMENT)) == 1


def test_head(judged):
    document = as_read(judged)
    assert document["version"] == __version__
    assert datetime.fromisoformat(document["created"]) == WHEN
    assert [p["status"] for p in document["sites"][0]["photos"]] == ["used", "rejected"]
    assert document["sites"][0]["photos"][0]["photo"] == "photos/north_gate.jpg"


def test_figures_are_rounded_not_cut(judged):
    a1 = by_id(as_read(judged))["HNT-204-A1"]
    assert a1["azimuth_true_deg"] == 124.62
    assert a1["evidence"][0]["width_px"] == 42.34
    assert a1["evidence"][0]["corners_px"][2] == [141.0, 280.25]
    assert a1["reading"]["difference_deg"] == 6.62
    assert a1["reading"]["en"] == pytest.approx(6.6204 / math.hypot(4.03, 2.0), abs=1e-6)  # E_n by its definition


def test_an_azimuth_that_rounds_to_a_full_turn_is_0(judged):
    assert by_id(as_read(judged))["HNT-204-C1"]["azimuth_true_deg"] == 0.0


def test_not_known_is_null(judged):
    b1 = by_id(as_read(judged))["HNT-204-B1"]
    assert b1["status"] == "not_visible"
    assert b1["azimuth_true_deg"] is None
    assert b1["u95_deg"] is None
    assert b1["reading"] is None
    assert b1["impact_db"] == {"boresight": None, "edge": None}
    assert b1["design"]["azimuth_true_deg"] == 240.0
    assert b1["design"]["deviation_deg"] is None
    assert b1["design"]["decision"] == "undecided"


def test_what_is_not_finite_becomes_null(solution):
    bad = replace(solution.antennas[0], azimuth_true_deg=math.nan, u95_deg=math.inf)
    document = as_read(replace(solution, antennas=ById((bad,))))
    assert document["sites"][0]["antennas"][0]["azimuth_true_deg"] is None
    assert document["sites"][0]["antennas"][0]["u95_deg"] is None


def test_unknown_columns_of_the_register_are_carried(judged):
    a1 = replace(judged.antennas[0], register_extra={"owner": "hill farm"})
    judged = replace(judged, antennas=ById((a1, *judged.antennas[1:])))
    assert by_id(as_read(judged))["HNT-204-A1"]["register_extra"] == {"owner": "hill farm"}


def test_reasons_of_solution_and_judgement(judged):
    reasons = by_id(as_read(judged))["HNT-204-A2"]["reasons"]
    assert reasons[0] == "the outline fits in more than one way"
    assert any("disagrees" in r for r in reasons[1:])


def test_shape_with_panels_found(found_judged):
    assert wrongs(as_read(found_judged), DOCUMENT) == []


def test_what_was_found(found_judged):
    document = as_read(found_judged)
    used, rejected = document["sites"][0]["photos"]
    assert used["window_px"] == [20.0, 10.0, 620.0, 470.0]
    assert [p["antenna_id"] for p in used["panels"]] == ["HNT-204-A1", "HNT-204-A2", None]
    assert used["panels"][2] == {
        "corners_px": [
            *([300.0, 120.0], [334.0, 122.0], [334.0, 316.0], [300.0, 314.0]),
            *([306.0, 124.0], [340.0, 126.0], [340.0, 320.0], [306.0, 318.0]),
        ],
        "probability": 0.8712,
        "front": False,
        "antenna_id": None,
        "name_probability": 0.8,
        "reasons": ["fits no antenna of the register"],
    }
    assert rejected["panels"][0]["antenna_id"] == "HNT-204-A1"


def test_what_was_not_found(found_judged):
    antennas = by_id(as_read(found_judged))
    not_found, not_visible = antennas["HNT-204-B1"]["missing"]
    assert not_found["pixel"] == [480.0, 200.0]
    assert (not_found["radius_px"], not_found["size_px"]) == (30.0, [40.0, 190.5])
    assert (not_visible["status"], not_visible["reason"]) == ("not_visible", "out of the frame")
    assert not_visible["pixel"] is not_visible["radius_px"] is not_visible["size_px"] is None
    assert antennas["HNT-204-A1"]["missing"] == []
    assert antennas["HNT-204-A1"]["evidence"][0]["name_probability"] == 0.9976
    assert antennas["HNT-204-C1"]["evidence"][0]["name_probability"] is None


def test_weak_points_of_a_site(solution):
    assert as_read(solution)["sites"][0]["weak_points"] == []
    said = ("nothing controls the compass of p.jpg: an error of 21 deg would go unnoticed and turn A1 by 6.0 deg",)
    weak = replace(solution, weak_points=said)
    assert as_read(weak)["sites"][0]["weak_points"] == list(said)


def test_what_was_written_is_read_back(judged):
    """Figures as rounded in the document; all else as it was, whatever the record holds."""
    read = SiteResult.from_json(judged.to_json(WHEN))
    assert read.document() == judged.document()
    assert read.antennas["HNT-204-A1"].azimuth_true_deg == 124.62
    assert read == SiteResult.from_document(judged.document())
