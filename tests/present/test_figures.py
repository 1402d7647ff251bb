"""Figures in words: page and sheet say the same, and nothing contradicts what stands beside it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import lxml.html
import pytest

from photoaz.present.figures import antenna_figures, declination_text, en_text, impact_figures
from photoaz.present.pages.site import site_context
from photoaz.present.sheet import sheet_html
from photoaz.result import ById, Combined
from photoaz.wording import percent, percent_words

WHEN = datetime(2026, 5, 3, 12, 0, tzinfo=UTC)


@pytest.fixture
def full(judged):
    """A1 with everything that can be said of an antenna."""
    a1 = judged.antennas[0]
    reading = replace(
        a1.reading, likely_cause="reversed_180", cause_odds=12.0, p_right=0.3, p_right_photos_alone=0.4, agrees=True
    )
    design = replace(a1.design, guard_band_deg=1.5, acceptance_deg=3.5, consumer_risk=0.004, producer_risk=0.02)
    combined = Combined(azimuth_true_deg=121.0, u95_deg=1.8, weight_estimate=0.4)
    return replace(judged, antennas=ById([replace(a1, reading=reading, design=design, combined=combined)]))


def test_page_and_sheet_say_the_same(site, full):
    (antenna,) = full.antennas
    figures = [*antenna_figures(antenna), *impact_figures(antenna.impact_db, full.site_id)]
    assert len(figures) > 12
    (shown,) = site_context(full)["worst_first"]
    assert [*shown["figures"], *shown["impact"]] == figures
    sheet = lxml.html.fromstring(sheet_html(site, full, antenna.antenna_id, WHEN))
    rows = [(tr.xpath("./th")[0].text, tr.xpath("./td")[0].text) for tr in sheet.xpath("//tr[th[@scope='row']]")]
    assert rows == figures


def test_a_verdict_by_the_whole_site_is_explained(full):
    said = dict(antenna_figures(full.antennas[0]))
    assert said["photos − reading"] == "+6.6°, En 1.47 (this pair alone, limit 1): agrees"
    assert said["reading right"] == "30 % by the whole site, 40 % by the photos alone"


def test_what_reads_alike_is_said_once(full):
    antenna = full.antennas[0]
    design = replace(antenna.design, p_out_of_tolerance=0.9997, p_out_photos_alone=0.9999)
    reading = replace(antenna.reading, p_right=0.9997, p_right_photos_alone=0.9999)
    said = dict(antenna_figures(replace(antenna, design=design, reading=reading)))
    assert said["p out of tolerance"] == "> 99.9 %"
    assert said["reading right"] == "> 99.9 %, by the whole site and by the photos alone"


def test_an_antenna_without_an_azimuth_says_why(judged):
    rows = antenna_figures(judged.antennas["HNT-204-B1"])
    assert rows[:2] == [("from the photos", "none: in no photo"), ("reading", "none in the register")]


def test_en_just_above_its_limit_is_not_spelled_as_the_limit():
    assert [en_text(v) for v in (None, 0.999, 1.0, 1.0004, 1.47)] == ["–", "1.00", "1.00", "1.0004", "1.47"]


@pytest.mark.parametrize(
    ("share", "said"),
    [(0.0, "< 0.1 %"), (0.0009, "< 0.1 %"), (0.042, "4.2 %"), (0.5, "50 %"), (0.996, "99.6 %"), (1.0, "> 99.9 %")],
)
def test_percentages_are_never_certain(share, said):
    assert percent(share) == said
    assert percent_words(share) == said.replace("<", "less than").replace(">", "more than")


def test_declination_names_its_side(solution):
    assert declination_text(solution) == "16.18° ± 0.75° west"
    assert declination_text(replace(solution, declination_deg=3.0, declination_u95_deg=None)) == "3.0° east"
    assert "not known" in declination_text(replace(solution, declination_deg=None))
