"""A result in a notebook: sound, alone, escaped, and with the figures that the page has."""

from __future__ import annotations

import re
from dataclasses import replace

import lxml.html
import pytest

from photoaz.present.notebook import site_html
from photoaz.result import AntennaResult, ById, SiteResult


def parsed(result):
    return lxml.html.fragment_fromstring(site_html(result))


def test_a_row_for_each_antenna_and_the_plan(judged):
    page = parsed(judged)
    rows = {tr.xpath("./th")[0].text: tr.text_content() for tr in page.xpath(".//tbody/tr")}
    assert list(rows) == list(judged.antennas.keys())
    first = rows["HNT-204-A1"]
    for said in ("124.6° ± 4.0°", "118.0° ± 2.0°", "+6.6°, En 1.47: DISAGREES", "120.0° ± 5°", "+4.6°, undecided"):
        assert said in first
    assert "not measured: in no photo" in rows["HNT-204-B1"]
    for item in judged.revisit.antennas:
        assert item.instruction[1:] in rows[item.antenna_id]
    (plan,) = page.xpath(".//svg")
    assert plan.get("role") == "img"
    assert "licensed practitioner" in page.text_content()


def test_its_style_stays_within_it_and_nothing_is_fetched(judged):
    text = site_html(judged)
    (css,) = re.findall(r"<style>(.*?)</style>", text, re.DOTALL)
    selectors = [s for rule in re.findall(r"([^{}]+)\{", css) for s in rule.split(",")]
    assert len(selectors) > 30
    assert all(s.strip().startswith(".photoaz-site ") for s in selectors)
    assert not re.search(r"https?:|@import|<script|url\((?!#)", text)


def test_letters_and_lines_have_the_ground_s_own_colour(judged):
    """Neither black nor white letters: a notebook's ground may be either."""
    assert "#191919" not in site_html(judged)
    assert "fill: currentColor" in site_html(judged)


@pytest.mark.parametrize("text", ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</style><b>\x00"])
def test_text_is_escaped(judged, text):
    evil = replace(
        judged,
        site_id=text,
        antennas=ById(replace(a, antenna_id=f"{text}{k}") for k, a in enumerate(judged.antennas)),
    )
    page = parsed(evil)
    assert not page.xpath(".//script | .//img | .//*[@onerror]")
    assert len(page.xpath(".//style")) == 1


def test_hardly_anything_known(judged):
    bare = SiteResult(
        site_id="S", lat_deg=46.6, lon_deg=-66.4, antennas=ById((AntennaResult(antenna_id="A", status="not_visible"),))
    )
    assert "None" not in parsed(bare).text_content()
    assert "no antenna" in parsed(replace(bare, antennas=ById())).text_content()
