"""States, sentences, file names and links."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from photoaz.present import words
from photoaz.present.figures import likely_cause
from photoaz.result import AntennaResult, Design, JudgedReading


def antenna(decision="accept", agrees=True, azimuth=120.0, status="estimated", name="A1"):
    reading = JudgedReading(azimuth_true_deg=1.0, u95_deg=2.0, agrees=agrees, difference_deg=-15.9)
    return AntennaResult(
        antenna_id=name,
        status=status,
        azimuth_true_deg=azimuth,
        design=Design(decision=decision, deviation_deg=9.0),
        reading=None if agrees is None else reading,
    )


@pytest.mark.parametrize(
    ("made", "code"),
    [
        (antenna(), "ok"),
        (antenna(agrees=None), "ok"),
        (antenna(agrees=False), "reading"),
        (antenna(decision="reject"), "out"),
        (antenna(decision="reject", agrees=False), "out"),
        (antenna(decision="undecided"), "undecided"),
        (antenna(decision="undecided", agrees=False), "reading"),
        (antenna(status="ambiguous"), "undecided"),
        (antenna(azimuth=None, status="not_found", decision="undecided"), "unseen"),
        (AntennaResult(antenna_id="A1", status="not_visible"), "unseen"),
    ],
)
def test_state_of_an_antenna(made, code):
    assert words.antenna_state(made) == code


def test_a_site_is_as_its_worst_antenna():
    codes = [s.code for s in words.STATES]
    for k, code in enumerate(codes):
        assert words.site_state(codes[k:]) == code
    assert words.site_state([]) == "unseen"


def test_headline_counts_each_kind():
    said = words.headline(
        [
            antenna(decision="reject", name="A1"),
            antenna(agrees=False, name="B1"),
            antenna(decision="undecided", name="C1"),
            antenna(azimuth=None, name="D1"),
            antenna(name="E1"),
        ]
    )
    assert "1 of 5 antennas points out of tolerance: A1 (+9.0°)." in said
    assert "1 reading disagrees with the photos: B1 (15.9° apart)." in said
    assert "1 undecided: C1." in said
    assert "1 not measured: D1." in said
    assert said.endswith("The other one is in order.")
    assert words.headline([antenna()] * 2) == "Both antennas are within tolerance and agree with their readings."
    assert words.headline([antenna()]) == "The antenna is within tolerance and agrees with its reading."
    some = words.headline([antenna(), antenna(agrees=None), antenna(agrees=None)])
    assert some == "All 3 antennas are within tolerance; 1 has a reading, which agrees."
    assert words.headline([antenna(agrees=None)]) == "The antenna is within tolerance; there is no reading to compare."
    assert words.headline([]) == "The register has no antenna of this site."


def test_antennas_go_by_what_tells_them_apart():
    assert words.short_label("HNT-204-A1", "HNT-204") == "A1"
    assert words.short_label("A1", "HNT-204") == "A1"
    assert words.short_label("HNT-204", "HNT-204") == "HNT-204"
    assert "tolerance: C1 (+9.0°)." in words.headline([antenna("reject", name="X-C1"), antenna(name="X-A1")], "X")


def test_figures_that_are_not_known_are_a_dash_and_never_a_zero():
    for spelled in (
        words.azimuth(None, 2.0),
        words.signed(None),
        words.number(None),
        words.number(float("nan")),
        words.probability(None),
        words.money(None),
    ):
        assert spelled == words.UNKNOWN


def test_probabilities_are_never_certain():
    assert words.probability(0.0) == "< 0.1 %"
    assert words.probability(1.0) == "> 99.9 %"
    assert [words.probability(p) for p in (0.042, 0.62, 0.996)] == ["4.2 %", "62 %", "99.6 %"]


@pytest.mark.parametrize(
    ("value", "said"), [(0.2, "0"), (85.0, "85"), (1915.0, "1 900"), (-718.3, "-720"), (2_345_678.0, "2 300 000")]
)
def test_money_has_two_digits(value, said):
    assert words.money(value).replace("\N{NARROW NO-BREAK SPACE}", " ") == said


def test_cause_with_odds_and_without():
    reading = JudgedReading(azimuth_true_deg=1.0, u95_deg=2.0)
    named = replace(reading, likely_cause="declination_omitted", cause_odds=9.194)
    assert likely_cause(named) == "declination left out (odds 9.2:1)"
    alike = replace(reading, not_told_apart=("reading_wrong", "antenna_turned"))
    assert likely_cause(alike) == "the reading is wrong or the antenna is turned (not told apart)"
    assert likely_cause(reading) == likely_cause(None) == ""


@given(st.lists(st.text(max_size=40), max_size=8))
def test_page_names_are_safe_and_each_its_own(ids):
    taken = set()
    names = [words.page_name(i, taken) for i in ids]
    assert len({n.lower() for n in names}) == len(names)
    for name in names:
        assert re.fullmatch(r"[A-Za-z0-9_-]{1,110}\.html", name)


def test_a_page_keeps_its_name_whichever_other_sites_there_are():
    assert words.page_name("HNT-204", set()) == "HNT-204.html"
    alone = words.page_name("a/b", set())
    taken = set()
    words.page_name("a b", taken)
    assert words.page_name("a/b", taken) == alone
    assert words.page_name("CON", set()) != "CON.html"  # a device on some systems
    taken = set()
    assert words.page_name("ab", taken) == "ab.html"
    assert words.page_name("AB", taken).lower() != "ab.html"


@pytest.mark.parametrize(
    ("path", "link"),
    [
        ("overlays/a b#1?.png", "../../overlays/a%20b%231%3F.png"),
        ("overlays/Ä.png", "../../overlays/%C3%84.png"),
        ("javascript:alert(1)", None),
        ("JaVaScRiPt:alert(1)//x.png", None),
        ("http://x.test/a.png", None),
        ("//x.test/a.png", None),
        ("/etc/passwd", None),
        ("overlays/../../../x", None),
        ("..\\x", None),
        ("java\tscript:alert(1)", None),
        ("data:text/html,x", None),
        ("", None),
        (None, None),
    ],
)
def test_links_lead_into_the_results_only(path, link):
    assert words.local_link(path) == link


def test_base_names():
    assert words.base_name("s3://bucket/a/b.jpg?version=2") == "b.jpg"
    assert words.base_name("a\\b\\c.jpg") == "c.jpg"
    assert words.base_name("/") == "/"
