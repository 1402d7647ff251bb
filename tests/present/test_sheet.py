"""The second-opinion sheet: whole, escaped, alone, legible, on one page of paper."""

from __future__ import annotations

import base64
import hashlib
import html
import io
import itertools
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, date, datetime
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from photoaz import __version__
from photoaz.judgement.impact import BASIS
from photoaz.present.charts import budget_svg, strip_svg
from photoaz.present.drawing import ANTENNA_DIAL, CameraPlace, Direction, Pointing, azimuth_plan, spread
from photoaz.present.sheet import best_view, crop_jpeg, sheet_html
from photoaz.register.model import Reading
from photoaz.result import Alternative, BudgetShare, ById, EvidenceOption, NextEvidence, PhotoResult
from photoaz.wording import before_you_go, percent

WHEN = datetime(2026, 5, 3, 12, 0, tzinfo=UTC)
VOID = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Tags that close as they open, links, ids and text."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.links, self.ids, self.words, self.tags, self.alt = [], [], [], [], [], []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        given = dict(attrs)
        self.links += [v for k, v in attrs if k in ("href", "src", "xlink:href", "action", "data", "srcset")]
        self.ids += [given["id"]] if "id" in given else []
        if tag == "img":
            self.alt.append(given.get("alt"))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def photo_like():
    """Something to cut a crop from."""
    grey = np.full((480, 640, 3), 150, np.uint8)
    grey[80:285, 99:148] = 220
    return Image.fromarray(grey)


def made(site, whole, antenna_id):
    view = best_view(whole.antennas[antenna_id])
    return sheet_html(
        site,
        whole,
        antenna_id,
        WHEN,
        None if view is None else crop_jpeg(photo_like(), view),
    )


def crowded(site, solution, judge):
    """As much as can be on one sheet: long names, two more azimuths, many photos, flags, sources and reasons."""
    name = "HNT-204-" + "W" * 40
    a1 = solution.antennas[0]
    photos = tuple(
        PhotoResult(
            photo=f"photos/a_rather_long_name_of_a_photo_{k:03d}.jpeg",
            status="used",
            taken=date(2026, 5, 1),
            heading_true_deg=300.0 + k,
            heading_u95_deg=12.34,
            lat_deg=46.6004 + 1e-5 * k,
            lon_deg=-66.3992,
            flags=("compass disturbed by 123 deg and more words " * 3,),
        )
        for k in range(14)
    )
    options = (
        EvidenceOption(
            kind="photo",
            bring="one more photo",
            photo=None,
            needs_trip=True,
            u95_then_deg=2.0,
            distance_m=80.0,
            bearing_deg=110.0,
        ),
    )
    busy = replace(
        a1,
        antenna_id=name,
        status="ambiguous",
        u95_deg=23.4,
        alternatives=tuple(Alternative(azimuth_true_deg=v, u95_deg=6.0, probability=0.2) for v in (123.0, 126.0)),
        evidence=tuple(replace(a1.evidence[0], photo=p.photo, width_px=90.0 - k) for k, p in enumerate(photos)),
        budget=tuple(
            BudgetShare(source=f"a source with a long name, the {k}th", share=1 / 12, u95_deg=3.0) for k in range(12)
        ),
        remarks=tuple(
            f"a reason that takes many words to say, over and over again, number {k}; " * 4 for k in range(9)
        ),
        next_evidence=NextEvidence(
            limit="edges in the photo", u95_now_deg=23.4, sentence="many words " * 60, options=options
        ),
    )
    antennas = [replace(a, antenna_id=name if a.antenna_id == a1.antenna_id else a.antenna_id) for a in site.antennas]
    long = replace(
        site,
        antennas=tuple(
            replace(
                a,
                reading=Reading(azimuth_deg=141.0, north="magnetic", u95_deg=2.0, date=date(2026, 5, 1)),
                sector="a sector with a name " + a.antenna_id,
            )
            for a in antennas
        ),
    )
    whole = replace(solution, photos=ById(photos), antennas=ById((busy, *solution.antennas[1:])))
    whole = judge(long, whole)
    first, *rest = whole.antennas
    assert first.reading is not None
    first = replace(first, reading=replace(first.reading, likely_cause="declination_omitted"))
    return made(long, replace(whole, antennas=ById((first, *rest))), name)


ANTENNAS = ["HNT-204-A1", "HNT-204-A2", "HNT-204-B1", "HNT-204-C1"]


@pytest.fixture
def sheets(site, solution, judged, judge):
    return {a: made(site, judged, a) for a in ANTENNAS} | {"crowded": crowded(site, solution, judge)}


def test_html_is_sound_and_stands_alone(sheets):
    for text in sheets.values():
        page = Page(text)
        assert text.startswith("<!DOCTYPE html>")
        assert all(link.startswith("data:image/jpeg;base64,") for link in page.links)
        assert len(page.ids) == len(set(page.ids))
        assert "script" not in page.tags
        assert "Priors and costs are the user's, or defaults without a source." in page.text
        assert not re.search(r"https?:|//|@import", re.sub(r"base64,[A-Za-z0-9+/=]*", "", text))
        assert set(re.findall(r"url\(([^)]*)\)", text)) <= {"#hatch"}


def test_charts_are_sound_xml_with_text_alternatives(sheets):
    for text in sheets.values():
        for svg in re.findall(r"<svg.*?</svg>", text, re.DOTALL):
            root = ElementTree.fromstring(svg)
            assert root.get("role") == "img"
            if root.get("aria-label") is None:
                named = {e.get("id"): e.text for e in root.iter() if e.get("id")}
                assert all(named[i] for i in root.get("aria-labelledby").split())
        assert all(Page(text).alt)


def test_figures_stand_with_unit_and_uncertainty(sheets, judged):
    text = Page(sheets["HNT-204-A1"]).text
    assert "124.6° ± 4.0°" in text
    reading, design = judged.antennas["HNT-204-A1"].reading, judged.antennas["HNT-204-A1"].design
    assert "118.0° ± 2.0°" in text
    assert f"+6.6°, En {reading.en:.2f} (this pair alone, limit 1): DISAGREES" in text
    assert "120.0° ± 5° true" in text
    both, alone = percent(design.p_out_of_tolerance), percent(design.p_out_photos_alone)
    assert f"p out of tolerance {both}, by the photos alone {alone}" in text
    assert "UNDECIDED" in text
    assert "61 %, ± 3.2°" in text  # the budget's first bar
    assert "2.1° ± 1.1°; reading 2.0° ± 0.5°" in text
    assert BASIS[1:] in text
    assert re.search(r"design direction [-+]?\d\.\d dB \([-+]?\d\.\d to [-+]?\d\.\d\)", text)
    assert "46.60040, -66.39920" in text
    assert "from true north" in text
    assert __version__ in text
    assert "2026-05-03 12:00+00:00" in text
    for place in ("Name", "Date", "Signature", "Agreed / not agreed"):
        assert place in text
    assert "Local codes" in text


def test_losses_and_actions_are_said(sheets, judged):
    for item in judged.revisit.antennas:
        text = Page(sheets[item.antenna_id]).text
        assert item.figures[1:] in text
        assert item.instruction[1:60].rsplit(" ", 1)[0] in text
    assert judged.revisit.antennas


def test_an_antenna_that_nobody_saw(sheets):
    text = Page(sheets["HNT-204-B1"]).text
    assert "NOT MEASURED" in text
    assert "in no photo" in text
    assert "No photo shows this antenna." in text
    assert "None shows it." in text


def test_a_sheet_that_sends_somebody_up_says_what_to_mind(site, judged):
    todo = replace(judged.revisit.antennas[0], antenna_id="HNT-204-A1", action="climb")
    result = replace(judged, revisit=replace(judged.revisit, antennas=(todo,)))
    assert before_you_go(["climb"]) in Page(made(site, result, "HNT-204-A1")).text


def test_a_sheet_that_says_which_photo_would_help_says_what_to_mind(site, judged):
    first, *others = judged.antennas
    told = NextEvidence(
        limit="camera compass", u95_now_deg=4.0, sentence="a photo from there would help", needs_trip=True
    )
    for needs_trip in (True, False):
        antenna = replace(first, next_evidence=replace(told, needs_trip=needs_trip))
        result = replace(judged, revisit=None, antennas=ById((antenna, *others)))
        assert (before_you_go(["photo"]) in Page(made(site, result, first.antenna_id)).text) is needs_trip


def test_a_likely_cause_is_named(sheets):
    assert "declination left out" in Page(sheets["crowded"]).text


def test_text_is_escaped(site, solution, judge):
    evil = "<script>alert('x')</script>&\"\x07"
    a1 = solution.antennas[0]
    odd = replace(
        a1,
        antenna_id=evil,
        remarks=(evil,),
        budget=(BudgetShare(source=evil[:20], share=1.0, u95_deg=1.0),),
        evidence=(replace(a1.evidence[0], photo=f"photos/{evil[:7]}.jpg"),),
    )
    photo = replace(solution.photos[0], photo=f"photos/{evil[:7]}.jpg", flags=(evil,))
    register = replace(site, site_id=evil, antennas=(replace(site.antennas[0], antenna_id=evil, sector=evil),))
    whole = replace(solution, site_id=evil, antennas=ById((odd,)), photos=ById((photo,)))
    text = made(register, judge(register, whole), evil)
    page = Page(text)
    assert "script" not in page.tags
    assert "<script>alert('x')</script>&\"" in page.text
    assert "\x07" not in text
    for svg in re.findall(r"<svg.*?</svg>", text, re.DOTALL):
        ElementTree.fromstring(svg)


def test_crop_shows_photo_and_fit_side_by_side(solution):
    view = solution.antennas[0].evidence[0]
    picture = Image.open(io.BytesIO(crop_jpeg(photo_like(), view)))
    left, right = (
        np.asarray(picture.crop(box)).astype(int)
        for box in (
            (0, 0, picture.width // 2 - 4, picture.height),
            (picture.width // 2 + 4, 0, picture.width, picture.height),
        )
    )
    yellow = [((p[..., 0] > 180) & (p[..., 1] > 170) & (p[..., 2] < 120)).sum() for p in (left, right)]
    assert yellow[0] == 0
    assert yellow[1] > 500
    assert 0.6 < picture.width / picture.height < 1.6


def test_best_view_is_the_widest_front(solution):
    a2 = solution.antennas[1]
    rear = replace(a2.evidence[0], view="rear", width_px=500.0)
    wide = replace(a2.evidence[1], width_px=60.0)
    assert best_view(replace(a2, evidence=(a2.evidence[0], rear, wide))) is wide
    assert best_view(replace(a2, evidence=(rear,))) is rear
    assert best_view(replace(a2, evidence=())) is None


# ---- labels that do not collide --------------------------------------------------------------------------------------


@given(st.lists(st.floats(-50, 300), max_size=5))
def test_labels_keep_apart_and_inside(wanted):
    placed = spread(sorted(wanted), 29.0, 16.0, 242.0)
    assert len(placed) == len(wanted)
    assert all(b - a >= 29.0 - 1e-6 for a, b in itertools.pairwise(placed))
    assert all(16.0 - 1e-6 <= y <= 242.0 + 1e-6 for y in placed)


def test_labels_with_room_stay_where_they_belong():
    assert spread([40.0, 100.0, 200.0], 29.0, 16.0, 242.0) == [40.0, 100.0, 200.0]


def dial(directions, cameras=()):
    return azimuth_plan([Pointing(label="A1", directions=directions)], cameras, layout=ANTENNA_DIAL)


def boxes(svg, pattern, high):
    """Boxes of texts of a class: 6 units a character, as wide as the fonts used have it."""
    out = []
    for x, y, anchor, text in re.findall(pattern, svg):
        width = 6.0 * len(text)
        left = float(x) - {"start": 0.0, "middle": width / 2.0, "end": width}[anchor]
        out.append((left, float(y) - high, left + width, float(y)))
    return out


@pytest.mark.parametrize("azimuth", [0.0, 1.0, 90.0, 179.5, 180.5, 270.0, 359.0])
def test_directions_that_coincide_have_labels_of_their_own(azimuth):
    directions = [
        Direction(kind=kind, label=label, azimuth_deg=(azimuth + k * 0.1) % 360, half_deg=half, note=note)
        for k, (kind, label, half, note) in enumerate(
            [
                ("photos", "photos", 2.0, ""),
                ("other", "also possible", 11.3, "12 %"),
                ("other", "also possible", 3.0, "4 %"),
                ("reading", "reading", 2.0, ""),
                ("design", "design", 5.0, ""),
            ]
        )
    ]
    places = [(1, azimuth), (2, azimuth), (3, azimuth + 1.0), (4, azimuth), (5, azimuth + 180.0)]
    svg = dial(directions, [CameraPlace(number=n, bearing_deg=b) for n, b in places])
    ElementTree.fromstring(svg)
    text = r'<text class="(?:name|figure)" x="([\d.]+)" y="([\d.]+)" text-anchor="(\w+)">([^<]*)<'
    found = boxes(svg, text, 9.0)
    assert len(found) == 10
    for (l1, t1, r1, b1), (l2, t2, r2, b2) in itertools.combinations(found, 2):
        assert r1 <= l2 or r2 <= l1 or b1 <= t2 or b2 <= t1
    assert all(left >= 0.0 and right <= ANTENNA_DIAL.size[0] for left, _, right, _ in found)
    cameras = [
        tuple(float(v) for v in m)
        for m in re.findall(r'<rect class="camera" x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="(13)"', svg)
    ]
    for (x, y, w, h), (u, v, a, b) in itertools.combinations(cameras, 2):
        assert x + w <= u + 0.1 or u + a <= x + 0.1 or y + h <= v + 0.1 or v + b <= y + 0.1
    numbers = re.findall(r'<text class="camera"[^>]*>([^<]*)<', svg)
    assert sorted(int(n) for text in numbers for n in text.split(",")) == [1, 2, 3, 4, 5]


def test_intervals_are_drawn_where_they_are():
    svg = dial([Direction(kind="photos", label="photos", azimuth_deg=90.0, half_deg=30.0)])
    (path,) = re.findall(r'<path class="fan photos" d="([^"]*)"', svg)
    (x1, y1), (x2, y2) = (
        tuple(float(v) for v in pair.split(",")) for pair in re.findall(r"(?<=M )[\d.,]+|(?<=0 1 )[\d.,]+", path)
    )
    reach, (x0, y0) = ANTENNA_DIAL.hands, ANTENNA_DIAL.middle
    # north on top: azimuths 60 and 120 lie 30 degrees above and below due right, x = r cos 30, y = -+ r sin 30
    assert (x1 - x0, y1 - y0) == pytest.approx((reach * 0.8660, -reach * 0.5), abs=0.06)
    assert (x2 - x0, y2 - y0) == pytest.approx((reach * 0.8660, reach * 0.5), abs=0.06)


def test_all_round_is_drawn_too():
    for kind in ("photos", "design"):
        ElementTree.fromstring(dial([Direction(kind=kind, label=kind, azimuth_deg=10.0, half_deg=200.0)]))
    assert strip_svg([]) == "<p>Nothing to draw.</p>"
    assert budget_svg(()) == "<p>No azimuth, no budget.</p>"


def test_strip_without_a_design():
    svg = strip_svg([Direction(kind="photos", label="photos", azimuth_deg=10.0, half_deg=2.0)])
    assert "degrees off the photos" in svg


def test_budget_adds_what_is_not_shown():
    shares = [BudgetShare(source=f"s{k}", share=1.0 / 8, u95_deg=1.0) for k in range(8)]
    svg = budget_svg(shares)
    assert len(re.findall('class="bar"', svg)) == 6
    assert "3 others" in svg
    assert "38 %, ± 1.7°" in svg  # 3 / 8, and sqrt(3) (JCGM 100:2008, 5.1.2)


def test_line_styles_differ_without_colour(sheets):
    css = re.search(r"<style>(.*?)</style>", sheets["HNT-204-A1"], re.DOTALL)[1]
    dashes = {}
    for kind in ("photos", "other", "reading", "design"):
        rule = re.search(rf"line\.{kind} {{([^}}]*)}}", css)[1]
        dash = re.search(r"stroke-dasharray: ([^;]*);", rule)
        dashes[kind] = dash[1] if dash else "solid"
    assert len(set(dashes.values())) == 4


def test_its_policy_allows_its_own_style_and_nothing_else(sheets):
    """CSP level 3, 2.3.1: the base64 of the SHA-256 of the element's text."""
    for text in sheets.values():
        (style,) = re.findall(r"<style>(.*?)</style>", text, re.DOTALL)
        policy = html.unescape(re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1])
        digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
        assert f"style-src 'sha256-{digest}';" in policy
        assert policy.startswith("default-src 'none';")
        assert "unsafe" not in policy


def test_every_reason_stands_whole_on_the_sheet(site, solution, judge):
    """A sentence cut in its middle, or in a figure, cannot be signed; the longest goes on on the next page."""
    result = judge(site, solution)
    a1 = result.antennas["HNT-204-A1"]
    long = "It is told at length, with a probability of 12.5 % at the end of each part, " * 6
    out = replace(a1, reasons=(*a1.reasons[:2], long.strip(), *a1.reasons[2:]))
    text = made(site, replace(result, antennas=ById((out, *result.antennas[1:]))), "HNT-204-A1")
    shown = " ".join(Page(text).text.split())
    assert all(" ".join(r.split()) in shown for r in out.reasons)


# ---- paper -----------------------------------------------------------------------------------------------------------

CHROMIUM = next((c for n in ("chromium", "chromium-browser", "google-chrome") if (c := shutil.which(n))), None)


def printed(text, size, folder):
    """The pages that a browser makes of it, as PDF's page objects say."""
    source, target = folder / "sheet.html", folder / "sheet.pdf"
    # the policy knows the style by its hash, and the paper's size is put into the style
    text = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", text)
    source.write_text(text.replace("@page {", f"@page {{ size: {size};"), encoding="utf-8")
    subprocess.run(
        [
            *(CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"),
            *(f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={target}", source.as_uri()),
        ],
        check=True,
        capture_output=True,
        timeout=90,
    )
    data = target.read_bytes()
    box = re.search(rb"/MediaBox\s*\[([\d. ]+)\]", data)[1].split()
    return len(re.findall(rb"/Type\s*/Page\b", data)), tuple(float(v) for v in box[2:])


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium to print with")
@pytest.mark.parametrize(("size", "points"), [("A4", (595.0, 842.0)), ("letter", (612.0, 792.0))])
def test_one_page_of_paper(sheets, size, points, tmp_path):
    # ISO 216: 210 x 297 mm; ANSI A: 8.5 x 11 in; in points of 1 / 72 in
    for name, pages in (("crowded", 2), ("HNT-204-A1", 1)):  # what does not fit is signed too, on a second page
        count, paper = printed(sheets[name], size, tmp_path)
        assert paper == pytest.approx(points, abs=1.0)
        assert count == pages, name


@pytest.mark.skipif(CHROMIUM is None, reason="no chromium to print with")
def test_the_count_sees_a_second_page(sheets, tmp_path):
    longer = sheets["HNT-204-A1"].replace("</main>", "<p>one more</p>" * 80 + "</main>")
    assert printed(longer, "A4", tmp_path)[0] > 1


def test_what_is_rejected_stays_readable_without_backgrounds(site, solution, judge, browser):
    """A browser prints no grounds unless asked: nothing is said in white on them, and what is there asks for them."""
    result = judge(site, solution)
    a1 = result.antennas["HNT-204-A1"]
    out = replace(a1, design=replace(a1.design, decision="reject"))
    text = made(site, replace(result, antennas=ById((out, *result.antennas[1:]))), "HNT-204-A1")
    assert "OUT OF TOLERANCE" in Page(text).text
    tab = browser.new_page()
    tab.set_content(text)
    tab.emulate_media(media="print")
    look = "([n, p]) => getComputedStyle(document.querySelector(n))[p]"
    assert tab.evaluate(look, [".verdict", "printColorAdjust"]) == "exact"
    assert tab.evaluate(look, [".verdict b", "color"]) == "rgb(25, 25, 25)"
    tab.close()
